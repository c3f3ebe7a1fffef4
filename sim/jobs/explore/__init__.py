"""The exhaustive look: every state a controller can reach under coarse parameters (row 4)."""
