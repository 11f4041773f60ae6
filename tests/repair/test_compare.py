"""Gone is only said of what the second film could have shown."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rtscan.errors import ListError
from rtscan.findings import DetectionLimit, FilmOfWeld, Quality, Stretch, WeldArc, WeldDocument, Worksheet
from rtscan.repair.compare import compare

ROUND = math.pi * 168.3


def test_gone_still_there_and_new(weld_document: WeldDocument) -> None:
    slag, pore, *_ = weld_document.indications
    moved = replace(slag, id=1, along_mm=102.0, across_mm=2.1, length_mm=27.0)
    fresh = replace(pore, id=2, along_mm=180.0)
    after = replace(weld_document, indications=(moved, fresh), removal=(), findings=(), verdict="review")
    found = compare(weld_document, after)
    assert [(b.id, a.id) for b, a in found.still_there] == [(1, 1)]
    assert [i.id for i in found.gone] == [2, 3, 4, 5, 6]
    assert [i.along_mm for i in found.new] == [180.0]
    assert not found.removed_gone


def test_all_removed(weld_document: WeldDocument) -> None:
    after = replace(weld_document, indications=(weld_document.indications[4],), removal=(), verdict="accept")
    found = compare(weld_document, after)
    assert found.removed_gone
    assert found.new == ()


def test_over_the_datum(weld_document: WeldDocument) -> None:
    crack = weld_document.indications[5]
    after = replace(weld_document, indications=(replace(crack, id=9, along_mm=(525.0 + 6.0) % ROUND),))
    assert [(b.id, a.id) for b, a in compare(weld_document, after).still_there] == [(6, 9)]


def test_not_gone_where_the_second_film_does_not_look(weld_document: WeldDocument, worksheet: Worksheet) -> None:
    """The film shows 60 to 260 mm; the root flaw at 253 to 275 mm is only partly on it."""
    found = compare(weld_document, replace(worksheet, indications=(), removal=()))
    assert [i.id for i in found.gone] == [1, 2]
    assert {i.id: why for i, why in found.not_seen} == dict.fromkeys((3, 4, 5, 6), "the second film does not show that place")
    assert not found.removed_gone


def test_film_over_the_datum_shows_both_sides_of_it(weld_document: WeldDocument, worksheet: Worksheet) -> None:
    arc = replace(worksheet.weld.arcs[0], station_from_mm=480.0, station_to_mm=40.0)
    after = replace(worksheet, weld=replace(worksheet.weld, arcs=(arc,)), indications=(), removal=())
    assert [i.id for i in compare(weld_document, after).gone] == [6]


def test_not_gone_on_an_unreadable_or_too_coarse_film(weld_document: WeldDocument) -> None:
    blind = tuple(replace(f, quality=Quality(readable=False)) for f in weld_document.films)
    found = compare(weld_document, replace(weld_document, films=blind, indications=()))
    assert found.gone == ()
    assert {why for _, why in found.not_seen} == {"the second film is not fit to judge"}
    coarse = tuple(replace(f, quality=Quality(detection_limit=DetectionLimit(1.5, 0.9))) for f in weld_document.films)
    found = compare(weld_document, replace(weld_document, films=coarse, indications=()))
    assert [i.id for i in found.gone] == [1, 2, 3, 4]  # the 1.0 mm pore and the 0.4 mm crack lie below the limit
    assert [i.id for i, _ in found.not_seen] == [5, 6]


def test_later_shot_counts_only_for_its_stretch(weld_document: WeldDocument) -> None:
    old = replace(weld_document.films[0], stretches=(Stretch(0.0, 50.0),))
    shot = FilmOfWeld(weld_document.films[0].film, Quality(readable=False), 50.0, 190.0, shot="R1", stretches=(Stretch(50.0, 190.0),))
    after = replace(weld_document, films=(old, shot), indications=())
    assert 1 not in {i.id for i in compare(weld_document, after).gone}


def test_other_wall_or_tone_is_another_mark(weld_document: WeldDocument) -> None:
    pore = weld_document.indications[1]
    before = replace(weld_document, indications=(replace(pore, wall="film"),), removal=())
    after = replace(weld_document, indications=(replace(pore, wall="source"),))
    assert compare(before, after).still_there == ()
    assert compare(before, replace(after, indications=(replace(pore, wall="film", tone="bright"),))).still_there == ()


def test_other_welds_and_datums_are_refused(weld_document: WeldDocument) -> None:
    with pytest.raises(ListError, match="one weld"):
        compare(weld_document, replace(weld_document, weld=replace(weld_document.weld, name="W-018")))
    elsewhere = replace(weld_document.weld, location=replace(weld_document.weld.location, datum="lug"))
    with pytest.raises(ListError, match="datum"):
        compare(weld_document, replace(weld_document, weld=elsewhere))


def test_arc_of_the_other_wall_does_not_cover(worksheet: Worksheet) -> None:
    mark = replace(worksheet.indications[0], wall="film")
    arc = WeldArc("source", (), (), (), 60.0, 260.0)
    after = replace(worksheet, weld=replace(worksheet.weld, arcs=(arc,)), indications=(), removal=())
    assert compare(replace(worksheet, indications=(mark,)), after).gone == ()
