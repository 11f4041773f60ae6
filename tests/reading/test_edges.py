"""Edges drawn by formula (a step under a Gaussian, on a slope, in noise) on oblong films, at any turn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from rtscan.film import F64, Film
from rtscan.findings import FilmFacts
from rtscan.reading.edges import Edge, fit_edge, pixels_beside, step_at

NOISE = 0.02


def drawn(turn: float, sigma: float, step: float, along: float = 0.0, seed: int = 0) -> tuple[Film, F64, F64]:
    """A film 140 x 300 with an edge through (70.3, 150) leaning by `turn` radians, and the ends of the line; density grows by `along`
    from one end of the line to the other."""
    y, x = np.mgrid[0:300, 0:140].astype(np.float64)
    normal, way = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
    u, t = (x - 70.3) * normal[0] + (y - 150) * normal[1], (x - 70.3) * way[0] + (y - 150) * way[1]
    noise = np.random.default_rng(seed).normal(0, NOISE, u.shape)
    density = (2.5 + step * ndtr(-u / sigma) + 0.002 * u + along * t / 240 + noise).astype(np.float32)
    middle = np.array([70.3, 150.0])
    return Film(FilmFacts(pixels_per_mm=20.0), density, np.ones(density.shape, dtype=bool)), middle - 120 * way, middle + 120 * way


def fitted(film: Film, start: F64, end: F64) -> Edge:
    _, u, density = pixels_beside(film, film.valid, start, end, 25.0)
    edge = fit_edge(u, density)
    assert edge is not None
    return edge


@settings(max_examples=15, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.5, 6.0), st.sampled_from([0.15, -0.3]), st.floats(-0.5, 0.5))
def test_place_blur_and_step_come_back(turn: float, sigma: float, step: float, along: float) -> None:
    """Within five of the fit's own standard errors, and the pixel's own width; a density that changes along the edge does not matter.

    A quarter-pixel bin widens the edge by its own variance (1/16 over 12, square pixels), hence the 0.1 pixel.
    """
    film, start, end = drawn(turn, sigma, step, along)
    edge = fitted(film, start, end)
    assert edge.offset == pytest.approx(0.0, abs=0.1 + 0.1 * sigma)
    assert edge.sigma == pytest.approx(sigma, abs=5 * edge.sigma_u + 0.1)
    assert edge.step == pytest.approx(step, abs=5 * edge.step_u + 0.005)


def test_normal_points_to_the_left_of_the_line() -> None:
    """Seen from the start of an upward line, left is the side of small x: the denser one here."""
    film, start, end = drawn(0.0, 1.0, 0.2)
    assert start[1] > end[1]
    assert fitted(film, start, end).step == pytest.approx(0.2, abs=0.01)
    assert fitted(film, end, start).step == pytest.approx(-0.2, abs=0.01)


def test_the_stated_error_is_the_spread_of_repeats() -> None:
    """40 draws of noise: the spread of the blur is what each fit states, within 40 % (a spread of 40 is known to 11 %)."""
    edges = [fitted(*drawn(0.1, 1.5, 0.15, seed=k)) for k in range(40)]
    assert np.std([e.sigma for e in edges]) == pytest.approx(np.median([e.sigma_u for e in edges]), rel=0.4)


def test_no_step_in_noise_and_none_from_few_pixels() -> None:
    film, start, end = drawn(0.1, 1.5, 0.0)
    _, u, density = pixels_beside(film, film.valid, start, end, 25.0)
    edge = fit_edge(u, density)
    assert edge is None or abs(edge.step) < 5 * edge.step_u
    step, error = step_at(u, density, 1.5)
    assert abs(step) < 4 * error
    assert fit_edge(u[:20], density[:20]) is None
    assert step_at(u[:0], density[:0], 1.5) == (0.0, np.inf)
