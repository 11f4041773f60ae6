"""Location markers on plain drawn films: number plates in a row count, everything that might be something else does not.

Film: 60 x 200 mm at 10 px/mm, density 2.6, the weld (1.5) along its middle. Plates as on measuring tapes: 14 mm square, lead, numbers
cut out; seen on real films at 14 to 15 mm.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import pytest

from rtscan.film import Arc, Film, Marks, Weld
from rtscan.findings import FilmFacts
from rtscan.job import Job
from rtscan.reading.lead import LeadSettings, find_lead
from rtscan.reading.quality.diagnostic import diagnostic_lengths, length_check
from rtscan.reading.quality.markers import location_markers, markers_check
from rtscan.reading.straighten import straighten

PPM = 10.0
Place = tuple[float, float]
ROW: tuple[Place, ...] = ((40.0, 15.0), (100.0, 15.0), (160.0, 15.0))


def drawn(plates: Sequence[Place] = (), solid: Sequence[Place] = (), letters: Sequence[tuple[str, float, float]] = ()) -> Film:
    """Middles of plates and of solid blocks, and lower left corners of cast letters, in mm."""
    picture = np.full((600, 2000), 260, np.uint16)
    picture[250:350] = 150
    for x, y in (*plates, *solid):
        picture[max(0, int((y - 7) * PPM)) : int((y + 7) * PPM), int((x - 7) * PPM) : int((x + 7) * PPM)] = 70
    cut, cast = (np.zeros(picture.shape, np.uint8) for _ in range(2))
    for x, y in plates:
        cv2.putText(cut, "25", (int((x - 5.4) * PPM), int((y + 3) * PPM)), cv2.FONT_HERSHEY_SIMPLEX, 2.9, 1, 11)
    for text, x, y in letters:
        cv2.putText(cast, text, (int(x * PPM), int(y * PPM)), cv2.FONT_HERSHEY_SIMPLEX, 3.4, 1, 14)
    sharp = np.where(cast > 0, 70, np.where(cut > 0, 230, picture)) / np.float32(100)
    grain = np.random.default_rng(5).normal(0, 0.02, sharp.shape)
    density = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 1.5) + grain, dtype=np.float32)
    return Film(FilmFacts(pixels_per_mm=PPM), density, np.ones(density.shape, bool))


def weld() -> Weld:
    x = np.linspace(0, 1999, 200)
    line = np.stack([x, np.full_like(x, 300.0)], axis=1)
    half = np.array([0.0, 50.0])
    return Weld((Arc(None, line, line - half, line + half, None, np.ones(len(x), bool)),), "image")


def marks(film: Film) -> Marks:
    lead = find_lead(film, film.valid, LeadSettings())
    return Marks(lead.marks, np.zeros_like(lead.mask), np.zeros_like(lead.mask))


def test_the_outermost_number_plates_of_a_row_end_the_diagnostic_length() -> None:
    film = drawn(ROW)
    found = location_markers(film, Job(), weld(), marks(film))
    assert found.ends_px is not None
    assert np.array(found.ends_px) / PPM == pytest.approx(np.array([[40.0, 15.0], [160.0, 15.0]]), abs=0.5)
    strips = straighten(film, weld(), marks(film))
    line = length_check(strips, diagnostic_lengths(film, Job(), weld(), marks(film), strips))
    assert line.measured == pytest.approx(120.0, abs=1.0)
    assert "the location marker seen on the film" in line.says
    assert markers_check(film, Job(), weld(), marks(film)).result == "pass"


def test_letters_in_line_with_a_row_are_no_part_of_it() -> None:
    film = drawn((*ROW[:2], (140.0, 15.0)), letters=[("K", 165.0, 18.0), ("7", 182.0, 18.0)])
    found = location_markers(film, Job(), weld(), marks(film))
    assert found.ends_px is not None
    assert [float(p[0]) / PPM for p in found.ends_px] == pytest.approx([40.0, 140.0], abs=0.5)


def test_a_row_cut_by_the_edge_of_the_film_counts_too() -> None:
    film = drawn([(x, 2.0) for x, _ in ROW])
    found = location_markers(film, Job(), weld(), marks(film))
    assert found.ends_px is not None
    assert [float(p[0]) / PPM for p in found.ends_px] == pytest.approx([40.0, 160.0], abs=0.5)


@pytest.mark.parametrize(("what", "plates", "solid", "letters"), [
    ("solid blocks of lead", (), ROW, ()),
    ("one plate", ROW[:1], (), ()),
    ("plates on either side of the weld", ((40.0, 15.0), (160.0, 45.0)), (), ()),
    ("both on one half, as if others were not seen", ((110.0, 15.0), (160.0, 15.0)), (), ()),
    ("lead of that size goes on in line", (*ROW[:2], (140.0, 15.0)), ((180.0, 15.0),), ()),
    ("two rows", (*ROW, *((x, 48.0) for x, _ in ROW)), (), ()),
    ("letters", (), (), (("SLV", 20.0, 18.0), ("441", 150.0, 18.0))),
])
def test_what_is_not_sure_does_not_count(what: str, plates: Sequence[Place], solid: Sequence[Place],
                                         letters: Sequence[tuple[str, float, float]]) -> None:
    film = drawn(plates, solid, letters)
    assert location_markers(film, Job(), weld(), marks(film)).ends_px is None, what
    assert markers_check(film, Job(), weld(), marks(film)).result == "not assessed"


def test_cast_numbers_towards_both_ends_end_the_diagnostic_length() -> None:
    """The film's name on the other side of the weld."""
    film = drawn(letters=[("1", 20.0, 18.0), ("2", 170.0, 18.0), ("569", 80.0, 55.0)])
    found = location_markers(film, Job(), weld(), marks(film))
    assert found.ends_px is not None
    assert [float(p[0]) / PPM for p in found.ends_px] == pytest.approx([23.0, 173.0], abs=2.0)
    assert "single numbers or letters" in markers_check(film, Job(), weld(), marks(film)).says


