"""Clock, side of the weld and second station, against plain formulae and traced rays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.film import Arc, Film, Strip
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.reading.location import CENTRE_SHARE, clock_of, other_station, side_of

OD_MM = 100.0
ROUND_MM = np.pi * OD_MM


def pipe(datum_clock: str | None = "12:00", **location: Any) -> Job:
    where = location | ({"datum_clock": datum_clock} if datum_clock is not None else {})
    return Job.model_validate({"weld": {"od_mm": OD_MM, "wall_mm": 6.0}, "location": where})


@pytest.mark.parametrize(("share", "datum", "direction", "clock"), [
    (0.0, "12:00", "clockwise", "12:00"), (0.25, "12:00", "clockwise", "3:00"), (0.25, "12:00", "anticlockwise", "9:00"),
    (0.5, "3:00", "clockwise", "9:00"), (0.75, "6:30", "clockwise", "3:30"), (1.0, "12:00", "clockwise", "12:00"),
    (1.25, "12:00", "clockwise", "3:00"), (-0.25, "12:00", "clockwise", "9:00"), (-0.25, "12:00", "anticlockwise", "3:00"),
    (719.7 / 720, "12:00", "clockwise", "12:00"), (59.6 / 720, "12:00", "clockwise", "1:00"), (5 / 720, "12:00", "anticlockwise", "11:55"),
])
def test_the_clock_goes_round_with_the_circumference(share: float, datum: str, direction: str, clock: str) -> None:
    assert clock_of(share * ROUND_MM, pipe(datum, direction=direction)) == clock


@given(st.floats(-1000, 1000), st.integers(0, 11), st.integers(0, 59), st.sampled_from(["clockwise", "anticlockwise"]))
def test_the_clock_is_the_station_in_minutes_of_twelve_hours(station_mm: float, hours: int, minutes: int, direction: str) -> None:
    told = clock_of(station_mm, pipe(f"{hours or 12}:{minutes:02d}", direction=direction))
    assert told is not None
    hour, minute = (int(part) for part in told.split(":"))
    assert 1 <= hour <= 12
    assert 0 <= minute <= 59
    turned = station_mm / ROUND_MM * 720 * (1 if direction == "clockwise" else -1)
    away = (hour * 60 + minute - (hours * 60 + minutes) - turned + 360) % 720 - 360
    assert abs(away) <= 0.5 + 1e-6  # told to the minute


@pytest.mark.parametrize("job", [
    pipe(None), Job.model_validate({"location": {"datum_clock": "12:00"}}),
    Job.model_validate({"weld": {"joint": "plate"}, "location": {"datum_clock": "12:00"}}),
    Job.model_validate({"weld": {"joint": "longitudinal", "od_mm": OD_MM}, "location": {"datum_clock": "12:00"}}),
])
def test_no_clock_without_pipe_girth_weld_or_datum_clock(job: Job) -> None:
    assert clock_of(10.0, job) is None


def line(degrees: float) -> Arc:
    """A straight weld through (400, 300), growing in this direction (x right, y down)."""
    run = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
    right = np.array([-run[1], run[0]])
    centre = np.array([400.0, 300.0]) + np.arange(-200.0, 201.0, 20.0)[:, None] * run
    return Arc(None, centre, centre - 60 * right, centre + 60 * right)


@pytest.mark.parametrize("degrees", [0.0, 180.0, 20.0, -15.0, 90.0, -90.0, 100.0])
@pytest.mark.parametrize(("downstream", "vector"), [("up", (0, -1)), ("down", (0, 1)), ("left", (-1, 0)), ("right", (1, 0))])
def test_the_side_is_that_of_the_picture_direction(degrees: float, downstream: str, vector: tuple[int, int]) -> None:
    arc, job = line(degrees), pipe(downstream_is=downstream)
    run = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
    across = np.array([-run[1], run[0]])
    sense = float(across @ np.array(vector))
    for offset in (-35.0, 35.0):
        for along in (-120.0, 7.0, 190.0):
            told = side_of(np.array([400.0, 300.0]) + along * run + offset * across, arc, job)
            if abs(float(run @ np.array(vector))) > 0.9:
                assert told is None  # downstream runs along the weld: the picture does not tell
            else:
                assert told == ("downstream" if offset * sense > 0 else "upstream")


@pytest.mark.parametrize("degrees", [0.0, 20.0, 180.0])
def test_no_side_on_the_centreline(degrees: float) -> None:
    run = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
    across, job = np.array([-run[1], run[0]]), pipe(downstream_is="up")
    wide = 120.0  # between the edges of `line`
    for along in (-111.0, 0.0, 7.0):
        at = np.array([400.0, 300.0]) + along * run
        assert side_of(at, line(degrees), job) is None
        assert side_of(at + 0.9 * CENTRE_SHARE * wide * across, line(degrees), job) is None
        told = {side_of(at + s * 1.1 * CENTRE_SHARE * wide * across, line(degrees), job) for s in (-1, 1)}
        assert told == {"upstream", "downstream"}


def test_no_side_when_the_job_sheet_does_not_say() -> None:
    assert side_of(np.array([400.0, 280.0]), line(0.0), pipe()) is None


FILM = Film(FilmFacts(pixels_per_mm=10.0), np.zeros((4, 6), np.float32), np.ones((4, 6), bool))
SOURCE_MM = 600.0


def strip(first_mm: float, last_mm: float, wall: str | None = "unknown") -> Strip:
    """A strip with these stations; nothing of its picture counts here."""
    columns = 61
    grid = np.zeros((5, columns), np.float32)
    stations, edges = np.linspace(first_mm, last_mm, columns), (np.zeros(columns), np.full(columns, 4.0))
    return Strip(0, wall, grid, grid == 0, grid > 0, np.zeros((5, columns, 2), np.float32), 2.0, *edges, 10.0, stations)


def sheet(gap_mm: float | None = None, middle_mm: float | None = 0.0, source_mm: float | None = SOURCE_MM) -> Job:
    exposure = {"technique": "DWDI-superimposed"}
    exposure |= {"source_to_film_mm": source_mm} if source_mm is not None else {}
    exposure |= {"object_to_film_mm": gap_mm} if gap_mm is not None else {}
    where = {"station_at_middle_mm": middle_mm} if middle_mm is not None else {}
    return Job.model_validate({"weld": {"od_mm": OD_MM, "wall_mm": 6.0}, "exposure": exposure, "location": where})


def traced(along_mm: float, middle_mm: float, gap_mm: float) -> float:
    """The same by vectors: the ray from the source through the point of the wall at the source, on to the pipe's other side."""
    radius = OD_MM / 2
    source, axis = np.array([0.0, SOURCE_MM]), np.array([0.0, gap_mm + radius])
    theta = (along_mm - middle_mm) / radius
    point = axis + radius * np.array([np.sin(theta), np.cos(theta)])
    ray = (point - source) / np.hypot(*(point - source))
    # |source + t ray - axis| = radius has two roots; the farther one is the wall at the film.
    half = float(ray @ (source - axis))
    t = -half + np.sqrt(half**2 - float((source - axis) @ (source - axis)) + radius**2)
    x, height = source + t * ray - axis
    phi = np.arctan2(x, -height)
    return float((middle_mm + np.pi * radius - radius * phi) % ROUND_MM)


