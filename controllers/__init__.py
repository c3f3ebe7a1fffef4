"""Throttle controllers: the logic under test, in integers, with no clock and no I/O."""
