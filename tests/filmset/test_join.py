"""Films of one weld joined: placed, merged, replaced by later shots, gaps named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rtscan.acceptance.situation import situation_from_job
from rtscan.filmset.join import FilmReading, join_weld
from rtscan.findings import FilmFacts, Indication, LocationFacts, Quality, Stretch, WeldArc, WeldFacts, Worksheet
from rtscan.job import Job

LENGTH_MM = 528.7


def pore(along: float, across: float = 0.0, size: float = 1.5, snr: float = 20.0, **more: object) -> Indication:
    known = {"id": 1, "tone": "dark", "type": "gas pore", "iso6520": "2011", "angle_deg": 0.0, "width_mm": size}
    return Indication(**{**known, "along_mm": along, "across_mm": across, "length_mm": size, "signal_to_noise": snr, **more})


def film(name: str, start: float, end: float, *marks: Indication, shot: str = "", readable: bool = True) -> FilmReading:
    arc = WeldArc(None, ((0.0, 0.0),), ((0.0, 0.0),), ((0.0, 0.0),), start, end)
    weld = WeldFacts("W-017", LENGTH_MM, 12.0, (arc,), 7.11, 168.3, "girth")
    numbered = tuple(replace(mark, id=k) for k, mark in enumerate(marks, start=1))
    return FilmReading(name, Worksheet(film=FilmFacts(name), quality=Quality(readable), weld=weld, indications=numbered), shot)


def test_an_indication_seen_on_two_films_counts_once_on_the_better_reading() -> None:
    weld = join_weld("W-017", [film("A", 0, 190, pore(180.0, snr=12.0, size=1.4)),
                               film("B", 170, 360, pore(181.2, across=0.6, snr=30.0, type="slag inclusion", iso6520="301"))])
    one, = weld.indications
    assert (one.film, one.seen_on, one.type) == ("B", ("A", "B"), "slag inclusion")
    assert "gas pore on A" in one.note


def test_neighbours_that_lie_apart_stay_two() -> None:
    weld = join_weld("W-017", [film("A", 0, 190, pore(180.0)), film("B", 170, 360, pore(180.0, across=4.0), pore(186.0))])
    assert [i.along_mm for i in weld.indications] == [180.0, 180.0, 186.0]
    assert [i.id for i in weld.indications] == [1, 2, 3]


def test_two_marks_of_one_film_are_never_merged() -> None:
    weld = join_weld("W-017", [film("A", 0, 190, pore(50.0), pore(51.0, across=0.5))])
    assert len(weld.indications) == 2


def test_dark_and_bright_at_one_place_stay_two() -> None:
    weld = join_weld("W-017", [film("A", 0, 190, pore(180.0)), film("B", 170, 360, pore(180.0, tone="bright"))])
    assert len(weld.indications) == 2


def test_a_line_cut_by_the_film_end_is_joined_to_its_whole_length() -> None:
    left = pore(175.0, size=30.0, type="incomplete root penetration", iso6520="4021", width_mm=0.8, snr=40.0)
    right = pore(195.0, size=50.0, type="incomplete root penetration", iso6520="4021", width_mm=0.8)
    weld = join_weld("W-017", [film("A", 0, 190, left), film("B", 170, 360, right)])
    one, = weld.indications
    # 160 to 190 on film A, 170 to 220 on film B: 160 to 220 on the weld.
    assert (one.along_mm, one.length_mm) == (pytest.approx(190.0), pytest.approx(60.0))


def shortened(reading: FilmReading, start: float, end: float) -> FilmReading:
    """The film with its picture as it was and its diagnostic length from `start` to `end`."""
    sheet = reading.worksheet
    arc = sheet.weld.arcs[0]
    assert arc.station_from_mm is not None
    assert arc.station_to_mm is not None
    less = replace(arc, station_from_mm=start, station_to_mm=end, station_mm=(arc.station_from_mm, arc.station_to_mm))
    return replace(reading, worksheet=replace(sheet, weld=replace(sheet.weld, arcs=(less,))))


def test_a_shorter_diagnostic_length_leaves_a_gap_and_its_marks_stay() -> None:
    weld = join_weld("W-017", [shortened(film("A", 0, 190, pore(185.0)), 5, 170), film("B", 180, LENGTH_MM + 10)])
    assert weld.gaps == (Stretch(170.0, 180.0),)
    one, = weld.indications
    assert (one.film, one.along_mm) == ("A", 185.0)
    assert "B covers the place and does not show it" in one.note


def test_a_plate_of_unknown_length_names_the_gap_between_its_films() -> None:
    """The cover of film A is shortened to 170; nobody knows how long the plate is, but 170 to 180 was not seen."""
    plates = []
    for reading in (shortened(film("A", 100, 190, pore(175.0)), 105, 170), film("B", 180, 360)):
        sheet = reading.worksheet
        plates.append(replace(reading, worksheet=replace(sheet, weld=replace(sheet.weld, joint="plate", length_mm=None, od_mm=None))))
    weld = join_weld("P-1", plates)
    assert weld.gaps == (Stretch(170.0, 180.0),)
    assert weld.covered == (Stretch(105.0, 170.0), Stretch(180.0, 360.0))
    situation = situation_from_job(Job(), weld)
    assert (situation.covered, situation.scope) == (((105.0, 170.0), (180.0, 360.0)), "film")
    assert not situation.shows(weld.indications[0])


def test_adjoining_films_that_share_too_little_are_told() -> None:
    """10 mm (from memory). B shares 4 mm with A, C shares 12 mm with B, A starts 15 mm before the end of C round the datum."""
    told = join_weld("W-017", [film("A", 0, 190), film("B", 186, 360), film("C", 348, LENGTH_MM + 15)]).history
    assert [line for line in told if "overlap" in line] == [
        "B: shares 4 mm with the film before it; 10 mm of overlap are asked (from memory; common to the testing standards; unverified)"]
    repair = join_weld("W-017", [film("A", 0, LENGTH_MM), film("A-R1", 100, 140, shot="R1")])
    assert not any("overlap" in line for line in repair.history)
    gap = join_weld("W-017", [film("A", 0, 190), film("B", 200, 360)])  # a gap is named as such
    assert not any("overlap" in line for line in gap.history)


def test_the_film_that_covers_the_place_speaks_for_it() -> None:
    weld = join_weld("W-017", [shortened(film("A", 0, 190, pore(185.0, snr=50.0)), 5, 170), film("B", 160, 360, pore(185.5, snr=12.0))])
    one, = weld.indications
    assert (one.film, one.seen_on, one.note) == ("B", ("A", "B"), "")


def test_a_line_cut_by_the_end_of_the_picture_is_joined_where_the_film_covers_less() -> None:
    left = pore(155.0, size=70.0, type="incomplete root penetration", iso6520="4021", width_mm=0.8, snr=40.0)
    right = pore(195.0, size=50.0, type="incomplete root penetration", iso6520="4021", width_mm=0.8)
    weld = join_weld("W-017", [shortened(film("A", 0, 190, left), 5, 170), film("B", 170, 360, right)])
    one, = weld.indications
    assert (one.along_mm, one.length_mm) == (pytest.approx(170.0), pytest.approx(100.0))  # 120 to 190 and 170 to 220


def test_an_indication_over_the_datum_is_one() -> None:
    weld = join_weld("W-017", [film("A", 0, 100, pore(0.4)), film("C", 400, 528.7, pore(528.3))])
    assert len(weld.indications) == 1


def test_gaps_are_named_and_a_full_ring_has_none() -> None:
    weld = join_weld("W-017", [film("A", 0, 190), film("B", 230, LENGTH_MM)])
    assert weld.gaps == (Stretch(190.0, 230.0),)
    assert weld.covered_mm == pytest.approx(LENGTH_MM - 40.0)
    assert join_weld("W-017", [film("A", 0, 300), film("B", 290, LENGTH_MM + 10)]).gaps == ()


def test_a_later_shot_replaces_the_stations_it_covers_and_the_history_says_so() -> None:
    weld = join_weld("W-017", [film("A", 0, LENGTH_MM, pore(50.0), pore(200.0)), film("A-R1", 180, 220, pore(210.0), shot="R1")])
    assert [i.along_mm for i in weld.indications] == [50.0, 210.0]
    assert any("A: 40 mm replaced by A-R1; 1 indications there no longer count" in line for line in weld.history)
    assert weld.gaps == ()


def test_a_line_partly_repaired_keeps_the_part_outside() -> None:
    line = pore(200.0, size=60.0, type="linear slag inclusion", iso6520="3011", width_mm=1.0)
    weld = join_weld("W-017", [film("A", 0, LENGTH_MM, line), film("A-R1", 180, 240, shot="R1")])
    one, = weld.indications
    # The line ran from 170 to 230; the new film shows 180 to 240.
    assert (one.along_mm, one.length_mm) == (pytest.approx(175.0), pytest.approx(10.0))


def test_a_film_that_may_not_be_judged_covers_nothing() -> None:
    weld = join_weld("W-017", [film("A", 0, 300, pore(20.0), readable=False), film("B", 290, LENGTH_MM)])
    assert weld.gaps == (Stretch(0.0, 290.0),)
    assert weld.indications == ()
    assert any("A: may not be judged" in line for line in weld.history)


def test_a_film_whose_stations_count_from_its_own_end_is_not_placed_among_others() -> None:
    loose = film("B", 0, 240)
    location = LocationFacts(stations_from_datum=False)
    loose = replace(loose, worksheet=replace(loose.worksheet, weld=replace(loose.worksheet.weld, location=location)))
    weld = join_weld("W-017", [film("A", 0, 190), loose])
    assert weld.gaps == (Stretch(190.0, LENGTH_MM),)
    assert any("B: its place on the weld is not known" in line for line in weld.history)


def test_a_mark_on_one_film_of_a_holder_is_an_artefact() -> None:
    first = replace(film("A", 0, LENGTH_MM, pore(50.0), pore(90.0), pore(120.0, snr=40.0)), segment="0-1")
    second = replace(film("A2", 0, LENGTH_MM, pore(50.4), pore(90.4)), segment="0-1")
    weld = join_weld("W-017", [first, second])
    assert len(weld.indications) == 2
    assert "A: mark 3 is on one film of the holder only, an artefact" in weld.history
    assert len(join_weld("W-017", [replace(first, segment="0-2"), second]).indications) == 3


def test_films_that_disagree_about_the_wall_leave_it_unknown() -> None:
    other = film("B", 170, 360)
    other = replace(other, worksheet=replace(other.worksheet, weld=replace(other.worksheet.weld, wall_mm=8.0)))
    assert join_weld("W-017", [film("A", 0, 190), other]).weld.wall_mm is None


def test_shifting_every_station_round_the_ring_changes_no_count() -> None:
    def joined(shift: float) -> tuple[int, float | None]:
        one, same, other = (pore((shift + along) % LENGTH_MM) for along in (180.0, 181.0, 300.0))
        weld = join_weld("W-017", [film("A", shift, shift + 190, one), film("B", shift + 170, shift + 360, same, other)])
        return len(weld.indications), weld.covered_mm

    for shift in (100.0, 340.0, 350.0, 520.0):
        assert joined(shift)[0] == joined(0.0)[0] == 2
        assert joined(shift)[1] == pytest.approx(joined(0.0)[1])
