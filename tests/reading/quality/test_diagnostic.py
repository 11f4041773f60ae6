"""The diagnostic length of plain films whose density is written down: which stretch is left, and why it ends there.

Film: 20 x 120 mm at 10 px/mm, a straight weld 6 mm wide along it, density 2.8 but where a test says otherwise. Limits of ISO class B with
x-rays: 2.3 (Table 5, from memory) less the 0.05 a densitometer may be wrong by, and 4.5.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rtscan.film import F32, Arc, Bool, Film, Mark, Marks, Weld
from rtscan.findings import Check, FilmFacts
from rtscan.job import Job
from rtscan.knowledge.exposures import coverage
from rtscan.reading.quality.coverage import coverage_checks
from rtscan.reading.quality.diagnostic import DiagnosticLength, diagnostic_lengths, length_check, shortened
from rtscan.reading.quality.exposures import exposures_check
from rtscan.reading.straighten import straighten

PPM, HEIGHT_MM, LENGTH_MM = 10.0, 20, 120
SHARP_MM = 1.6
"""A step of 1 mm, and the densitometer's field of 1 mm that spreads an edge by half of it."""
Change = Callable[[F32, Bool, Bool], None]
PIPE: dict[str, Any] = {"exposure": {"technique": "DWSI", "source": "x-ray", "kv": 200.0, "source_to_film_mm": 210.0},
                        "weld": {"od_mm": 168.3, "wall_mm": 7.11}}


def columns(start_mm: float, end_mm: float) -> slice:
    return slice(round(start_mm * PPM), round(end_mm * PPM))


def seen(change: Change | None = None, job: dict[str, Any] | None = None, calibrated: bool = True,
         pixels_per_mm: float | None = PPM) -> tuple[DiagnosticLength, Check, Weld]:
    """`change` writes into density, valid and hidden."""
    shape = (int(HEIGHT_MM * PPM), int(LENGTH_MM * PPM))
    density, valid, hidden = np.full(shape, 2.8, np.float32), np.ones(shape, bool), np.zeros(shape, bool)
    if change:
        change(density, valid, hidden)
    film = Film(FilmFacts(pixels_per_mm=pixels_per_mm, density_calibrated=calibrated), density, valid)
    x = np.linspace(0, shape[1] - 1, 121)
    line = np.stack([x, np.full_like(x, shape[0] / 2)], axis=1)
    up = np.array([0.0, 3.0 * PPM])
    station = None if pixels_per_mm is None else 300 + x / PPM
    weld = Weld((Arc(None, line, line - up, line + up, station, np.ones(len(x), bool)),), "image")
    marks = Marks((), hidden, np.zeros(shape, bool))
    sheet = Job.model_validate({"exposure": {"technique": "SWSI", "source": "x-ray", "kv": 160.0},
                                "testing": {"standard": "iso-17636-1", "class": "B"}} | (job or {}))
    strips = straighten(film, weld, marks)
    lengths = diagnostic_lengths(film, sheet, weld, marks, strips)
    return lengths[0], length_check(strips, lengths), shortened(weld, strips, lengths)


def span_mm(length: DiagnosticLength) -> tuple[float, float]:
    at = np.flatnonzero(length.columns)
    assert len(at) == at[-1] - at[0] + 1  # one run
    return at[0] / PPM, (at[-1] + 1) / PPM


def test_an_even_film_counts_from_end_to_end() -> None:
    length, line, weld = seen()
    assert span_mm(length) == pytest.approx((0, LENGTH_MM), abs=0.05)
    assert (line.result, line.required, line.limit.min) == ("pass", True, 20.0)
    assert line.says == "300 to 420 mm by station; ends on both sides: the end of the weld on the film"
    assert weld.arcs[0].covered is not None
    assert weld.arcs[0].covered.all()


