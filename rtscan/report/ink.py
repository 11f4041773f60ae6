"""Drawing on a picture: the scheme of lines and letters, text, dashed lines with a dark rim, and the encoding of the result.

Line style and letter carry the meaning; colour only helps. The colours stay apart for red- and green-blind readers (checked in
the tests by the dichromat projection of Viénot, Brettel and Mollon 1999).
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Canvas = NDArray[np.uint8]
"""uint8, shape (rows, columns, 3), red green blue."""
Rgb = tuple[int, int, int]
Points = NDArray[np.float64]

BLACK: Rgb = (0, 0, 0)
WHITE: Rgb = (255, 255, 255)
RIM: Rgb = (12, 12, 12)


@dataclass(frozen=True)
class Scheme:
    """How one outcome is drawn. `dashes` are lengths drawn and left out in turn, in units of the line width; empty for a full line."""

    letter: str
    colour: Rgb
    dashes: tuple[float, ...]
    width: float
    says: str


SCHEME: dict[str | None, Scheme] = {
    "reject": Scheme("R", (255, 74, 10), (), 1.5, "reject: heavy full line"),
    "review": Scheme("V", (255, 226, 0), (5.0, 3.0), 1.2, "review: dashed line"),
    "cannot judge": Scheme("N", (230, 172, 255), (1.2, 2.6), 1.3, "cannot be judged: dotted line"),
    "accept": Scheme("A", (45, 135, 255), (7.0, 2.2, 1.2, 2.2), 0.8, "accept: thin dash-dot line"),
    None: Scheme("", (240, 240, 240), (), 0.6, "not judged: thin full line"),
}
"""By `Indication.result`, gravest first."""
GROUP = Scheme("G", (0, 205, 140), (10.0, 2.5, 1.2, 2.5, 1.2, 2.5), 0.7, "group: line with two dots")
BY_HAND = Scheme("", (235, 235, 235), (2.0, 2.0), 0.8, "entered by the reader: cross without an outline")


def paper(rows: int, columns: int) -> Canvas:
    """An empty white canvas."""
    return np.full((rows, columns, 3), 255, np.uint8)


def line_width(scheme: Scheme, unit: float) -> int:
    """Line width in pixels where `unit` is the width of an ordinary line."""
    return max(1, round(scheme.width * unit))


def draw_line(canvas: Canvas, points: Points, scheme: Scheme, unit: float, closed: bool = False) -> None:
    """A line through `points` (n, 2) (x, y) in the scheme's style, with a dark rim that keeps it visible on any grey."""
    width = line_width(scheme, unit)
    pieces = _dashed(points, [d * max(width, unit) for d in scheme.dashes], closed)
    fixed = [np.round(piece * 8).astype(np.int32).reshape(-1, 1, 2) for piece in pieces if len(piece) > 1]
    whole = closed and not scheme.dashes
    cv2.polylines(canvas, fixed, whole, RIM, width + 2, cv2.LINE_AA, 3)
    cv2.polylines(canvas, fixed, whole, scheme.colour, width, cv2.LINE_AA, 3)


def _dashed(points: Points, dashes: Sequence[float], closed: bool) -> list[Points]:
    if not dashes or len(points) < 2:
        return [points]
    path = np.vstack([points, points[:1]]) if closed else points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    cycle = float(sum(dashes))
    if not 0 < along[-1] < 4000 * cycle:
        return [path]
    stops = np.cumsum([0.0, *dashes])
    pieces: list[Points] = []
    for start in np.arange(0.0, along[-1], cycle):
        for first, last in zip(stops[0:-1:2], stops[1::2], strict=False):
            a, b = start + first, min(start + last, along[-1])
            if a >= along[-1]:
                break
            inner = along[(along > a) & (along < b)]
            at = np.concatenate([[a], inner, [b]])
            pieces.append(np.column_stack([np.interp(at, along, path[:, 0]), np.interp(at, along, path[:, 1])]))
    return pieces


# --- text -----------------------------------------------------------------------------------------------------------------


@cache
def _font(size: int, bold: bool) -> Any:
    """DejaVu Sans from the installed matplotlib (which is not imported), else the font inside Pillow."""
    found = find_spec("matplotlib")
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" if found and found.origin else Path()
    file = folder / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    return ImageFont.truetype(str(file), size) if file.is_file() else ImageFont.load_default(size)


@cache
def _text_extent(text: str, size: int, bold: bool) -> tuple[int, int]:
    """Width and height of a text in pixels, by the font's own measures: nothing is drawn."""
    font = _font(size, bold)
    return max(1, int(np.ceil(font.getlength(text)))), sum(font.getmetrics())


@cache
def _text_mask(text: str, size: int, bold: bool) -> NDArray[np.uint8]:
    image = Image.new("L", _text_extent(text, size, bold))
    ImageDraw.Draw(image).text((0, 0), text, fill=255, font=_font(size, bold))
    return np.asarray(image)


