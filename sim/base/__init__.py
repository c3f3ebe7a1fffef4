"""Row 0: errors with a place, the clock, seeded noise streams, careful file writing."""
