"""A staged plan for trying the hardware, each stage simulated on its own condition; and recordings judged by it."""
