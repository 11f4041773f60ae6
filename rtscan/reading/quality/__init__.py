"""Is the film fit to judge, and what could it have shown."""

from rtscan.reading.quality.check import check_film
from rtscan.reading.quality.contrast import Contrast
from rtscan.reading.quality.detection import detection_limit
from rtscan.reading.quality.indicator import Indicator, read_indicator

__all__ = ["Contrast", "Indicator", "check_film", "detection_limit", "read_indicator"]
