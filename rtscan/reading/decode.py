"""Film files to pages of grey values: PNG, TIFF, JPEG, BMP, WebP and, through `decode_dicom`, DICONDE.

The kind of file is decided by its first bytes, never by its name. Sizes are checked in the header, before anything is unpacked,
and broken files raise `BadPage`, which the front door turns into one line naming the film.
"""

from __future__ import annotations

import io
import logging
import struct
import warnings
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

MAX_PAGES = 64
CHANNELS_DIFFER = 0.03
"""Colour channels further apart than this share of full scale, on 1 % of the pixels, are real colour. Common practice, no source."""
TIFF_DPI_MIN = 150.0
MM_PER_INCH = 25.4


class BadPage(Exception):
    """What is wrong with the file; what to do. Carries no file name."""


@dataclass(frozen=True)
class Spacing:
    """Pixel pitch the file states, mm, and which tag says so. `rows_mm` is the pitch from row to row."""

    rows_mm: float
    columns_mm: float
    said_by: str
    uncertainty: float


@dataclass(frozen=True)
class Page:
    """One raster of a film file.

    grey
        Shape (rows, columns), any integer or float type, as stored (DICOM: after rescale).
    white
        Grey value at the top of the stored range; None for floating point files, whose range is open.
    zero_is_white
        The file asks to show the lowest value as white (TIFF MinIsWhite, MONOCHROME1).
    density_scale
        Factor from grey to optical density when the file itself says that its values are density, else None.
    more_is_less_metal
        What the file's tags say: True when a higher grey value means more radiation; None when they do not say.
    """

    grey: NDArray[Any]
    bits: int
    white: float | None
    zero_is_white: bool = False
    density_scale: float | None = None
    more_is_less_metal: bool | None = None
    spacing: Spacing | None = None
    tags: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    opaque: NDArray[np.bool_] | None = None


def kind_of(data: bytes) -> str | None:
    """The kind of film file by its first bytes: png, tiff, jpeg, bmp, webp, dicom; None when it is none of these."""
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "tiff"
    if data[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if data[:2] == b"BM":
        return "bmp"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "webp"
    if data[128:132] == b"DICM":
        return "dicom"
    return None


def decode(data: bytes, kind: str, max_megapixels: float) -> list[Page | BadPage]:
    """The pages of a film file, in file order; a page that cannot be read is a BadPage in its place. Raises BadPage when nothing can."""
    if kind == "tiff":
        return _tiff(data, max_megapixels)
    if kind == "dicom":
        from rtscan.reading.decode_dicom import decode_dicom

        return list(decode_dicom(data, max_megapixels))
    return [_png(data, max_megapixels) if kind == "png" else _pillow(data, max_megapixels)]


def check_size(columns: int, rows: int, max_megapixels: float) -> None:
    """Raises BadPage when the picture is larger than allowed, before it is unpacked."""
    if columns * rows > max_megapixels * 1e6:
        raise BadPage(f"is {columns} x {rows} pixels, more than the {max_megapixels:g} megapixels allowed; "
                      "scan it coarser or raise --max-megapixels")


def _png(data: bytes, max_megapixels: float) -> Page:
    if len(data) < 33 or data[12:16] != b"IHDR":
        raise BadPage("is cut short or damaged (PNG header); copy or scan it again")
    columns, rows, depth = struct.unpack(">IIB", data[16:25])
    check_size(columns, rows, max_megapixels)
    import imagecodecs

    try:
        if not _png_is_sound(data):
            raise ValueError("checksum")
        array = imagecodecs.png_decode(data)
    except (imagecodecs.PngError, ValueError, MemoryError, struct.error) as problem:
        raise BadPage("is cut short or damaged (PNG); copy or scan it again") from problem
    return _page(array, 16 if depth == 16 else 8)


def _png_is_sound(data: bytes) -> bool:
    """The checksums of header and picture data hold: the decoder would go on past a wrong one and print to the terminal."""
    view, place = memoryview(data), 8
    while place < len(data):
        length, kind = struct.unpack(">I4s", view[place : place + 8])
        end = place + 8 + length
        if kind in (b"IHDR", b"PLTE", b"IDAT") and struct.unpack(">I", view[end : end + 4])[0] != zlib.crc32(view[place + 4 : end]):
            return False
        if kind == b"IEND":
            return True
        place = end + 4
    return False


def _pillow(data: bytes, max_megapixels: float) -> Page:
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(data), formats=("JPEG", "BMP", "WEBP", "MPO")) as image:
                check_size(image.width, image.height, max_megapixels)
                turned = image.getexif().get(0x0112, 1)
                array = np.asarray(image if image.mode in ("L", "RGB", "RGBA") else image.convert("RGB"))
        except BadPage:
            raise
        except Image.DecompressionBombError as problem:
            raise BadPage(f"is far larger than the {max_megapixels:g} megapixels allowed; scan it coarser") from problem
        except Exception as problem:
            raise BadPage("is cut short or damaged; copy or scan it again") from problem
    notes = () if turned in (0, 1) else (f"orientation tag {turned} is reported, not applied",)
    return _page(array, 8, notes=notes)


def _tiff(data: bytes, max_megapixels: float) -> list[Page | BadPage]:
    import tifffile

    log = logging.getLogger("tifffile")
    was_disabled, log.disabled = log.disabled, True
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            pages = _full_pages(file)
            if not pages:
                raise BadPage("holds no picture; export the scan again")
            check_size(max(p.imagewidth for p in pages), sum(p.imagelength for p in pages), max_megapixels)
            return [_try_tiff_page(page, len(data)) for page in pages]
    except BadPage:
        raise
    except Exception as problem:
        raise BadPage("is cut short or damaged (TIFF directory); copy or scan it again") from problem
    finally:
        log.disabled = was_disabled


