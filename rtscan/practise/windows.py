"""Screen pictures of a film: three density windows (cap, wall, thick end), for those without a viewer."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.film import F32

HALF_WIDTH = 0.75
"""Density on either side of the middle of a window."""
MOST_PIXELS_PER_MM = 10.0


@dataclass(frozen=True)
class Window:
    """A density window: its name, its middle density, and what it is for."""

    name: str
    middle: float
    says: str


def windows_of(density: F32, weld: float, parent: float) -> tuple[Window, ...]:
    """The three windows of a film whose weld and parent densities are known; the thick end is the lightest 3 % of the film."""
    thick = float(np.percentile(density[::8, ::8], 3.0))
    return (Window("cap", weld, "for the weld with its cap"), Window("wall", parent, "for the parent metal and the toes"),
            Window("thick", thick, "for the lightest part of the film: thick metal, letters, wires over the weld"))


def window_picture(density: F32, window: Window, pixels_per_mm: float) -> bytes:
    """The window as an 8-bit PNG, dense metal bright, at no more than 10 pixels per mm."""
    from PIL import Image

    scale = min(1.0, MOST_PIXELS_PER_MM / pixels_per_mm)
    size = (max(round(density.shape[1] * scale), 1), max(round(density.shape[0] * scale), 1))
    shown = cv2.resize(density, size, interpolation=cv2.INTER_AREA) if scale < 1 else density
    grey: NDArray[np.uint8] = np.clip(255 * (window.middle + HALF_WIDTH - shown) / (2 * HALF_WIDTH), 0, 255).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(grey).save(file, format="PNG", optimize=False)
    return file.getvalue()
