"""Row 5: the command line, the figures and the reports; no physics and no logic."""
