"""Row 4: one file for each job a builder comes with."""
