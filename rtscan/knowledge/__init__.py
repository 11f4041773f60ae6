"""Data of the trade with its sources, and thin look-ups."""
