"""Loading film files: formats, look, density, scale, and what is refused. Pictures are made here, oblong, with a known weld."""

from __future__ import annotations

import io
import struct
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from rtscan.errors import FilmError
from rtscan.film import Film
from rtscan.job import Job, load_job
from rtscan.reading.load import FULL_SCALE, load_films

REAL = Path(__file__).resolve().parents[3] / "shared" / "real" / "films"


def weld_picture(rows: int = 120, columns: int = 400, top: float = 200.0) -> NDArray[np.uint8]:
    """A bright weld along the middle of a darker plate, with a lead-letter-like block; values 40 to 230."""
    y = np.arange(rows)[:, None]
    weld = 90 * np.exp(-(((y - rows / 2) / (rows / 10)) ** 4)) + 60
    noise = np.random.default_rng(5).normal(0, 2, (rows, columns))
    picture = np.broadcast_to(weld, (rows, columns)) + noise
    picture[8:14, 20:24] = top
    return np.clip(picture, 1, 254).astype(np.uint8)


def load(path: Path, **overrides: object) -> Film:
    (film,) = load_films(path, load_job(None, {k.replace("__", "."): v for k, v in overrides.items()}))
    return film


def refusal(path: Path, **overrides: object) -> str:
    with pytest.raises(FilmError) as caught:
        load(path, **overrides)
    (line,) = caught.value.lines()
    assert line.startswith(f"{path}: ")
    assert "; " in line
    return line


@pytest.mark.parametrize(("name", "options"), [
    ("a.png", {}), ("a.bmp", {}), ("a.webp", {"lossless": True}), ("a.jpg", {"quality": 98}),
])
def test_eight_bit_formats_give_the_same_density(tmp_path: Path, name: str, options: dict[str, int]) -> None:
    grey = weld_picture()
    Image.fromarray(grey).save(tmp_path / name, **options)
    film = load(tmp_path / name)
    expected = FULL_SCALE * (1 - grey / 255.0)
    assert film.density.dtype == np.float32
    assert (film.facts.width_px, film.facts.height_px, film.facts.bits) == (400, 120, 8)
    tolerance = 0.08 if name.endswith("jpg") else 1e-5  # JPEG at 98 moves a grey by up to 5 levels of 255
    np.testing.assert_allclose(film.density, expected, atol=tolerance)
    assert film.facts.look == "dense-bright"
    assert not film.facts.density_calibrated


@pytest.mark.parametrize("options", [
    {}, {"compression": "lzw", "predictor": True}, {"compression": "deflate", "tile": (64, 64)}, {"compression": "packbits"},
    {"byteorder": ">"}, {"bigtiff": True, "rowsperstrip": 7},
])
def test_tiff_of_every_layout_is_read_exactly(tmp_path: Path, options: dict[str, object]) -> None:
    grey = weld_picture().astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "a.tif", grey, **options)
    film = load(tmp_path / "a.tif")
    np.testing.assert_allclose(film.density, FULL_SCALE * (1 - grey / 65535.0), atol=1e-5)
    assert film.facts.bits == 16


def test_sixteen_bit_png(tmp_path: Path) -> None:
    grey = weld_picture().astype(np.uint16) * 257
    cv2.imwrite(str(tmp_path / "a.png"), grey)
    np.testing.assert_allclose(load(tmp_path / "a.png").density, FULL_SCALE * (1 - grey / 65535.0), atol=1e-5)


def test_twelve_bits_in_a_sixteen_bit_file_span_the_full_scale(tmp_path: Path) -> None:
    grey = weld_picture().astype(np.uint16) * 16
    tifffile.imwrite(tmp_path / "a.tif", grey)
    np.testing.assert_allclose(load(tmp_path / "a.tif").density, FULL_SCALE * (1 - grey / 4095.0), atol=1e-5)


