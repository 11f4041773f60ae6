"""rtscan reads weld radiographs: it finds, measures, names and judges indications, and plans the repair."""

__version__ = "0.1.0"
