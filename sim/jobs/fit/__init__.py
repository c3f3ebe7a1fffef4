"""From recordings to the vehicle file: the numbers that a recording tells, each with its 95 % interval (row 4)."""