@pytest.mark.parametrize(("what", "letters", "solid"), [
    ("one stands nearer the middle", [("1", 80.0, 18.0), ("2", 170.0, 18.0)], ()),
    ("another is cut by the end of the film", [("0", -5.0, 18.0), ("1", 64.0, 18.0), ("2", 135.0, 18.0)], ()),
    ("other lead in line farther out", [("1", 30.0, 18.0), ("2", 160.0, 18.0), ("AB", 180.0, 18.0)], ()),
    ("uneven steps", [("0", 20.0, 18.0), ("1", 80.0, 18.0), ("2", 170.0, 18.0)], ()),
    ("a row on either side of the weld", [("1", 20.0, 18.0), ("2", 170.0, 18.0), ("1", 20.0, 55.0), ("2", 170.0, 55.0)], ()),
    ("one of them lies on a sheet of lead", [("1", 20.0, 18.0), ("2", 170.0, 18.0)], ((173.0, 14.0),)),
])
def test_cast_numbers_that_are_not_sure_are_pointed_at(what: str, letters: Sequence[tuple[str, float, float]],
                                                       solid: Sequence[Place]) -> None:
    """The second as on a real film (0, 1 and 2, the 0 cut): which of them end the length cannot be told."""
    film = drawn(letters=letters, solid=solid)
    assert location_markers(film, Job(), weld(), marks(film)).ends_px is None, what
    line = markers_check(film, Job(), weld(), marks(film))
    assert (line.result, line.required) == ("not assessed", False)
    assert "end_markers_px" in line.says


def test_cast_numbers_of_different_lead_are_no_pair() -> None:
    film = drawn(letters=[("1", 20.0, 18.0), ("2", 170.0, 18.0)])
    half = film.density[:, 1000:]
    half[half < 1.3] += 0.9  # the second of thinner lead: it takes 1.0 off the density where the first takes 1.9
    assert location_markers(film, Job(), weld(), marks(film)).ends_px is None


def test_the_job_sheet_goes_before_and_both_walls_have_none() -> None:
    film = drawn(ROW)
    told = Job.model_validate({"location": {"end_markers_px": [[300.0, 200.0], [900.0, 200.0]]}})
    strips = straighten(film, weld(), marks(film))
    line = length_check(strips, diagnostic_lengths(film, told, weld(), marks(film), strips))
    assert line.measured == pytest.approx(60.0, abs=1.0)
    assert markers_check(film, told, weld(), marks(film)).source == "job sheet"
    both = Job.model_validate({"exposure": {"technique": "DWDI-ellipse"}})
    assert location_markers(film, both, weld(), marks(film)).ends_px is None
