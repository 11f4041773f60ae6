"""What to grind, where and how deep. Worksheets in, plans out."""
