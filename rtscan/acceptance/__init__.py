"""Judges a list of indications by published acceptance criteria. Never sees a pixel."""
