"""Row 3: requirements as temporal logic with margins, and plain measures."""
