"""Mutated film files: whatever the bytes, a Film or one clear FilmError, soon. The long run is `scripts/fuzz_inputs`."""

from __future__ import annotations

import io
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from rtscan.errors import FilmError
from rtscan.job import Job
from rtscan.reading.load import load_films

GREY = (60 + 120 * np.exp(-(((np.arange(90)[:, None] - 45) / 9.0) ** 4)) + np.arange(140) % 7).astype(np.uint8)


def seeds() -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    for name, kind in (("png", "PNG"), ("jpg", "JPEG"), ("bmp", "BMP"), ("webp", "WEBP")):
        buffer = io.BytesIO()
        Image.fromarray(GREY).save(buffer, kind)
        files[name] = buffer.getvalue()
    for name, options in (("tif", {}), ("lzw.tif", {"compression": "lzw", "tile": (32, 32)}), ("big.tif", {"bigtiff": True})):
        buffer = io.BytesIO()
        tifffile.imwrite(buffer, GREY, **options)
        files[name] = buffer.getvalue()
    return files


SEEDS = seeds()


def load_or_refuse(path: Path) -> None:
    start = time.perf_counter()
    lines: tuple[str, ...] = ()
    try:
        films = load_films(path, Job(), max_megapixels=4)
        assert all(np.isfinite(f.density).all() and f.density.shape == f.valid.shape for f in films)
    except FilmError as refused:
        lines = refused.lines()
    assert all("; " in line for line in lines)
    assert time.perf_counter() - start < 10


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(sorted(SEEDS)), st.data())
def test_flipped_cut_and_stuffed_files(tmp_path: Path, name: str, data: st.DataObject) -> None:
    content = bytearray(SEEDS[name])
    for _ in range(data.draw(st.integers(1, 8))):
        content[data.draw(st.integers(0, min(len(content), 400) - 1) | st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(content)) | st.just(len(content)))
    path = tmp_path / f"a.{name}"
    path.write_bytes(bytes(content[:cut]))
    load_or_refuse(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(sorted(SEEDS)), st.binary(max_size=300))
def test_right_first_bytes_then_rubbish(tmp_path: Path, name: str, rubbish: bytes) -> None:
    path = tmp_path / f"a.{name}"
    path.write_bytes(SEEDS[name][:16] + rubbish)
    load_or_refuse(path)


def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    import os

    os.mkfifo(tmp_path / "pipe.tif")
    with pytest.raises(FilmError, match="ordinary file"):
        load_films(tmp_path / "pipe.tif", Job())


def test_a_deflate_bomb_is_bounded(tmp_path: Path) -> None:
    """A strip that claims 90 x 140 bytes and unpacks to 200 megabytes."""
    import tracemalloc
    import zlib

    tifffile.imwrite(tmp_path / "a.tif", GREY, compression="deflate", rowsperstrip=90)
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages.first
        offset_tag, count_tag = page.tags["StripOffsets"], page.tags["StripByteCounts"]
    bomb = zlib.compress(bytes(200_000_000), 9)
    data[offset_tag.valueoffset:offset_tag.valueoffset + 4] = len(data).to_bytes(4, "little")
    data[count_tag.valueoffset:count_tag.valueoffset + 4] = len(bomb).to_bytes(4, "little")
    (tmp_path / "bomb.tif").write_bytes(bytes(data) + bomb)
    tracemalloc.start()
    load_or_refuse(tmp_path / "bomb.tif")
    assert tracemalloc.get_traced_memory()[1] < 50_000_000
    tracemalloc.stop()
