"""Intact films of every format, to be damaged."""

from __future__ import annotations

import io
from functools import cache

import numpy as np
import tifffile
from PIL import Image


def picture() -> np.ndarray:
    """A small film: plate with a bright weld, a pore and grain, 240 x 120 pixels at 6 pixels per mm, 16 bit."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:120, :240]
    weld = 9000 * np.exp(-(((y - 60) / 22.0) ** 4)) - 5000 * np.exp(-((x - 150) ** 2 + (y - 62) ** 2) / 12.0)
    grey = (24000 + weld + rng.normal(0, 250, weld.shape)).astype(np.uint16)
    return np.asarray(grey)


@cache
def films() -> dict[str, bytes]:
    """The same small film in every format, by ending."""
    grey = picture()
    files: dict[str, bytes] = {}
    for kind in ("PNG", "JPEG", "BMP", "WEBP"):
        Image.fromarray((grey >> 8).astype(np.uint8)).save(buffer := io.BytesIO(), kind)
        files[kind.lower()] = buffer.getvalue()
    for name, array, options in (
        ("tif", grey, {}), ("lzw.tif", grey, {"compression": "lzw", "tile": (32, 32)}), ("big.tif", grey, {"bigtiff": True}),
        ("float.tif", grey.astype(np.float32), {"compression": "deflate", "predictor": True}),
        ("rgb.tif", np.dstack([(grey >> 8).astype(np.uint8)] * 3), {}),
    ):
        tifffile.imwrite(buffer := io.BytesIO(), array, **options)
        files[name] = buffer.getvalue()
    files["dcm"] = dicom(grey)
    return files


def dicom(grey: np.ndarray) -> bytes:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, SecondaryCaptureImageStorage, generate_uid

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = SecondaryCaptureImageStorage, generate_uid(entropy_srcs=["fuzz"])
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.Rows, dataset.Columns = grey.shape
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit, dataset.PixelRepresentation = 16, 16, 15, 0
    dataset.RescaleSlope, dataset.RescaleIntercept = 2, 10
    dataset.PixelData = grey.tobytes()
    dataset.save_as(buffer := io.BytesIO(), enforce_file_format=True)
    return buffer.getvalue()