@pytest.mark.parametrize(("density", "words"), [(1.9, "the film is too thin (1.90)"), (4.8, "the film is too dense (4.80)")])
def test_an_end_outside_the_limits_shortens_the_length(density: float, words: str) -> None:
    def change(film: F32, *_: Bool) -> None:
        film[:, columns(90, 120)] = density

    length, line, weld = seen(change)
    assert span_mm(length) == pytest.approx((0, 90), abs=SHARP_MM)
    assert line.result == "pass"
    assert line.measured == pytest.approx(90, abs=SHARP_MM)
    assert line.says.endswith(f"at {line.measured + 300:.0f}: {words}")
    covered = weld.arcs[0].covered
    assert covered is not None
    assert weld.arcs[0].station_mm is not None
    assert weld.arcs[0].station_mm[covered][-1] == pytest.approx(390, abs=1 + SHARP_MM)  # a point every millimetre


def test_a_narrow_band_along_the_end_is_enough_to_end_it() -> None:
    """The crown alone is too thin: 1.5 mm of the 16 mm looked at."""
    def change(film: F32, *_: Bool) -> None:
        film[round(9.25 * PPM) : round(10.75 * PPM), columns(90, 120)] = 1.9

    assert span_mm(seen(change)[0]) == pytest.approx((0, 90), abs=3)  # a tenth of the width: 1 % of 10 mm is reached in another 1.5 mm


def test_a_flaw_is_not_the_density_of_the_film() -> None:
    def change(film: F32, *_: Bool) -> None:
        film[90:105, 500:515] = 5.5  # a pore of 1.5 mm
        film[100:115, 800:815] = 1.0  # a chip of tungsten

    assert span_mm(seen(change)[0]) == pytest.approx((0, LENGTH_MM), abs=0.05)


def test_a_gap_on_one_side_leaves_the_longer_part_that_holds_the_middle() -> None:
    def change(film: F32, *_: Bool) -> None:
        film[:, columns(20, 35)] = 1.9

    assert span_mm(seen(change)[0]) == pytest.approx((35, 120), abs=SHARP_MM)


@pytest.mark.parametrize("gap", [(50, 75), (0, 120), (0, 52)])
def test_a_film_whose_middle_is_not_fit_fails(gap: tuple[float, float]) -> None:
    def change(film: F32, *_: Bool) -> None:
        film[:, columns(*gap)] = 1.9

    length, line, weld = seen(change)
    if gap == (0, 52):
        assert span_mm(length) == pytest.approx((52, 120), abs=SHARP_MM)  # the middle, at 60, is fit
        return
    assert not length.columns.any()
    assert length.judged.all()
    assert (line.result, line.required, line.measured) == ("fail", True, 0.0)
    assert line.says == "no diagnostic length is left about the middle of the exposure: the film is too thin (1.90)"
    assert weld.arcs[0].covered is not None
    assert weld.arcs[0].covered.all()  # an unfit film still says what it shows


def test_hardly_any_left_fails() -> None:
    def change(film: F32, *_: Bool) -> None:
        film[:] = 1.9
        film[:, columns(52, 69)] = 2.8  # 17 mm, less than two overlaps

    assert seen(change)[1].result == "fail"


def test_what_the_scan_cannot_tell_ends_it_also_without_calibration() -> None:
    def change(film: F32, valid: Bool, hidden: Bool) -> None:
        valid[:, columns(100, 120)] = False

    for calibrated in (True, False):
        length, line, _ = seen(change, calibrated=calibrated)
        assert span_mm(length) == pytest.approx((0, 100), abs=SHARP_MM)
        assert "outside the range of the scan" in line.says


def test_lead_over_an_end_shortens_and_lead_in_the_middle_does_not() -> None:
    def change(film: F32, valid: Bool, hidden: Bool) -> None:
        hidden[:, columns(0, 8)] = True
        hidden[:, columns(70, 76)] = True

    length, line, _ = seen(change)
    assert span_mm(length) == pytest.approx((8, 120), abs=SHARP_MM)
    assert "lead or border" in line.says


def test_a_weld_that_leaves_the_film_ends_there() -> None:
    shape = (200, 1200)
    film = Film(FilmFacts(pixels_per_mm=PPM, density_calibrated=True), np.full(shape, 2.8, np.float32), np.ones(shape, bool))
    x = np.linspace(0, 1199, 121)
    line = np.stack([x, 100 + 0.1 * x], axis=1)
    down = np.array([0.0, 3.0 * PPM])
    weld = Weld((Arc(None, line, line - down, line + down, x / PPM, np.ones(121, bool)),), "image")
    marks = Marks((), np.zeros(shape, bool), np.zeros(shape, bool))
    strips = straighten(film, weld, marks)
    (length,) = diagnostic_lengths(film, Job(), weld, marks, strips)
    # The lower edge, 130 + x / 10, is 3 pixels (0.3 mm) from the last row, 199, at x = 660; the weld slopes one in ten.
    assert np.flatnonzero(length.columns)[-1] / PPM == pytest.approx(66 * 1.005, abs=1.1)
    assert length.to_says == "an edge of the weld leaves the film"