def plain(text: str) -> str:
    """`text` on one line, control characters made visible blanks."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def text_size(text: str, size: int, bold: bool = False) -> tuple[int, int]:
    """Width and height in pixels of `text` at a font size of `size` pixels."""
    return _text_extent(plain(text), size, bold)


def draw_text(canvas: Canvas, text: str, at: tuple[float, float], size: int, colour: Rgb = BLACK, bold: bool = False) -> int:
    """Text with its upper left corner at (x, y), cut at the edge of the canvas; returns its width."""
    mask = _text_mask(plain(text), size, bold)
    x, y = round(at[0]), round(at[1])
    top, left = max(0, y), max(0, x)
    bottom, right = min(canvas.shape[0], y + mask.shape[0]), min(canvas.shape[1], x + mask.shape[1])
    if bottom > top and right > left:
        cover = mask[top - y:bottom - y, left - x:right - x, None].astype(np.float32) / 255
        area = canvas[top:bottom, left:right]
        area[:] = np.round(area * (1 - cover) + np.array(colour, np.float32) * cover).astype(np.uint8)
    return int(mask.shape[1])


def wrapped(text: str, size: int, width: int, most_lines: int, bold: bool = False) -> list[str]:
    """`text` in lines no wider than `width` pixels; the last of `most_lines` ends with … when there is more."""
    lines: list[str] = []
    line = ""
    for word in plain(text).split(" "):
        longer = f"{line} {word}" if line else word
        if line and text_size(longer, size, bold)[0] > width:
            lines.append(line)
            line = word
        else:
            line = longer
    lines.append(line)
    if len(lines) > most_lines:
        lines = [*lines[:most_lines - 1], lines[most_lines - 1] + " …"]
    return [_cut(line, size, width, bold) for line in lines]


def _cut(line: str, size: int, width: int, bold: bool) -> str:
    while len(line) > 2 and text_size(line, size, bold)[0] > width:
        line = line[: max(1, int(len(line) * 0.9) - 1)].rstrip(" …") + "…"
    return line


# --- encoding -------------------------------------------------------------------------------------------------------------

_STEPS = 12
_GREYS = 136


@cache
def _palette() -> NDArray[np.uint8]:
    """Greys, then for each colour of the scheme a ramp to black and a ramp to white: everything our drawing can make."""
    greys = np.repeat(np.round(np.linspace(0, 255, _GREYS))[:, None], 3, axis=1)
    colours = [np.array(s.colour, float) for s in (*SCHEME.values(), GROUP, BY_HAND) if len(set(s.colour)) > 1]
    ramps = [end + (c - end) * step / _STEPS for c in colours for end in (np.zeros(3), np.full(3, 255.0)) for step in range(1, _STEPS + 1)]
    return np.round(np.vstack([greys, *[r[None] for r in ramps]])).astype(np.uint8)


def png_bytes(canvas: Canvas) -> bytes:
    """The canvas as a PNG of 256 colours, a third of the size and time of one in full colour."""
    palette = _palette()
    red, green, blue = cv2.split(canvas)
    index = cv2.LUT(green, np.round(np.arange(256) * ((_GREYS - 1) / 255)).astype(np.uint8))
    coloured = np.asarray(cv2.max(cv2.absdiff(red, green), cv2.absdiff(green, blue))) > 6
    index[coloured] = _nearest(canvas[coloured].astype(np.int32), palette.astype(np.int32))
    image = Image.fromarray(np.asarray(index, np.uint8), "P")
    image.putpalette(palette.tobytes())
    file = io.BytesIO()
    image.save(file, "PNG", compress_level=3)
    return file.getvalue()


def _nearest(wanted: NDArray[np.int32], palette: NDArray[np.int32]) -> NDArray[np.uint8]:
    """Index of the nearest palette entry of each (n, 3) colour, by way of the distinct colours at 5 bits each."""
    key = (wanted[:, 0] >> 3 << 10) | (wanted[:, 1] >> 3 << 5) | (wanted[:, 2] >> 3)
    distinct, back = np.unique(key, return_inverse=True)
    middle = np.column_stack([distinct >> 10, distinct >> 5 & 31, distinct & 31]) * 8 + 4
    distance = ((middle[:, None, :] - palette[None]) ** 2).sum(axis=2)
    return np.asarray(distance.argmin(axis=1).astype(np.uint8)[back])


def jpeg_bytes(canvas: Canvas, quality: int = 82) -> bytes:
    """The canvas (or a grey picture, rows × columns) as JPEG without loss of colour resolution."""
    picture = cv2.cvtColor(canvas, cv2.COLOR_RGB2BGR) if canvas.ndim == 3 else canvas
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, 0x111111])
    return data.tobytes()
