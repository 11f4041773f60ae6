"""The film quality page of a film with a hole plaque: holes in table, text and picture; everything from outside escaped."""

from __future__ import annotations

import numpy as np

from rtscan.film import Film
from rtscan.findings import FilmFacts
from rtscan.quality_records import FilmQuality, HoleSeen, PlaqueSeen
from rtscan.report.quality_page import quality_html, quality_lines


def test_holes_are_listed_and_drawn() -> None:
    facts = FilmFacts(file="<b>.tif", width_px=300, height_px=120)
    holes = (HoleSeen("4T", 1.27, True, 19.8, 0.104, (150.0, 60.0)), HoleSeen("1T", 0.3175, False, 4.1, 0.09, (200.0, 60.0)))
    corners = ((40.0, 20.0), (260.0, 20.0), (260.0, 100.0), (40.0, 100.0))
    record = FilmQuality(film=facts, iqi="hole 12", plaque=PlaqueSeen(12, 0.3175, 0.107, corners, holes))
    film = Film(facts, np.random.default_rng(1).normal(2, 0.05, (120, 300)).astype(np.float32), np.ones((120, 300), dtype=bool))
    assert "  holes of plaque No. 12 (signal-to-noise): 4T seen (19.8), 1T not seen (4.1)" in quality_lines(record)
    page = quality_html(record, film)
    assert "Holes of plaque No. 12" in page
    assert "<td>1T</td>" in page
    assert "<b>.tif" not in page
    bare = quality_html(FilmQuality(film=facts), film)
    assert "plaque" not in bare
    assert len(bare) < len(page)