def test_a_weld_that_runs_into_the_border_of_the_scan_is_off_the_film() -> None:
    """The scan goes on beside the film: a strip 0.8 mm wide at the bottom, the weld's lower edge along it from 60 mm on."""
    shape = (200, 1200)
    film = Film(FilmFacts(pixels_per_mm=PPM, density_calibrated=True), np.full(shape, 2.8, np.float32), np.ones(shape, bool))
    x = np.linspace(0, 1199, 121)
    line = np.stack([x, 100 + 0.1 * np.minimum(x, 600)], axis=1)
    down = np.array([0.0, 3.0 * PPM])
    weld = Weld((Arc(None, line, line - down, line + down, x / PPM, np.ones(121, bool)),), "image")
    nothing = np.zeros(shape, bool)
    for depth_px, share in ((0.0, 0.0), (8.0, 0.5)):
        border = Mark("border", np.array([[0.0, 199 - depth_px], [1199.0, 199 - depth_px]]), depth_px)
        marks = Marks((border,), nothing, nothing)
        strips = straighten(film, weld, marks)
        on_film, parent = coverage_checks(film, weld, marks, strips, [np.ones(s.density.shape[1], bool) for s in strips], Job())[:2]
        assert on_film.measured == pytest.approx(share, abs=0.03)
        assert parent.measured == pytest.approx((9.0 - depth_px) / PPM, abs=0.15)
        assert on_film.result == ("fail" if share else "pass")


def flat_weld(middle: float, step: float) -> tuple[Film, Weld, Marks]:
    """A weld 60 rows wide about a row of a film of 200 rows; what lies below it is darker by `step` (more metal where negative)."""
    shape = (200, 1200)
    density = np.full(shape, 2.8, np.float32)
    density[round(middle) + 30 :] += np.float32(step)
    film = Film(FilmFacts(pixels_per_mm=PPM, density_calibrated=True), density, np.ones(shape, bool))
    x = np.linspace(0, 1199, 121)
    line, down = np.stack([x, np.full(121, middle)], axis=1), np.array([0.0, 30.0])
    weld = Weld((Arc(None, line, line - down, line + down, x / PPM, np.ones(121, bool)),), "image")
    return film, weld, Marks((), np.zeros(shape, bool), np.zeros(shape, bool))


@pytest.mark.parametrize(("middle", "step", "result"), [(145, -0.2, "fail"), (145, 0.2, "pass"), (100, -0.2, "pass")])
def test_more_metal_along_the_border_than_in_the_weld_found_is_the_weld(middle: float, step: float, result: str) -> None:
    """24 rows (less than the weld's width) or 69 (more) are left below it."""
    film, weld, marks = flat_weld(middle, step)
    strips = straighten(film, weld, marks)
    columns = [np.ones(s.density.shape[1], bool) for s in strips]
    on_film = coverage_checks(film, weld, marks, strips, columns, Job())[0]
    assert on_film.result == result
    assert ("lighter" in on_film.says) == (result == "fail")


@pytest.mark.parametrize(("middle", "result"), [(145, "fail"), (100, "not assessed")])
def test_an_ellipse_with_one_weld_found_is_never_covered(middle: float, result: str) -> None:
    film, weld, marks = flat_weld(middle, 0.2)
    strips = straighten(film, weld, marks)
    columns = [np.ones(s.density.shape[1], bool) for s in strips]
    job = Job.model_validate({"exposure": {"technique": "DWDI-ellipse"}})
    on_film = coverage_checks(film, weld, marks, strips, columns, job)[0]
    assert (on_film.result, on_film.required) == (result, True)


