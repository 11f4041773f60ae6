"""Step tablets made here with known densities, either way round, blurred and noisy; and what is refused."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from rtscan.errors import FilmError
from rtscan.job import load_job
from rtscan.reading.step_tablet import read_tablet

DENSITIES = [0.05, 0.3, 0.55, 0.9, 1.4, 2.0, 2.6, 3.3, 4.0]


def tablet(path: Path, upright: bool = False, reverse: bool = False, bend: float = 0.0) -> Path:
    """Grey linear in density (65535 at 0, 0 at 4.5), with a bend to make the scanner curved; flare and noise."""
    density = np.repeat(DENSITIES[::-1] if reverse else DENSITIES, 50)
    grey = 65535 * (1 - density / 4.5) ** (1 + bend)
    picture = cv2.GaussianBlur(np.tile(grey, (90, 1)), (0, 0), 1.5) + np.random.default_rng(4).normal(0, 200, (90, len(grey)))
    picture = picture.T if upright else picture
    tifffile.imwrite(path, np.clip(picture, 0, 65535).astype(np.uint16))
    return path


@pytest.mark.parametrize(("upright", "reverse"), [(False, False), (False, True), (True, False), (True, True)])
def test_steps_are_found_either_way_round(tmp_path: Path, upright: bool, reverse: bool) -> None:
    steps = read_tablet(tablet(tmp_path / "t.tif", upright, reverse), DENSITIES)
    assert [s.density for s in steps] == DENSITIES
    expected = [65535 * (1 - d / 4.5) for d in DENSITIES]
    assert [s.grey for s in steps] == pytest.approx(expected, abs=60)  # median of 30 x 45 pixels of noise 200: 60 is five sigma
    assert all(s.residual is None or abs(s.residual) < 0.02 for s in steps)


def test_inverted_scan(tmp_path: Path) -> None:
    path = tablet(tmp_path / "t.tif")
    tifffile.imwrite(path, 65535 - tifffile.imread(path))
    steps = read_tablet(path, DENSITIES, dense_is_bright=True)
    assert [s.grey for s in steps] == pytest.approx([65535 * d / 4.5 for d in DENSITIES], abs=60)


def test_the_table_goes_into_a_job_sheet(tmp_path: Path) -> None:
    steps = read_tablet(tablet(tmp_path / "t.tif", bend=0.3), DENSITIES)
    job = load_job(None, {"film.grey_to_density": [[s.grey, s.density] for s in steps]})
    assert len(job.film.grey_to_density) == len(DENSITIES)


def test_a_swapped_certificate_shows_in_the_residuals(tmp_path: Path) -> None:
    wrong = DENSITIES.copy()
    wrong[4] = 1.75
    residuals = [s.residual for s in read_tablet(tablet(tmp_path / "t.tif"), wrong)]
    assert residuals[4] == pytest.approx(-0.35, abs=0.02)


@pytest.mark.parametrize("light", [65535, 64000, 0])
@pytest.mark.parametrize("ends", [(0, 120), (120, 0), (15, 200)])
def test_the_light_table_or_a_mask_may_show_round_the_tablet(tmp_path: Path, light: int, ends: tuple[int, int]) -> None:
    """The lightest step is 0.05, 50 pixels long: a table of 65535 or 64000 is just lighter or just darker than it, a mask is black."""
    path = tablet(tmp_path / "t.tif")
    bare = tifffile.imread(path)
    tifffile.imwrite(path, np.pad(bare, ((150, 60), ends), constant_values=light))
    steps = read_tablet(path, DENSITIES)
    assert [s.grey for s in steps] == pytest.approx([65535 * (1 - d / 4.5) for d in DENSITIES], abs=60)


@pytest.mark.parametrize("end", [(0, 60), (60, 0), (0, 0)])
def test_a_step_too_many_is_no_step_left_out(tmp_path: Path, end: tuple[int, int]) -> None:
    """One density missing in --steps: nine flat stretches for eight densities may not be read as eight, two of them run together."""
    for missing in (3, 5):
        some = [d for k, d in enumerate(DENSITIES) if k != missing]
        path = tablet(tmp_path / "t.tif")
        tifffile.imwrite(path, np.pad(tifffile.imread(path), ((0, 0), end), constant_values=65535))
        with pytest.raises(FilmError, match="does not show 8 steps"):
            read_tablet(path, some)


@pytest.mark.parametrize("densities", [DENSITIES[:2], [0.1, 0.1, 0.2], [0.1, 0.2, 7.0], [d / 10 for d in range(40)]])
def test_what_cannot_be_a_tablet(tmp_path: Path, densities: list[float]) -> None:
    with pytest.raises(FilmError, match="; "):
        read_tablet(tablet(tmp_path / "t.tif"), densities)


def test_other_files(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("no")
    tifffile.imwrite(tmp_path / "even.tif", np.full((90, 400), 9, np.uint16))
    for path in (tmp_path / "a.txt", tmp_path, tmp_path / "none.tif", tmp_path / "even.tif"):
        with pytest.raises(FilmError, match="; "):
            read_tablet(path, DENSITIES)
