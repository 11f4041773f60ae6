"""The weld is found where it was drawn, run the way the job sheet says, and refused where there is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from rtscan.film import F64, Arc, Film, Weld
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.knowledge.ellipse import DoubleImage, ImageWall
from rtscan.reading.load import load_films
from rtscan.reading.marks import find_marks
from rtscan.reading.weld_band import WeldBandSettings, find_weld, one_or_two
from rtscan.reading.weld_edges import Course

REAL = Path(__file__).resolve().parents[3] / "shared" / "real" / "films"
PER_MM = 10.0
ROWS, COLUMNS = 420, 1100


def film_of(density: np.ndarray) -> Film:
    facts = FilmFacts(width_px=density.shape[1], height_px=density.shape[0], pixels_per_mm=PER_MM)
    return Film(facts, density.astype(np.float32), np.ones(density.shape, dtype=bool))


def plate(course: F64, half_px: float, step: float = 0.5, seed: int = 1, noise: float = 0.03) -> np.ndarray:
    """A domed cap of `half_px` to either side of `course` (row per column) on a plate of density 2.8, blurred, with grain."""
    rows = np.arange(ROWS)[:, None]
    cap = np.clip(1 - ((rows - course[None, :]) / half_px) ** 2, 0, 1)
    clean = gaussian_filter(2.8 - step * np.sqrt(cap), 1.5)
    return clean + noise * np.random.default_rng(seed).normal(size=clean.shape)


def found(density: np.ndarray, job: Job | None = None) -> Weld | None:
    film, sheet = film_of(density), job or Job()
    return find_weld(film, sheet, find_marks(film, sheet))


def one_arc(density: np.ndarray, job: Job | None = None) -> Arc:
    weld = found(density, job)
    assert weld is not None
    assert weld.found_by == "image"
    (arc,) = weld.arcs
    return arc


def job_of(**sections: dict[str, Any]) -> Job:
    return Job.model_validate(sections)


def across(line: F64, course: F64) -> F64:
    """Vertical distance of arc points below a course of rows."""
    return np.asarray(line[:, 1] - np.interp(line[:, 0], np.arange(len(course)), course))


@given(lean=st.floats(-0.25, 0.25), wave=st.floats(0, 8), half=st.floats(28, 75), seed=st.integers(0, 99))
@settings(max_examples=6, deadline=None)
def test_both_edges_of_a_turned_wavy_weld(lean: float, wave: float, half: float, seed: int) -> None:
    x = np.arange(COLUMNS)
    course = 210 + lean * (x - COLUMNS / 2) * 0.8 + wave * np.sin(x / 150)
    arc = one_arc(plate(course, half, seed=seed))
    # A tenth of the cap half-width or 0.4 mm: the toe of a blurred dome in grain is not sharper than that.
    close = max(4.0, 0.1 * half)
    assert np.median(np.abs(across(arc.left_edge_px, course - half))) < close
    assert np.median(np.abs(across(arc.right_edge_px, course + half))) < close
    assert np.median(np.abs(across(arc.centreline_px, course))) < close
    # It crosses the whole film.
    assert arc.centreline_px[0, 0] < 15
    assert arc.centreline_px[-1, 0] > COLUMNS - 16


def test_points_of_one_place_lie_on_a_line_square_to_the_weld() -> None:
    x = np.arange(COLUMNS, dtype=np.float64)
    arc = one_arc(plate(210 + 0.15 * (x - 550), 50))
    run = np.gradient(arc.centreline_px, axis=0)
    for edge in (arc.left_edge_px, arc.right_edge_px):
        gap = edge - arc.centreline_px
        cosine = (gap * run).sum(axis=1) / np.hypot(*gap.T) / np.hypot(*run.T)
        assert np.abs(cosine[5:-5]).max() < 0.02


def test_a_weld_up_and_down_the_picture() -> None:
    course = 210 + 6 * np.sin(np.arange(COLUMNS) / 200)
    arc = one_arc(plate(course, 45).T.copy())
    # Down the picture the right-hand side is the smaller x.
    assert arc.centreline_px[0, 1] < arc.centreline_px[-1, 1]
    assert arc.right_edge_px[:, 0].mean() < arc.centreline_px[:, 0].mean() < arc.left_edge_px[:, 0].mean()
    turned = arc.right_edge_px[:, ::-1].copy()
    assert np.median(np.abs(across(turned, course - 45))) < 5


@pytest.mark.parametrize("kind", ["grain", "slope", "bow", "step"])
def test_a_film_without_a_weld_is_refused(kind: str) -> None:
    rows, columns = np.mgrid[:ROWS, :COLUMNS].astype(np.float64)
    picture = {
        "grain": np.full((ROWS, COLUMNS), 2.5),
        "slope": 2.5 + 0.5 * columns / COLUMNS + 0.3 * rows / ROWS,
        "bow": 2.5 - 0.5 * (rows / ROWS - 0.5) ** 2 - 0.6 * (columns / COLUMNS - 0.5) ** 2,
        "step": 2.5 + 0.5 * (rows > 210),
    }[kind]
    assert found(picture + 0.03 * np.random.default_rng(3).normal(size=picture.shape)) is None


def test_the_given_centreline_wins_over_the_picture() -> None:
    job = job_of(weld={"centreline_px": [[10, 100], [1000, 120]], "cap_width_mm": 9.0})
    weld = found(plate(np.full(COLUMNS, 300.0), 50), job)
    assert weld is not None
    assert weld.found_by == "job sheet"
    assert weld.doubt == ""
    (arc,) = weld.arcs
    gap = np.hypot(*(arc.left_edge_px - arc.right_edge_px).T)
    np.testing.assert_allclose(gap, 9.0 * PER_MM, atol=1e-6)
    np.testing.assert_allclose(arc.centreline_px[[0, -1]], [[10, 100], [1000, 120]])
    assert (arc.left_edge_px[:, 1] < arc.centreline_px[:, 1]).all()


def test_a_given_centreline_without_cap_width_says_so() -> None:
    weld = found(plate(np.full(COLUMNS, 300.0), 50), job_of(weld={"centreline_px": [[10, 100], [1000, 120]]}))
    assert weld is not None
    assert "cap width" in weld.doubt


def test_the_cap_width_of_the_job_sheet_chooses_the_cap_not_the_root() -> None:
    x = np.arange(COLUMNS)
    rows = np.arange(ROWS)[:, None]
    faint_cap = plate(np.full(COLUMNS, 210.0), 100, step=0.08)
    root = 0.5 * np.sqrt(np.clip(1 - ((rows - 210) / 25.0) ** 2, 0, 1)) * np.ones(len(x))
    arc = one_arc(faint_cap - gaussian_filter(root, 1.5), job_of(weld={"cap_width_mm": 20.0}))
    width = np.median(np.hypot(*(arc.left_edge_px - arc.right_edge_px).T)) / PER_MM
    # Without the job sheet the root bead, 5 mm wide, is the clearest ribbon.
    assert 16.0 < width < 24.0


def test_stations_grow_from_the_left_end() -> None:
    arc = one_arc(plate(np.full(COLUMNS, 210.0), 50), job_of(location={"station_at_left_mm": 25.0}))
    assert arc.station_mm is not None
    np.testing.assert_allclose(arc.station_mm, 25.0 + (arc.centreline_px[:, 0] - arc.centreline_px[0, 0]) / PER_MM, atol=0.1)


# The contract: clockwise stations grow in the downstream direction turned a quarter clockwise in the picture (downstream up: to the
# right); seen from inside, or anticlockwise, the other way.
@pytest.mark.parametrize(
    ("downstream", "direction", "seen_from", "to_the_right"),
    [("up", "clockwise", "outside", True), ("down", "clockwise", "outside", False), ("up", "anticlockwise", "outside", False),
     ("up", "clockwise", "inside", False), ("down", "anticlockwise", "outside", True)],
)
def test_stations_grow_as_the_job_sheet_says(downstream: str, direction: str, seen_from: str, to_the_right: bool) -> None:
    place = {"downstream_is": downstream, "direction": direction, "seen_from": seen_from, "station_at_left_mm": 200.0}
    arc = one_arc(plate(np.full(COLUMNS, 210.0), 50), job_of(location=place))
    assert arc.station_mm is not None
    assert (np.diff(arc.station_mm) > 0).all()
    assert (arc.centreline_px[-1, 0] > arc.centreline_px[0, 0]) == to_the_right
    # Left in the growing direction is the upper edge when it runs to the right.
    assert (arc.left_edge_px[:, 1].mean() < arc.right_edge_px[:, 1].mean()) == to_the_right
    at_left = arc.station_mm[np.argmin(arc.centreline_px[:, 0])]
    assert at_left == pytest.approx(200.0)


def test_a_marker_sets_the_station() -> None:
    arc = one_arc(plate(np.full(COLUMNS, 210.0), 50), job_of(location={"marker_px": [500.0, 100.0], "marker_station_mm": 300.0}))
    assert arc.station_mm is not None
    # To within half the distance of the centreline points, 2.5 pixels.
    assert float(np.interp(500.0, arc.centreline_px[:, 0], arc.station_mm)) == pytest.approx(300.0, abs=0.3)


def test_a_direction_that_lies_across_the_weld_is_doubted() -> None:
    weld = found(plate(np.full(COLUMNS, 210.0), 50), job_of(location={"downstream_is": "left", "direction": "clockwise"}))
    assert weld is not None
    assert "across the weld" in weld.doubt


def test_an_unknown_scale_gives_no_stations() -> None:
    picture = plate(np.full(COLUMNS, 210.0), 50)
    film = Film(FilmFacts(width_px=COLUMNS, height_px=ROWS), picture.astype(np.float32), np.ones(picture.shape, dtype=bool))
    weld = find_weld(film, Job(), find_marks(film, Job()))
    assert weld is not None
    assert weld.arcs[0].station_mm is None


def tube_picture(opening_mm: float, od_mm: float = 48.3, wall_mm: float = 3.7, offset_mm: float = 150.0) -> tuple[np.ndarray, DoubleImage]:
    """A pipe up and down the picture, its weld across, by the contract's geometry; the chord through the walls as metal."""
    rows, columns = 620, 760
    image = DoubleImage(od_mm, 700.0, 0.0, offset_mm if opening_mm else 0.0)
    x: F64 = (np.arange(columns, dtype=np.float64) - columns / 2) / PER_MM
    radius = 0.5 * od_mm * 1.035
    chord = 2 * (np.sqrt(np.clip(radius**2 - x**2, 0, None)) - np.sqrt(np.clip((radius - wall_mm) ** 2 - x**2, 0, None)))
    metal = np.repeat(chord[None, :], rows, axis=0)
    y_mid = float(image.y_mm(0.0, "film") + image.y_mm(0.0, "source")) / 2
    walls: tuple[ImageWall, ...] = ("film", "source")
    for wall in walls:
        theta = image.theta(x, wall)
        y = (image.y_mm(theta, wall) - y_mid) * PER_MM + rows / 2
        cap = np.clip(1 - ((np.arange(rows)[:, None] - y[None, :]) / 30.0) ** 2, 0, 1)
        metal += np.nan_to_num(2.0 * np.sqrt(cap))
    density = gaussian_filter(4.2 - 0.18 * metal, 1.2) + 0.02 * np.random.default_rng(4).normal(size=metal.shape)
    return density, image