def test_pages_and_thumbnails(tmp_path: Path) -> None:
    grey = weld_picture()
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        writer.write(grey)
        writer.write(grey[::4, ::4], subfiletype=1)
        writer.write(grey[::-1])
    first, second = load_films(tmp_path / "a.tif", Job())
    assert (first.facts.page, second.facts.page) == (1, 2)
    np.testing.assert_array_equal(first.density[::-1], second.density)


def test_min_is_white_shows_inverted(tmp_path: Path) -> None:
    grey = weld_picture()
    tifffile.imwrite(tmp_path / "white.tif", 255 - grey, photometric="miniswhite")
    tifffile.imwrite(tmp_path / "black.tif", grey)
    white, black = load(tmp_path / "white.tif"), load(tmp_path / "black.tif")
    assert white.facts.look == black.facts.look == "dense-bright"
    np.testing.assert_allclose(white.density, black.density, atol=1e-6)


def test_look_is_seen_both_ways_round_and_density_is_the_same(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(grey).save(tmp_path / "film.png")
    Image.fromarray(255 - grey).save(tmp_path / "detector.png")
    film, detector = load(tmp_path / "film.png"), load(tmp_path / "detector.png")
    assert (film.facts.look, detector.facts.look) == ("dense-bright", "dense-dark")
    assert "brighter" in film.facts.look_reason
    assert "darker" in detector.facts.look_reason
    np.testing.assert_allclose(film.density, detector.density, atol=1e-6)


def test_look_that_cannot_be_seen_is_refused_and_can_be_given(tmp_path: Path) -> None:
    plain = np.random.default_rng(2).normal(120, 5, (100, 300)).astype(np.uint8)
    Image.fromarray(plain).save(tmp_path / "a.png")
    assert "dense-bright" in refusal(tmp_path / "a.png")
    film = load(tmp_path / "a.png", film__look="dense-dark")
    assert film.facts.look_reason == "from the job sheet"
    assert film.density[0, 0] == pytest.approx(FULL_SCALE * plain[0, 0] / 255)


def test_calibration_gives_absolute_density_and_settles_the_look(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(grey).save(tmp_path / "a.png")
    film = load(tmp_path / "a.png", film__grey_to_density=[[0, 4.5], [100, 2.5], [255, 0.0]])
    assert film.facts.density_calibrated
    assert film.facts.look == "dense-bright"
    np.testing.assert_allclose(film.density, np.interp(grey, [0, 100, 255], [4.5, 2.5, 0.0]), atol=1e-5)
    assert "makes it dense-bright" in refusal(tmp_path / "a.png", film__look="dense-dark", film__grey_to_density=[[0, 4.5], [255, 0.0]])


def test_grey_outside_the_calibration_is_not_valid(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(grey).save(tmp_path / "a.png")
    film = load(tmp_path / "a.png", film__grey_to_density=[[70, 3.0], [180, 1.0]])
    np.testing.assert_array_equal(film.valid, (grey >= 70) & (grey <= 180))


def test_light_is_turned_into_density_by_the_definition(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(grey).save(tmp_path / "a.png")
    film = load(tmp_path / "a.png", film__grey_is="light")
    np.testing.assert_allclose(film.density, -np.log10(grey / 255.0), atol=1e-5)  # D = log10(I0 / I)


def test_saturated_pixels_are_not_valid(tmp_path: Path) -> None:
    grey = weld_picture()
    grey[100:104, 50:60], grey[10:12, 300:310] = 0, 255
    Image.fromarray(grey).save(tmp_path / "a.png")
    np.testing.assert_array_equal(load(tmp_path / "a.png").valid, (grey > 0) & (grey < 255))


def test_colour_scans_turn_grey_and_real_colour_is_reported(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(np.dstack([grey] * 3)).save(tmp_path / "same.png")
    Image.fromarray(np.dstack([grey, grey, grey // 2])).save(tmp_path / "tinted.png")
    same, tinted = load(tmp_path / "same.png"), load(tmp_path / "tinted.png")
    np.testing.assert_allclose(same.density, FULL_SCALE * (1 - grey / 255.0), atol=1e-5)
    assert same.facts.warnings == ()
    assert "colour" in tinted.facts.warnings[0]


def test_scale_is_never_guessed(tmp_path: Path) -> None:
    grey = weld_picture()
    tifffile.imwrite(tmp_path / "a.tif", grey, resolution=(508, 508), resolutionunit="INCH")
    assert load(tmp_path / "a.tif").facts.pixels_per_mm is None
    from_file = load(tmp_path / "a.tif", film__scale="file")
    assert from_file.facts.pixels_per_mm == pytest.approx(20.0)
    assert "508 dpi" in (from_file.facts.scale_from or "")
    stated = load(tmp_path / "a.tif", film__pixels_per_mm=25.0, film__scale="file")
    assert (stated.facts.pixels_per_mm, stated.facts.scale_from) == (25.0, "job sheet")
    assert "the file 20.00" in stated.facts.warnings[0]


@pytest.mark.parametrize(("resolution", "unit", "expected"), [
    ((149, 149), "INCH", None), ((150, 150), "INCH", 150 / 25.4), ((200, 200), "CENTIMETER", 20.0), ((1, 1), "NONE", None),
    ((300, 300), "NONE", None),
])
def test_tiff_resolution_counts_from_150_dpi_with_a_unit(
    tmp_path: Path, resolution: tuple[int, int], unit: str, expected: float | None,
) -> None:
    tifffile.imwrite(tmp_path / "a.tif", weld_picture(), resolution=resolution, resolutionunit=unit)
    facts = load(tmp_path / "a.tif", film__scale="file").facts
    assert facts.pixels_per_mm == (None if expected is None else pytest.approx(expected))
    assert bool(facts.warnings) is (expected is None)


def test_a_scale_that_no_scanner_has_is_not_taken_from_the_file(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", weld_picture(), resolution=(4_000_000, 4_000_000), resolutionunit="CENTIMETER")
    facts = load(tmp_path / "a.tif", film__scale="file").facts
    assert facts.pixels_per_mm is None
    assert "no film scanner has" in facts.warnings[0]


def test_unequal_pitch_is_refused_only_when_the_scale_comes_from_the_file(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", weld_picture(), resolution=(300, 600), resolutionunit="INCH")
    assert "unequal pixel pitch" in refusal(tmp_path / "a.tif", film__scale="file")
    assert load(tmp_path / "a.tif", film__pixels_per_mm=12.0).facts.pixels_per_mm == 12.0


def test_wrong_ending_is_read_by_content_and_said(tmp_path: Path) -> None:
    Image.fromarray(weld_picture()).save(tmp_path / "a.png")
    (tmp_path / "a.png").rename(tmp_path / "a.tif")
    assert "read as PNG" in load(tmp_path / "a.tif").facts.warnings[0]


def test_orientation_is_reported_not_applied(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", weld_picture(), extratags=[(274, "H", 1, 6, True)])
    film = load(tmp_path / "a.tif")
    assert film.density.shape == (120, 400)
    assert "orientation tag 6" in film.facts.warnings[0]


def test_float_tiff_with_a_few_nans_is_masked_with_many_refused(tmp_path: Path) -> None:
    grey = weld_picture().astype(np.float32) / 255
    few, many = grey.copy(), grey.copy()
    few[50, 60:70], many[:40] = np.nan, np.nan
    tifffile.imwrite(tmp_path / "few.tif", few)
    tifffile.imwrite(tmp_path / "many.tif", many)
    film = load(tmp_path / "few.tif")
    np.testing.assert_array_equal(film.valid, np.isfinite(few))
    assert np.isfinite(film.density).all()
    assert "not numbers" in film.facts.warnings[0]
    assert "NaN" in refusal(tmp_path / "many.tif")


def png_header(columns: int, rows: int) -> bytes:
    ihdr = b"IHDR" + struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    idat = b"IDAT" + zlib.compress(b"\0" * 1000)
    chunks = (struct.pack(">I", len(c) - 4) + c + struct.pack(">I", zlib.crc32(c)) for c in (ihdr, idat, b"IEND"))
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def test_what_is_no_film_is_one_clear_line(tmp_path: Path) -> None:
    grey = weld_picture()
    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, "PNG")
    made = {
        "empty.png": b"", "text.png": b"this is not a film", "header.png": png_header(100_000, 100_000),
        "short.png": buffer.getvalue()[:3000], "tiny.png": png_header(1, 1), "no.tif": b"II*\x00\xff\xff\xff\xff",
        "loop.tif": b"II*\x00\x08\x00\x00\x00" + struct.pack("<HI", 0, 8),
        "cut.jpg": b"\xff\xd8\xff\xe0" + b"\0" * 50, "cut.bmp": b"BM" + b"\0" * 60, "cut.webp": b"RIFF\0\0\0\0WEBPVP8 ",
    }
    for name, data in made.items():
        (tmp_path / name).write_bytes(data)
        refusal(tmp_path / name)
    assert "folder" in refusal(tmp_path)
    assert "does not exist" in refusal(tmp_path / "missing.tif")
    assert "100000 x 100000" in refusal(tmp_path / "header.png")


@pytest.mark.parametrize(("fill", "word"), [(0, "black"), (255, "one grey"), (77, "one grey")])
def test_films_that_show_nothing(tmp_path: Path, fill: int, word: str) -> None:
    Image.fromarray(np.full((120, 400), fill, np.uint8)).save(tmp_path / "a.png")
    assert word in refusal(tmp_path / "a.png")


def test_line_art_and_small_and_one_bit(tmp_path: Path) -> None:
    grey = weld_picture()
    Image.fromarray(grey > 100).save(tmp_path / "bits.png")
    tifffile.imwrite(tmp_path / "bits.tif", grey > 100)
    Image.fromarray(grey[:20, :20]).save(tmp_path / "small.png")
    assert "two grey values" in refusal(tmp_path / "bits.png")
    refusal(tmp_path / "bits.tif")
    assert "too small" in refusal(tmp_path / "small.png")


def test_truncated_tiff_in_every_third_byte_count(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "whole.tif", weld_picture(), compression="deflate", rowsperstrip=16)
    data = (tmp_path / "whole.tif").read_bytes()
    for share in (0.02, 0.2, 0.5, 0.9, 0.999):
        (tmp_path / "cut.tif").write_bytes(data[: int(len(data) * share)])
        refusal(tmp_path / "cut.tif")


def test_size_limit_counts_all_pages(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.stack([weld_picture(), weld_picture(), weld_picture()]), photometric="minisblack")
    assert len(load_films(tmp_path / "a.tif", Job(), max_megapixels=0.15)) == 3
    with pytest.raises(FilmError, match="megapixels"):
        load_films(tmp_path / "a.tif", Job(), max_megapixels=0.1)


def test_a_large_film_loads_fast(tmp_path: Path) -> None:
    """A 4800 x 1600 film of 16 bits takes under 0.3 s on an idle machine; three times that here, for a busy one."""
    grey = np.repeat(np.repeat(weld_picture(160, 480), 10, axis=0), 10, axis=1).astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "a.tif", grey, compression="lzw", predictor=True)
    load(tmp_path / "a.tif")
    start = time.perf_counter()
    load(tmp_path / "a.tif")
    assert time.perf_counter() - start < 0.9


@pytest.mark.real
@pytest.mark.slow
def test_look_of_the_real_films_both_ways_round(tmp_path: Path) -> None:
    if not REAL.is_dir():
        pytest.skip("the real films are not here (shared/real)")
    for path in sorted(REAL.glob("*.png")):
        cv2.imwrite(str(tmp_path / "inverted.png"), 255 - cv2.imread(str(path), cv2.IMREAD_GRAYSCALE))
        assert load(path).facts.look == "dense-bright", path.name
        assert load(tmp_path / "inverted.png").facts.look == "dense-dark", path.name
