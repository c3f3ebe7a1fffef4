"""Row 1: a controller's Python step as portable C99, with the range of every intermediate proved."""