@pytest.mark.parametrize("middle_mm", [0.0, 200.0])
@pytest.mark.parametrize("along_mm", [-40.0, -11.0, 0.0, 3.0, 38.0])
def test_the_second_station_is_where_the_ray_leaves_the_pipe(along_mm: float, middle_mm: float) -> None:
    told = other_station(middle_mm + along_mm, strip(middle_mm - 45, middle_mm + 45), FILM, sheet(middle_mm=middle_mm))
    assert told == pytest.approx(traced(middle_mm + along_mm, middle_mm, 0.0), abs=1e-6)


def test_the_second_station_of_the_second_station_is_the_first_when_the_source_is_far() -> None:
    far = sheet(source_mm=1e6)
    there = other_station(20.0, strip(-45, 45), FILM, far)
    assert there == pytest.approx(ROUND_MM / 2 - 20.0, abs=0.01)  # rays all but parallel (100 mm in 1 km): mirrored at the axis


@pytest.mark.parametrize("wall", ["film", "source", None])
def test_a_known_wall_has_no_second_station(wall: str | None) -> None:
    assert other_station(10.0, strip(-45, 45, wall), FILM, sheet()) is None


def test_the_gap_between_pipe_and_film_counts() -> None:
    told = other_station(38.0, strip(-45, 45), FILM, sheet(gap_mm=60.0))
    assert told == pytest.approx(traced(38.0, 0.0, 60.0), abs=1e-6)


def test_a_strip_off_the_middle_of_the_pipe_is_no_new_middle() -> None:
    told = other_station(20.0, strip(-35, 45), FILM, sheet(middle_mm=None))
    assert told == pytest.approx(traced(20.0, 0.0, 0.0), abs=1e-6)