def pipe_job(technique: str) -> Job:
    return job_of(
        weld={"od_mm": 48.3, "wall_mm": 3.7}, exposure={"technique": technique, "source_to_film_mm": 700.0},
        location={"station_at_middle_mm": 100.0},
    )


def test_an_ellipse_gives_two_arcs_by_the_contracts_geometry() -> None:
    picture, image = tube_picture(13.0)
    weld = found(picture, pipe_job("DWDI-ellipse"))
    assert weld is not None
    assert len(weld.arcs) == 2
    y_mid = float(image.y_mm(0.0, "film") + image.y_mm(0.0, "source")) / 2
    walls: tuple[ImageWall, ...] = ("film", "source")
    for arc, wall in zip(weld.arcs, walls, strict=True):
        x = (arc.centreline_px[:, 0] - 380.0) / PER_MM
        inner = np.abs(x) < 15
        expected = (image.y_mm(image.theta(x[inner], wall), wall) - y_mid) * PER_MM + 310.0
        # 0.6 mm: the caps are 6 mm wide and their toes blurred.
        assert np.median(np.abs(arc.centreline_px[inner, 1] - expected)) < 6
        assert arc.wall == "unknown"
        assert arc.station_mm is not None
        assert arc.covered is not None
        theta = image.theta(x, "source")
        # The axis is found to about half a millimetre, at 1 mm of arc per mm near the middle.
        np.testing.assert_allclose(arc.station_mm[inner], 100.0 + 24.15 * theta[inner], atol=1.2)
        # Beyond |sin theta| = 0.9 (0.7 degrees of slack for the axis) the weld is not covered.
        assert not arc.covered[np.abs(np.sin(theta)) > 0.93].any()
        assert arc.covered[np.abs(np.sin(theta)) < 0.86].all()


