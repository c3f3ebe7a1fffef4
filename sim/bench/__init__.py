"""Row 2: vehicle and scenario files become tapes, a closed loop and a recorded run."""
