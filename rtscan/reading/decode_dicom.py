"""DICOM and DICONDE files to pages: MONOCHROME1 and 2, rescale, signed data, spacing tags, component tags.

Tag meanings: DICOM PS3.3 and the pydicom dictionary; DICONDE names after ASTM E2339 (component in place of patient).
"""

from __future__ import annotations

import io
import warnings
from typing import Any

import numpy as np

from rtscan.reading.decode import MAX_PAGES, BadPage, Page, Spacing, check_size, white_of

DICONDE_TAGS: tuple[tuple[str, int], ...] = (
    ("component name", 0x00100010), ("component id", 0x00100020), ("study date", 0x00080020), ("modality", 0x00080060),
    ("conversion type", 0x00080064), ("kvp", 0x00180060), ("source to film mm", 0x00181110), ("source to object mm", 0x00181111),
    ("magnification", 0x00181114), ("focal spot mm", 0x00181190), ("material thickness mm", 0x00140030),
    ("pipe diameter mm", 0x00140032), ("material grade", 0x00140042), ("outer diameter mm", 0x00140054),
    ("inner diameter mm", 0x00140056), ("component welder ids", 0x00140100), ("repair id", 0x00140105), ("iqi type", 0x001440A0),
    ("iqi material", 0x001440A1), ("iqi size", 0x001440A2), ("rescale type", 0x00281054),
    ("pixel intensity relationship", 0x00281040),
)


def decode_dicom(data: bytes, max_megapixels: float) -> tuple[Page, ...]:
    """The frames of a DICOM file as pages. Raises BadPage."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return _decode(data, max_megapixels)
        except BadPage:
            raise
        except Exception as problem:
            raise BadPage("is damaged or not a DICOM image; export it again") from problem


def _decode(data: bytes, max_megapixels: float) -> tuple[Page, ...]:
    import pydicom

    dataset = pydicom.dcmread(io.BytesIO(data))
    frames, columns, rows = _frames(dataset)
    check_size(columns, rows * frames, max_megapixels)
    try:
        array = np.asarray(dataset.pixel_array)
    except Exception as problem:
        raise BadPage(_why_no_pixels(dataset)) from problem
    return tuple(_page(dataset, frame) for frame in (array if array.ndim == 3 else array[np.newaxis]))


def _frames(dataset: Any) -> tuple[int, int, int]:
    if "Rows" not in dataset or "Columns" not in dataset or "PixelData" not in dataset:
        raise BadPage("is a DICOM file without a picture; export the image itself")
    if int(dataset.get("SamplesPerPixel", 1)) != 1 or dataset.get("PhotometricInterpretation") not in ("MONOCHROME1", "MONOCHROME2"):
        raise BadPage(f"is a DICOM picture of kind {dataset.get('PhotometricInterpretation')}; export it as MONOCHROME1 or MONOCHROME2")
    frames = int(dataset.get("NumberOfFrames", 1) or 1)
    if frames > MAX_PAGES:
        raise BadPage(f"holds more than {MAX_PAGES} frames; split it")
    return frames, int(dataset.Columns), int(dataset.Rows)


def _why_no_pixels(dataset: Any) -> str:
    syntax = dataset.file_meta.get("TransferSyntaxUID") if hasattr(dataset, "file_meta") else None
    if syntax is not None and syntax.is_transfer_syntax and syntax.is_compressed:
        return f"has pixel data that cannot be unpacked ({syntax.name}); export it uncompressed"
    return "is cut short or damaged (DICOM pixel data); export it again"


def _page(dataset: Any, stored: Any) -> Page:
    bits = int(dataset.get("BitsStored", 16))
    slope, intercept = float(dataset.get("RescaleSlope") or 1.0), float(dataset.get("RescaleIntercept") or 0.0)
    grey, white = stored, white_of(stored, bits)
    if slope != 1.0 or intercept != 0.0:
        grey, white = stored.astype(np.float32) * np.float32(slope) + np.float32(intercept), None
    sign = dataset.get("PixelIntensityRelationshipSign")
    spacing, notes = _spacing(dataset)
    return Page(
        grey=grey, bits=bits, white=white,
        zero_is_white=dataset.PhotometricInterpretation == "MONOCHROME1",
        density_scale=0.001 if str(dataset.get("RescaleType", "")).upper() == "OD" else None,
        more_is_less_metal=None if sign not in (1, -1) else (int(sign) == 1) == (slope > 0),
        spacing=spacing, tags=_tags(dataset), warnings=notes,
    )


def _spacing(dataset: Any) -> tuple[Spacing | None, tuple[str, ...]]:
    """Nominal Scanned Pixel Spacing, then calibrated Pixel Spacing; an uncalibrated one counts with a greater uncertainty."""
    scanned, imager, pixel = (_pair(dataset, tag) for tag in (0x00182010, 0x00181164, 0x00280030))
    if scanned:
        return Spacing(*scanned, "Nominal Scanned Pixel Spacing (0018,2010)", 0.01), ()
    if pixel is None:
        return None, ()
    if dataset.get("PixelSpacingCalibrationType") or (imager and imager != pixel):
        return Spacing(*pixel, "calibrated Pixel Spacing (0028,0030)", 0.01), ()
    note = "Pixel Spacing (0028,0030) is not marked as calibrated; taken with an uncertainty of 5 % when the scale comes from the file"
    return Spacing(*pixel, "uncalibrated Pixel Spacing (0028,0030)", 0.05), (note,)


def _pair(dataset: Any, tag: int) -> tuple[float, float] | None:
    try:
        rows_mm, columns_mm = (float(v) for v in dataset[tag].value)
    except (KeyError, TypeError, ValueError):
        return None
    return (rows_mm, columns_mm) if rows_mm > 0 and columns_mm > 0 else None


def _tags(dataset: Any) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, tag in DICONDE_TAGS:
        try:
            value = dataset[tag].value
        except Exception:
            continue
        text = "\\".join(str(v) for v in value) if isinstance(value, (list, tuple)) or hasattr(value, "append") else str(value)
        if text.strip():
            found[name] = text.strip()
    return found