def test_the_thickness_ratio_ends_one_wall_of_a_pipe_by_iso_only() -> None:
    """Half angle by `coverage`, itself checked against the triangle of source and pipe; class B allows 1.1."""
    half_mm = coverage("DWSI", 168.3, 7.11, 210.0, 1.1).alpha_deg / 360 * np.pi * 168.3
    assert half_mm < LENGTH_MM / 2
    length, line, _ = seen(job=PIPE)
    assert span_mm(length) == pytest.approx((60 - half_mm, 60 + half_mm), abs=0.2)
    assert "1.1 times the wall" in line.says
    assert span_mm(seen(job=PIPE | {"testing": {"standard": "asme-v"}})[0]) == pytest.approx((0, LENGTH_MM), abs=0.05)


def test_location_markers_told_by_the_job_sheet_end_it() -> None:
    """Beside the weld, 25 and 95 mm from the left end."""
    length, line, _ = seen(job={"location": {"end_markers_px": [[950.0, 40.0], [250.0, 30.0]]}})
    assert span_mm(length) == pytest.approx((25, 95), abs=0.2)
    assert line.says.endswith("ends on both sides: the location marker told by the job sheet")


@pytest.mark.parametrize("markers", [[[300.0, 40.0], [300.0, 30.0]], [[-500.0, 0.0], [-300.0, 0.0]]])
def test_markers_that_leave_nothing_fail_and_the_checks_look_at_the_whole_weld(markers: list[list[float]]) -> None:
    length, line, _ = seen(job={"location": {"end_markers_px": markers}})
    assert (line.result, line.measured) == ("fail", 0.0)
    assert "location marker" in line.says
    assert length.judged.any()


def test_no_scale_no_length() -> None:
    length, line, _ = seen(pixels_per_mm=None)
    assert length.columns.all()
    assert (line.result, line.required) == ("not assessed", False)


def test_each_exposure_shows_its_share_and_the_overlap() -> None:
    """pi OD / N and 10 mm (from memory): ASME asks three exposures of a pipe shot through both walls."""
    job = Job.model_validate(PIPE | {"testing": {"standard": "asme-v"}})
    for length_mm, result in ((190.0, "pass"), (180.0, "fail")):
        line = exposures_check(job, length_mm)
        assert line is not None
        assert line.limit.min == pytest.approx(np.pi * 168.3 / 3 + 10, abs=0.05)  # 186.2
        assert (line.result, line.required, line.unverified) == (result, False, True)
    assert line.says.endswith("films as short as this one need 4")  # pi 168.3 / 170 = 3.1


def test_an_ellipse_shares_the_girth_between_two_walls() -> None:
    job = Job.model_validate({"weld": {"od_mm": 60.3, "wall_mm": 3.91}, "exposure": {"technique": "DWDI-ellipse"},
                              "testing": {"standard": "iso-17636-1"}})
    line = exposures_check(job, 50.0)
    assert line is not None
    assert line.limit.min == pytest.approx(np.pi * 60.3 / 4 + 10, abs=0.05)  # two exposures, two walls each
    assert line.result == "fail"


def test_plate_has_no_number_of_exposures_but_needs_so_many_films() -> None:
    """650 mm in films of 200 mm that overlap by 10 mm: the first shows 200, every other one 190 more (from memory)."""
    plate = {"testing": {"standard": "asme-v"}, "exposure": {"technique": "SWSI"}}
    assert exposures_check(Job.model_validate(plate), 200.0) is None
    for length_mm, count in ((580.0, 3), (581.0, 4)):
        line = exposures_check(Job.model_validate(plate | {"weld": {"joint": "plate", "length_mm": length_mm}}), 200.0)
        assert line is not None
        assert (line.result, line.required) == ("pass", False)
        assert line.says.startswith(f"{count} films as long as this one")


def test_one_panoramic_exposure_shows_all_round_on_many_films() -> None:
    """A ring of 1017.6 mm in films of 240 mm, each overlapping the next by 10 mm: 1017.6 / 230 is 4.4."""
    job = Job.model_validate({"weld": {"od_mm": 323.9, "wall_mm": 9.53}, "exposure": {"technique": "panoramic"},
                              "testing": {"standard": "iso-17636-1"}})
    line = exposures_check(job, 240.0)
    assert line is not None
    assert line.says.startswith("one exposure shows all round; 5 films as long as this one show 1018 mm")