def _full_pages(file: Any) -> list[Any]:
    """Pages of the file without thumbnails and masks (NewSubfileType bits 0 and 2), at most MAX_PAGES."""
    pages = []
    for index, page in enumerate(file.pages):
        if index >= MAX_PAGES:
            raise BadPage(f"holds more than {MAX_PAGES} pages; split it")
        if not int(page.subfiletype or 0) & 5:
            pages.append(page)
    return pages


def _try_tiff_page(page: Any, file_bytes: int) -> Page | BadPage:
    try:
        return _tiff_page(page, file_bytes)
    except BadPage as problem:
        return problem
    except Exception:
        return BadPage("is cut short or damaged (TIFF data); copy or scan it again")


def _tiff_page(page: Any, file_bytes: int) -> Page:
    if page.imagedepth != 1:
        raise BadPage("is a stack of slices, not a film; export one plane")
    if any(start + count > file_bytes for start, count in zip(page.dataoffsets, page.databytecounts, strict=False)):
        raise BadPage("is cut short (TIFF data beyond the end of the file); copy or scan it again")
    if page.bitspersample == 1:
        raise BadPage("is a black-and-white picture of 1 bit, which holds no grey values; scan it at 8 bits or more")
    array = page.asarray(maxworkers=1)
    if page.planarconfig == 2 and array.ndim == 3:
        array = np.moveaxis(array, 0, -1)
    if page.photometric == 3:
        array = page.colormap.T[array] if page.colormap is not None else array
    turned = page.tags.valueof("Orientation", 1)
    notes = () if turned == 1 else (f"orientation tag {int(turned)} is reported, not applied",)
    tags = {f"TIFF {name}": str(page.tags.valueof(name)) for name in ("ImageDescription", "DateTime", "Make", "Model") if name in page.tags}
    made = _page(array, int(page.bitspersample), notes=notes)
    return Page(made.grey, made.bits, made.white, zero_is_white=page.photometric == 0, spacing=_tiff_spacing(page), tags=tags,
                warnings=made.warnings, opaque=made.opaque)


def _tiff_spacing(page: Any) -> Spacing | None:
    """Pitch from XResolution and YResolution, only when a unit is given and the resolution is at least 150 dpi."""
    unit_mm = {2: MM_PER_INCH, 3: 10.0}.get(int(page.tags.valueof("ResolutionUnit", 2)))
    pair = [page.tags.valueof(name) for name in ("YResolution", "XResolution")]
    if unit_mm is None or any(not isinstance(p, tuple) or len(p) != 2 or 0 in p for p in pair):
        return None
    rows_mm, columns_mm = (unit_mm * below / above for above, below in pair)
    if max(rows_mm, columns_mm) > MM_PER_INCH / TIFF_DPI_MIN * (1 + 1e-9):
        return None
    return Spacing(rows_mm, columns_mm, f"TIFF resolution {MM_PER_INCH / columns_mm:.0f} dpi", 0.02)


def _page(array: NDArray[Any], bits: int, notes: tuple[str, ...] = ()) -> Page:
    """Colour to grey, alpha to a mask; `white` is the smallest 2^n - 1 that holds the brightest value (12 bits in a 16-bit file)."""
    opaque = None
    if array.ndim == 3 and array.shape[2] in (2, 4):
        alpha = array[..., -1]
        array, opaque = array[..., :-1], alpha == alpha.max()
    if array.ndim == 3 and array.shape[2] == 1:
        array = array[..., 0]
    if array.ndim == 3 and array.shape[2] == 3:
        array, notes = _grey_from_colour(array, notes)
    if array.ndim != 2:
        raise BadPage(f"has {array.ndim} dimensions {tuple(array.shape)}, not the two of a film; export one plane")
    if array.dtype.kind == "c" or array.dtype.kind not in "uif":
        raise BadPage(f"holds values of type {array.dtype}, not grey values; export it as 8- or 16-bit grey")
    array = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("="))
    return Page(array, bits, white_of(array, bits), warnings=notes, opaque=None if opaque is None or opaque.all() else opaque)


def white_of(array: NDArray[Any], bits: int) -> float | None:
    """Top of the stored range: the smallest of 2^8-1, 2^10-1, 2^12-1, 2^14-1, 2^bits-1 that holds the greatest value.

    Signed values use the whole of their range; None for floats.
    """
    if array.dtype.kind == "f":
        return None
    if array.dtype.kind == "i":
        return float(2 ** (bits - 1) - 1)
    top = int(array.max(initial=0))
    return float(next((2**n - 1 for n in (8, 10, 12, 14) if n <= bits and top < 2**n), 2**bits - 1))


def _grey_from_colour(array: NDArray[Any], notes: tuple[str, ...]) -> tuple[NDArray[Any], tuple[str, ...]]:
    if array.dtype.kind == "f" or array.dtype.itemsize > 2:
        raise BadPage("is a colour picture of more than 16 bits; export it as 8- or 16-bit grey")
    full = float(np.iinfo(array.dtype).max)
    sample = array[:: max(1, array.shape[0] // 512), :: max(1, array.shape[1] // 512)].astype(np.float32)
    spread = float(np.percentile(sample.max(axis=2) - sample.min(axis=2), 99)) / full
    if spread == 0:
        return np.ascontiguousarray(array[..., 1]), notes
    grey = cv2.cvtColor(np.ascontiguousarray(array), cv2.COLOR_RGB2GRAY)
    if spread > CHANNELS_DIFFER:
        notes += (f"colour picture whose channels differ by {spread:.0%} of full scale, turned grey by luminance; scan films in grey",)
    return grey, notes
