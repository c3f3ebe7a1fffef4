"""Row 1: tables of named columns, and how recordings come in and go out."""