def test_superimposed_welds_are_one_arc_of_unknown_wall() -> None:
    picture, _ = tube_picture(0.0)
    weld = found(picture, pipe_job("DWDI-superimposed"))
    assert weld is not None
    (arc,) = weld.arcs
    assert arc.wall == "unknown"
    assert np.median(np.abs(arc.centreline_px[:, 1] - 310.0)) < 4


def test_a_tube_shown_whole_is_no_weld_even_without_a_job_sheet() -> None:
    picture, _ = tube_picture(0.0)
    weld = found(picture)
    assert weld is not None
    run = weld.arcs[0].centreline_px[-1] - weld.arcs[0].centreline_px[0]
    assert abs(run[0]) > 3 * abs(run[1])


needs_real = pytest.mark.skipif(not REAL.is_dir(), reason="the real films lie beside the repository in shared/real; not there")


@pytest.mark.real
@needs_real
@pytest.mark.slow
def test_the_weld_is_found_on_all_real_films() -> None:
    """Arcs and their direction as a reader sees them on the films: four films show a tube or an ellipse with the weld across."""
    job = job_of(film={"pixels_per_mm": 24.81})
    seen = {}
    for path in sorted(REAL.glob("*.png")):
        (film,) = load_films(path, job)
        weld = find_weld(film, job, find_marks(film, job))
        arcs = weld.arcs if weld else ()
        runs = [arc.centreline_px[-1] - arc.centreline_px[0] for arc in arcs]
        seen[path.stem] = (len(arcs), all(abs(run[1]) > abs(run[0]) for run in runs))
    across_film = {"W0003_0054", "W0003_0055", "W0003_0061", "W0003_0062"}
    two_arcs = {"W0003_0061", "W0003_0062", "W0003_0065"}
    assert seen == {stem: (1 + (stem in two_arcs), stem in across_film) for stem in seen}
    assert len(seen) == 18


def test_of_three_ribbons_side_by_side_the_best_two_count() -> None:
    at = np.arange(300, dtype=np.float64)
    middles, blurs, scores = (100.0, 200.0, 300.0), (9.0, 3.0, 1.0), (5.0, 4.0, 3.0)
    courses = [
        Course(at, np.full(300, m - 20), np.full(300, m + 20), 0.3, 0.3, blur, score, False)
        for m, blur, score in zip(middles, blurs, scores, strict=True)
    ]
    kept, doubt = one_or_two(courses, Job.model_validate({"exposure": {"technique": "DWSI"}}), WeldBandSettings())
    assert kept == [courses[1]]
    assert "second" in doubt
