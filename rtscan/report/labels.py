"""Free places for labels: none over another, none over an indication."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Box = tuple[float, float, float, float]

_CELL = 4
_DISTANCES = (8, 20, 36, 56, 80, 110, 145, 185, 230, 290, 360)
_DIRECTIONS = tuple((float(np.cos(a)), float(np.sin(a))) for a in np.arange(16) * np.pi / 8 - np.pi / 2)


class LabelSpace:
    """Which parts of a picture are taken, in cells of 4 × 4 pixels."""

    def __init__(self, rows: int, columns: int) -> None:
        self._taken = np.zeros((rows // _CELL + 1, columns // _CELL + 1), np.uint8)

    def take_area(self, outline: Points, margin: float = 0.0) -> None:
        """The inside of an outline (n, 2) (x, y), and `margin` pixels around it, are taken."""
        points = np.round(outline / _CELL).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(self._taken, [points], 1)
        cv2.polylines(self._taken, [points], True, 1, max(1, round(2 * margin / _CELL)))

    def take_line(self, points: Points, width: float) -> None:
        """A line (n, 2) (x, y) of `width` pixels is taken."""
        cells = np.round(points / _CELL).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(self._taken, [cells], False, 1, max(1, round(width / _CELL)))

    def take_box(self, box: Box) -> None:
        """The box (x0, y0, x1, y1) is taken."""
        x0, y0, x1, y1 = _cells(box)
        self._taken[max(0, y0):max(0, y1), max(0, x0):max(0, x1)] = 1

    def is_free(self, box: Box) -> bool:
        """True when the box lies inside the picture and nothing in it is taken."""
        x0, y0, x1, y1 = _cells(box)
        rows, columns = self._taken.shape
        return x0 >= 0 and y0 >= 0 and x1 < columns and y1 < rows and not self._taken[y0:y1, x0:x1].any()

    def place(self, beside: Box, width: float, height: float) -> tuple[float, float] | None:
        """Upper left corner of the nearest free place for a label `beside` a box, taken at once; None when there is none."""
        count = cv2.integral(self._taken)
        rows, columns = self._taken.shape
        centre_x, centre_y = (beside[0] + beside[2]) / 2, (beside[1] + beside[3]) / 2
        half_x, half_y = (beside[2] - beside[0] + width) / 2, (beside[3] - beside[1] + height) / 2
        for distance in _DISTANCES:
            for dx, dy in _DIRECTIONS:
                x = centre_x + dx * (half_x + distance) - width / 2
                y = centre_y + dy * (half_y + distance) - height / 2
                x0, y0, x1, y1 = _cells((x, y, x + width, y + height))
                if x0 < 1 or y0 < 1 or x1 >= columns or y1 >= rows:
                    continue
                if count[y1, x1] - count[y0, x1] - count[y1, x0] + count[y0, x0] == 0:
                    self.take_box((x, y, x + width, y + height))
                    return x, y
        return None


def _cells(box: Box) -> tuple[int, int, int, int]:
    """All cells that the box touches, half open."""
    return int(box[0] // _CELL), int(box[1] // _CELL), int(box[2] // _CELL) + 1, int(box[3] // _CELL) + 1


def leader(label: Box, target: Points) -> Points:
    """The shortest straight line (2, 2) from the label's box to the outline `target` (n, 2)."""
    nearest_on_box = np.column_stack([np.clip(target[:, 0], label[0], label[2]), np.clip(target[:, 1], label[1], label[3])])
    k = int(np.argmin(np.hypot(*(nearest_on_box - target).T)))
    return np.vstack([nearest_on_box[k], target[k]])
