"""The duplex indicator read on simulated films, against two wires blurred by formula (dip below 20 %: ISO 17636-2)."""

from __future__ import annotations

from math import hypot
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rtscan.film import Film
from rtscan.job import load_job
from rtscan.knowledge.iqi import duplex_wires
from rtscan.reading.load import load_films
from rtscan.reading.quality.contrast import blurred_chord
from rtscan.reading.quality.duplex import GREATEST_FALL, LEAST_HEIGHT, read_duplex

pytestmark = pytest.mark.slow


def film(folder: Path, pixels_per_mm: float, unsharpness_mm: float, iqi: list[dict[str, Any]],
         letters: tuple[dict[str, Any], ...] = ()) -> Film:
    from rtscan.simulate.files import simulate, write_film
    from rtscan.simulate.recipe import Recipe

    recipe = Recipe.model_validate({
        "name": "d", "film": {"width_mm": 110.0, "height_mm": 76.0, "density": 2.6}, "weld": {"wall_mm": 8.0}, "iqi": iqi,
        "letters": letters,
        "exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0, "source_to_film_mm": 700.0, "unsharpness_mm": unsharpness_mm},
        "scan": {"pixels_per_mm": pixels_per_mm, "blur_mm": 0.03},
    })
    written = write_film(simulate(recipe, np.random.default_rng(4))[0], folder)
    return load_films(written.film, load_job(folder / "d.job.toml"))[0]


def first_merged(unsharpness_mm: float) -> int:
    """Number of the first pair with a dip below 20 %: two chords of wire d, centres 2 d apart, under one Gaussian."""
    u = np.linspace(-6, 6, 24001)
    for number, d, _ in duplex_wires():
        sigma = hypot(0.2887 * unsharpness_mm, 0.03 / 2.3548)  # a slit of that width, and the scanner's spot
        profile = blurred_chord(u - d, d, sigma) + blurred_chord(u + d, d, sigma)
        if 1 - profile[len(u) // 2] / profile.max() < 0.2:
            return number
    return 14


@pytest.mark.parametrize(("pixels_per_mm", "unsharpness_mm"), [(20.0, 0.3), (25.0, 0.6)])
def test_first_merged_pair_within_one(tmp_path: Path, pixels_per_mm: float, unsharpness_mm: float) -> None:
    """Within one pair: the pixels and the grain add a little blur, and tungsten strong in the beam is no longer linear."""
    found = read_duplex(film(tmp_path, pixels_per_mm, unsharpness_mm, [{"kind": "duplex", "set": "", "across_mm": 25.0}]))
    assert found is not None
    assert found.number == pytest.approx(first_merged(unsharpness_mm), abs=1)
    assert found.resolution_mm == duplex_wires()[(found.number or 0) - 1][1]


def test_nothing_is_read_where_there_is_none(tmp_path: Path) -> None:
    assert read_duplex(film(tmp_path, 20.0, 0.1, [])) is None


@pytest.mark.parametrize(("iqi", "text"), [
    ([{"set": "W6"}], ""), ([{"kind": "hole", "set": "12", "across_mm": 22.0}], ""),
    ([], "IIIHHIIH1111"), ([], "A17 IIII"), ([], "HHHHHH"),
])
@pytest.mark.parametrize("unsharpness_mm", [0.1, 0.3])
def test_wires_plaques_and_letters_are_no_duplex_indicator(tmp_path: Path, iqi: list[dict[str, Any]], text: str,
                                                           unsharpness_mm: float) -> None:
    letters = ({"text": text, "along_mm": 0.0, "across_mm": 22.0},) if text else ()
    assert read_duplex(film(tmp_path, 20.0, unsharpness_mm, iqi, letters)) is None


@pytest.mark.parametrize("unsharpness_mm", [0.1, 0.3])
def test_the_set_w10_is_no_duplex_indicator(tmp_path: Path, unsharpness_mm: float) -> None:
    assert read_duplex(film(tmp_path, 20.0, unsharpness_mm, [{"set": "W10"}])) is None


def test_the_dip_falls_no_faster_than_the_reading_allows() -> None:
    """Slow twin of GREATEST_FALL and LEAST_HEIGHT: dips of all pairs under Gaussians from sharp to wholly merged, and heights of those
    up to the first merged one."""
    u = np.linspace(-6, 6, 24001)
    falls, heights = [], []
    for sigma in np.geomspace(0.02, 0.6, 25):
        profiles = [blurred_chord(u - d, d, sigma) + blurred_chord(u + d, d, sigma) for _, d, _ in duplex_wires()]
        dips = np.array([1 - p[len(u) // 2] / p.max() for p in profiles])
        falls.append(np.diff(-dips).max())
        height = np.array([p.max() for p in profiles])[: np.count_nonzero(np.cumprod(dips >= 0.2)) + 1]
        heights.append((height[1:] / height[:-1]).min(initial=1.0))
    # Found on a grid of blurs, hence the hundredths.
    assert max(falls) == pytest.approx(GREATEST_FALL, abs=0.02)
    assert min(heights) == pytest.approx(0.63, abs=0.01)
    assert min(heights) > LEAST_HEIGHT
