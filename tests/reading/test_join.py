"""Pieces of one long place are joined; pores, separate places and interruptions stay apart."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np
import pytest

from rtscan.reading.caliper import measure_outline
from rtscan.reading.candidates import Candidate, Search
from rtscan.reading.join import PORE_KIND, join
from rtscan.reading.net import OUTPUTS
from rtscan.reading.trace import trace

ROWS, COLUMNS = 60, 200
PITCH, BLUR, GRAIN = 20.0, 2.0, 0.03


def candidate(top: int, left: int, rows: int, columns: int, snr: float = 10.0) -> Candidate:
    mask = np.ones((rows, columns), bool)
    return Candidate("dark", top, left, snr, "line", 0, 1.0, 0.3, 0.0, 0.1, 0.05, 1, top, left, mask, (snr,))


def searched(candidates: list[Candidate], place: np.ndarray, pores: tuple[int, ...] = (), residual: np.ndarray | None = None) -> Search:
    seen = np.zeros((len(OUTPUTS), ROWS, COLUMNS), np.float32)
    seen[0] = place
    seen[2 + OUTPUTS[2:].index("crack")] = 0.5 * place
    for k in pores:
        c = candidates[k]
        seen[2 + PORE_KIND, c.top : c.top + c.mask.shape[0], c.left : c.left + c.mask.shape[1]] = 0.9
    grey = (0.1 * place if residual is None else residual).astype(np.float32)
    grid = SimpleNamespace(per_mm=10.0, noise=np.full(grey.shape, 0.02, np.float32))
    return cast(Search, SimpleNamespace(candidates=tuple(candidates), seen=seen, grid=grid, smooth=(grey, grey)))


def features(candidates: list[Candidate]) -> list[dict[str, float]]:
    return [{"aspect": max(c.mask.shape) / min(c.mask.shape)} for c in candidates]


def members(search: Search, candidates: list[Candidate]) -> set[tuple[int, ...]]:
    return {p.members for p in join(search, range(len(candidates)), features(candidates))}


def wave(shape: tuple[int, int] = (ROWS, COLUMNS)) -> np.ndarray:
    place = np.zeros(shape, np.float32)
    x = np.arange(20, 180)
    at = np.stack([x, 30 + 4 * np.sin(x / 15)], axis=1).round().astype(np.int32)
    cv2.polylines(place, [at], False, 0.9, 5)
    return place


def test_pieces_of_a_wavy_line_become_one() -> None:
    pieces = [candidate(32, 25, 4, 20), candidate(28, 80, 4, 20), candidate(28, 140, 4, 25)]
    search = searched(pieces, wave())
    (one,) = join(search, range(3), features(pieces))
    assert (one.members, one.long, one.candidate.shape) == ((0, 1, 2), True, "line")
    assert one.sure == pytest.approx(164, abs=4)  # the place itself: 160 columns and the stroke's round ends
    assert one.candidate.mask.shape[1] == pytest.approx(160, abs=8)  # the place and the stroke's round ends


def slants(rows: tuple[int, ...], depth: float = 0.1) -> tuple[np.ndarray, list[Candidate]]:
    """Upright bars 20 x 4 pixels, 10 apart, and the candidates on them."""
    residual = np.zeros((ROWS, COLUMNS), np.float32)
    for k, top in enumerate(rows):
        residual[top : top + 20, 60 + 14 * k : 64 + 14 * k] = depth
    return residual, [candidate(top, 60 + 14 * k, 20, 4) for k, top in enumerate(rows)]


def test_worm_holes_side_by_side_that_the_network_sees_as_one_stay_apart() -> None:
    residual, pieces = slants((20, 20, 20))
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[30:42, 20:160] = 0.9  # a band through all of them
    pairs = join(searched(pieces, place, residual=residual), range(3), features(pieces))
    assert {p.members for p in pairs} == {(0,), (1,), (2,)}


def test_pieces_in_line_are_one_though_the_residual_sinks_between_them() -> None:
    residual = np.zeros((ROWS, COLUMNS), np.float32)
    residual[30:34, 40:70] = residual[31:35, 80:110] = 0.1
    pieces = [candidate(30, 40, 4, 30), candidate(31, 80, 4, 30)]
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[29:36, 36:114] = 0.9
    assert members(searched(pieces, place, residual=residual), pieces) == {(0, 1)}


def test_grain_parts_no_faint_line() -> None:
    residual, pieces = slants((20, 20), depth=0.009)  # less than half the noise of a grid pixel: the gap proves nothing
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[30:42, 20:160] = 0.9
    assert members(searched(pieces, place, residual=residual), pieces) == {(0, 1)}


def test_a_peak_that_falls_off_on_all_sides_is_a_spot_whatever_the_network_calls_it() -> None:
    residual = np.zeros((ROWS, COLUMNS), np.float32)
    residual[30:34, 20:120] = 0.1
    residual[27:37, 60:70] = 0.4
    pieces = [candidate(30, 20, 4, 100), candidate(27, 60, 10, 10)]
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[26:38, 18:122] = 0.9
    assert members(searched(pieces, place, residual=residual), pieces) == {(0,), (1,)}


def test_a_gap_in_the_place_keeps_the_pieces_apart() -> None:
    place = wave()
    place[:, 95:110] = 0.05
    pieces = [candidate(32, 25, 4, 20), candidate(28, 140, 4, 25)]
    assert members(searched(pieces, place), pieces) == {(0,), (1,)}


def test_two_pores_in_one_place_stay_two() -> None:
    pieces = [candidate(26, 60, 8, 8), candidate(26, 76, 8, 8)]
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[25:35, 58:88] = 0.9
    assert members(searched(pieces, place, (0, 1)), pieces) == {(0,), (1,)}


def test_a_piece_reaches_as_far_as_its_place_is_sure_though_another_lies_beside_it() -> None:
    place, residual = np.zeros((ROWS, COLUMNS), np.float32), np.zeros((ROWS, COLUMNS), np.float32)
    place[20:34, 10:190] = 0.9
    residual[30:32, 30:50] = residual[30:32, 60:80] = residual[22:24, 40:60] = 0.1  # two in line, and nothing between them and the third
    pieces = [candidate(30, 30, 2, 20), candidate(30, 60, 2, 20), candidate(22, 40, 2, 20)]
    found = {p.members: p.candidate for p in join(searched(pieces, place, residual=residual), range(3), features(pieces))}
    assert set(found) == {(0, 1), (2,)}
    assert found[0, 1].left + found[0, 1].mask.shape[1] >= 188


def test_a_line_is_not_followed_into_the_pore_at_its_end_but_through_the_one_on_it() -> None:
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[28:34, 20:190] = 0.9
    line, on_it, rest, at_end = candidate(30, 25, 2, 45), candidate(27, 74, 8, 8), candidate(30, 86, 2, 54), candidate(27, 165, 8, 8)
    pieces = [line, on_it, rest, at_end]
    (one,) = [p for p in join(searched(pieces, place, (1, 3)), range(4), features(pieces)) if p.members == (0, 2)]
    first, last = one.candidate.left, one.candidate.left + one.candidate.mask.shape[1]
    assert first < 22
    assert 140 <= last < 160  # halfway between the line's own last column, 139, and the pore's first


def test_a_pore_on_a_line_stays_by_itself_and_its_pixels_with_it() -> None:
    pieces = [candidate(26, 100, 8, 8, 40.0), candidate(32, 25, 4, 20), candidate(28, 140, 4, 25)]
    search = searched(pieces, wave(), (0,))
    found = join(search, range(3), features(pieces))
    assert {p.members for p in found} == {(0,), (1, 2)}
    line = next(p.candidate for p in found if p.long)
    assert not line.mask[26 - line.top : 34 - line.top, 100 - line.left : 108 - line.left].any()


def soft(place: np.ndarray, candidates: list[Candidate], kind: str) -> Search:
    search = searched(candidates, place)
    search.seen[2 + OUTPUTS[2:].index("crack")] = 0
    search.seen[2 + OUTPUTS[2:].index(kind)] = place
    return search


@pytest.mark.parametrize(("kind", "size", "expected"), [
    ("concavity", 40, {(0, 1)}), ("slag", 40, {(0,), (1,)}), ("concavity", 14, {(0,), (1,)}),
])
def test_pieces_of_a_wide_soft_place_become_one(kind: str, size: int, expected: set[tuple[int, ...]]) -> None:
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[10 : 10 + size, 60 : 60 + size] = 0.9
    pieces = [candidate(12, 62, 4, 4), candidate(18, 66, 4, 4)]
    found = join(soft(place, pieces, kind), range(2), features(pieces))
    assert {p.members for p in found} == expected
    assert all(p.wide == (len(p.members) == 2) and not p.long for p in found)


def long_place(kind: str, sure: float = 0.9, last: int = 180) -> tuple[Search, list[Candidate]]:
    """A place from column 20 on, 24 rows high, its own candidate, two patches in it that the background has left, and a pore."""
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[20:44, 20:last] = sure
    pieces = [replace(candidate(20, 20, 24, last - 20, 12.0), of_network=True), candidate(24, 30, 10, 14, 12.0), candidate(24, 90, 12, 12),
              candidate(36, 60, 5, 5, 9.0)]
    search = soft(place, pieces, kind)
    c = pieces[3]
    search.seen[2 + PORE_KIND, c.top : c.top + 5, c.left : c.left + 5] = 0.95
    return search, pieces


@pytest.mark.parametrize("kind", ["concavity", "lack of penetration"])
def test_a_sure_place_longer_than_the_background_bears_is_one_and_a_pore_in_it_its_own(kind: str) -> None:
    search, pieces = long_place(kind)
    found = join(search, range(4), features(pieces))
    assert {p.members for p in found} == {(0,), (3,)}
    whole = next(p for p in found if p.members == (0,))
    assert (whole.long, whole.wide) == (True, kind == "concavity")
    assert whole.candidate.mask.shape[1] == pytest.approx(160, abs=8)


@pytest.mark.parametrize(("sure", "last"), [(0.6, 180), (0.9, 120)])
def test_a_shorter_or_less_sure_place_is_told_by_its_pieces(sure: float, last: int) -> None:
    search, pieces = long_place("lack of penetration", sure, last)  # 0.6: below the core's bar; 120: 10 mm long
    assert {p.members for p in join(search, range(4), features(pieces))} == {(1, 2), (3,)}


def test_neighbours_of_two_kinds_in_one_long_place_are_told_by_their_pieces() -> None:
    search, pieces = long_place("undercut")
    search.seen[2 + OUTPUTS[2:].index("undercut"), :, :100], search.seen[2 + OUTPUTS[2:].index("slag"), :, :100] = 0.0, 0.9
    assert (0,) not in {p.members for p in join(search, range(4), features(pieces))}


def test_a_long_bright_place_is_told_by_its_pieces() -> None:
    search, pieces = long_place("excess metal")
    search.seen[:2] = search.seen[1::-1].copy()
    search = cast(Search, SimpleNamespace(**{**vars(search), "candidates": tuple(replace(c, tone="bright") for c in pieces)}))
    assert (0,) not in {p.members for p in join(search, range(4), features(pieces))}


def test_a_long_crack_in_a_soft_flaw_stays_and_a_crumb_of_one_does_not() -> None:
    search, pieces = long_place("concavity")
    pieces += [candidate(22, 110, 3, 40), candidate(40, 110, 3, 8)]
    for c in pieces[4:]:
        search.seen[2 + OUTPUTS[2:].index("crack"), c.top : c.top + 3, c.left : c.left + c.mask.shape[1]] = 0.95
    search = cast(Search, SimpleNamespace(**{**vars(search), "candidates": tuple(pieces)}))
    assert {p.members for p in join(search, range(6), features(pieces))} == {(0,), (3,), (4,)}


def test_a_pore_that_sprawls_is_cut_to_where_the_network_is_sure() -> None:
    pieces = [candidate(20, 100, 20, 10)]
    place = np.zeros((ROWS, COLUMNS), np.float32)
    place[20:40, 99:111] = 0.5
    place[30:40, 99:111] = 0.9
    (one,) = join(searched(pieces, place, (0,)), range(1), features(pieces))
    assert (one.candidate.top, one.candidate.mask.shape) == (29, (11, 10))  # the sure rows and one more


def test_the_two_tones_never_join() -> None:
    pieces = [candidate(32, 25, 4, 20), candidate(28, 140, 4, 25)]
    light = Candidate(**{**{k: getattr(pieces[1], k) for k in pieces[1].__dataclass_fields__}, "tone": "bright"})
    assert members(searched([pieces[0], light], wave()), [pieces[0], light]) == {(0,), (1,)}


def test_a_line_across_another_is_one_by_itself_and_the_other_keeps_none_of_it() -> None:
    place = wave()
    place[2:58, 100:104] = 0.9
    pieces = [candidate(32, 25, 4, 20), candidate(4, 100, 20, 4), candidate(50, 100, 4, 4)]
    along, across = sorted(join(searched(pieces, place), range(3), features(pieces)), key=lambda p: p.members)
    assert (along.members, across.members) == ((0,), (1, 2))
    assert across.candidate.mask.shape[0] == pytest.approx(56, abs=3)  # the stroke and the rim of a place
    assert along.candidate.mask.shape[0] < 20  # the wave: 4 pixels up and down and the stroke
    assert along.candidate.mask.shape[1] == pytest.approx(160, abs=8)  # goes on beyond the line across it


def test_upright_worm_holes_leave_the_line_along_the_weld_together() -> None:
    place = wave()
    place[2:58, 60:64] = place[2:58, 140:144] = 0.9
    pieces = [candidate(32, 95, 4, 20), candidate(4, 60, 20, 4), candidate(4, 140, 20, 4)]
    assert members(searched(pieces, place), pieces) == {(0,), (1,), (2,)}


def test_a_line_across_that_a_spot_covers_takes_nothing_of_the_place() -> None:
    place = wave()
    place[2:58, 100:104] = 0.9
    pieces = [candidate(32, 25, 4, 20), candidate(4, 100, 20, 4), candidate(2, 96, 24, 12)]
    found = join(searched(pieces, place, pores=(2,)), range(3), [*features(pieces)[:2], {"aspect": 1.2}])
    assert {p.members for p in found} == {(0,), (1,), (2,)}
    assert all(p.candidate.mask.any() for p in found)


def bar(length_mm: float, width_mm: float, gap_mm: float, seed: int, wavy_mm: float = 0.0, height: float = 0.2) -> tuple[Any, np.ndarray]:
    """Picture and patch of a strip with rounded cross-section on grain, with a gap in its middle."""
    rows, columns = np.mgrid[0:120, 0:600].astype(float)
    x = (columns - 300) / PITCH
    y = (rows - 60) / PITCH - wavy_mm * np.sin(x)
    solid = (np.abs(x) <= length_mm / 2) & (np.abs(x) >= gap_mm / 2)
    body = np.where(solid, np.sqrt(np.maximum(0, 1 - (2 * y / width_mm) ** 2)), 0)
    grain = GRAIN * np.random.default_rng(seed).standard_normal(body.shape)
    image = (height * cv2.GaussianBlur(body, (0, 0), BLUR) + cv2.GaussianBlur(grain, (0, 0), 0.8)).astype(np.float32)
    patch = (np.abs(x) <= length_mm / 2 + 0.1) & (np.abs(y) <= width_mm / 2 + 0.3)
    return image, patch


def test_a_ridge_that_sinks_into_the_noise_is_two_and_one_that_does_not_is_one() -> None:
    assert len(trace(*bar(20.0, 0.6, 2.0, 1), PITCH, BLUR)) == 2
    assert len(trace(*bar(20.0, 0.6, 0.3, 1), PITCH, BLUR)) == 1  # shorter than the least gap
    assert len(trace(*bar(20.0, 0.6, 0.0, 1, height=0.06), PITCH, BLUR)) == 1  # weak all along is not interrupted


def test_a_gap_that_the_network_sees_across_is_none() -> None:
    image, patch = bar(20.0, 0.6, 2.0, 1)
    sure = np.where(patch, np.float32(0.9), np.float32(0.0))
    assert len(trace(image, patch, PITCH, BLUR, sure=sure)) == 1
    sure[:, 295:305] = 0.1
    assert len(trace(image, patch, PITCH, BLUR, sure=sure)) == 2


def test_a_line_ends_where_the_network_grows_unsure() -> None:
    image, patch = bar(12.0, 0.6, 0.0, 1)
    long = cv2.dilate(patch.astype(np.uint8), np.ones((1, 2 * 40 + 1), np.uint8)) > 0  # 2 mm of grain at each end
    sure = np.where(patch, np.float32(0.9), np.where(long, np.float32(0.5), np.float32(0.0)))
    (stretch,) = trace(image, long, PITCH, BLUR, sure=sure)
    assert measure_outline(stretch.outline / PITCH).length == pytest.approx(12.2, abs=0.2)  # the patch is 0.1 mm longer at each end


def test_a_square_end_lies_at_the_toe_though_the_network_be_sure_beyond_it() -> None:
    image, patch = bar(12.0, 0.6, 0.0, 1)
    place = cv2.dilate(patch.astype(np.uint8), np.ones((1, 2 * 6 + 1), np.uint8)) > 0  # 0.3 mm more at each end, 0.4 with the patch's own
    (stretch,) = trace(image, place, PITCH, BLUR, sure=np.where(place, np.float32(0.9), np.float32(0.0)))
    assert measure_outline(stretch.outline / PITCH).length == pytest.approx(12.0, abs=0.2)


def test_the_network_leads_where_grain_hides_the_ridge() -> None:
    image, patch = bar(20.0, 0.6, 0.0, 1, height=0.0)
    rows = np.mgrid[0:120, 0:600][0]
    sure = np.exp(-0.5 * ((rows - 70) / 3.0) ** 2).astype(np.float32)
    (stretch,) = trace(image, cv2.dilate(patch.astype(np.uint8), np.ones((41, 1), np.uint8)) > 0, PITCH, BLUR, sure=sure)
    assert np.median(stretch.path[:, 1]) == pytest.approx(70, abs=2)


def test_nothing_without_a_direction() -> None:
    assert trace(np.ones((40, 40), np.float32), np.ones((40, 40), bool), PITCH, BLUR) == ()


@pytest.mark.parametrize("wavy", [0.0, 0.3])
@pytest.mark.parametrize(("length", "width"), [(8.0, 0.5), (14.0, 0.9), (20.0, 0.3)])
def test_the_stated_interval_covers_the_drawn_size(length: float, width: float, wavy: float) -> None:
    hits = []
    for seed in range(5):
        (stretch,) = trace(*bar(length, width, 0.0, seed, wavy), PITCH, BLUR)
        sizes = measure_outline(stretch.outline / PITCH)
        end = 2 * np.sqrt(2) * stretch.end_doubt / PITCH
        side = 2 * stretch.width_doubt / PITCH
        hits.append((abs(sizes.length - length) <= end, abs(sizes.inner - width) <= side))
    # k = 2 is 95 %: of five draws four, so that one in twenty does not fail the test
    assert np.sum(hits, axis=0).min() >= 4


def test_a_line_that_pores_cover_from_end_to_end_leaves_its_piece_as_it_is() -> None:
    pores = [candidate(20, left, 20, 20) for left in range(0, 200, 20)]
    pieces = [candidate(28, 80, 4, 20, snr=30.0), *pores]
    pairs = join(searched(pieces, wave(), pores=tuple(range(1, len(pieces)))), range(len(pieces)), features(pieces))
    assert {p.members for p in pairs} == {(k,) for k in range(len(pieces))}
