"""Groove, cap, fill runs, tacks and seams: shapes against closed forms, before any ray."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from rtscan.film import F64
from rtscan.simulate.anatomy import ACROSS_STEP_MM, ALONG_STEP_MM, WallRelief, make_relief
from rtscan.simulate.groove import OVERLAP_MM, cap_width_mm, face_mm, face_slope, lean_mm
from rtscan.simulate.hand import OVER_EDGE_MM
from rtscan.simulate.recipe import ImperfectionPart, Recipe, WeldPart
from rtscan.simulate.render import expose

PLATE = {"wall_mm": 14.0, "gap_mm": 2.0, "land_mm": 2.0, "roughness": 0.0, "ripple_mm": 0.02, "root_height_mm": 0.8}


def relief_of(seed: int = 1, length: float = 120.0, **weld: object) -> tuple[WallRelief, F64, F64]:
    """Relief of a straight weld with its stations and places across."""
    part = WeldPart.model_validate(PLATE | weld)
    relief = make_relief(part, np.zeros(int(length / ALONG_STEP_MM)), 0.0, np.random.default_rng(seed), 45.0)
    rows = relief.external.height.shape[0]
    return relief, relief.along, -relief.external.half_mm + ACROSS_STEP_MM * np.arange(rows)


def test_faces_of_a_v() -> None:
    weld = WeldPart.model_validate(PLATE | {"bevel_deg": 30.0})
    assert face_mm(weld, 0.0, "right") == pytest.approx(1.0 + np.tan(np.deg2rad(30)) * 12.0)
    assert face_mm(weld, 13.0, "left") == pytest.approx(-1.0)
    assert face_slope(weld, 5.0, "left") == pytest.approx(np.tan(np.deg2rad(30)))
    assert cap_width_mm(weld) == pytest.approx(2 * (1.0 + np.tan(np.deg2rad(30)) * 12.0) + 2 * OVERLAP_MM)


def test_faces_of_a_u_are_a_circle_and_its_tangent() -> None:
    """Radius 5 from the land; above the point where the circle has the bevel's direction, a straight face without a kink."""
    weld = WeldPart.model_validate(PLATE | {"preparation": "U", "bevel_deg": 10.0})
    assert face_mm(weld, 12.0 - 2.0, "right") == pytest.approx(1.0 + np.sqrt(5.0**2 - 3.0**2))
    meets = 12.0 - 5.0 * (1 - np.sin(np.deg2rad(10)))
    assert face_slope(weld, meets - 0.2, "right") == pytest.approx(-np.tan(np.deg2rad(10)), rel=1e-6)
    assert face_slope(weld, meets + 0.2, "right") == pytest.approx(-np.tan(np.deg2rad(10)), abs=0.06)  # bends by 0.2 mm / 5 mm
    assert face_mm(weld, 3.0, "left") == -face_mm(weld, 3.0, "right")


def test_a_j_is_one_sided() -> None:
    """One plate is square, the other machined as a U; the cap lies over the groove, so the root is off its middle."""
    j = WeldPart.model_validate(PLATE | {"preparation": "J", "bevel_deg": 12.0})
    u = WeldPart.model_validate(PLATE | {"preparation": "U", "bevel_deg": 12.0})
    for depth in (0.0, 4.0, 9.0, 13.5):
        assert face_mm(j, depth, "left") == -1.0
        assert face_mm(j, depth, "right") == face_mm(u, depth, "right")
    assert face_slope(j, 6.0, "left") == 0.0
    relief, _, _ = relief_of(preparation="J", bevel_deg=12.0)
    assert float(np.mean(relief.centre - relief.root_centre)) == pytest.approx(lean_mm(j), abs=0.01)
    assert lean_mm(j) > 2.0


@pytest.mark.parametrize(("width", "runs"), [(7.0, 1), (12.5, 2), (19.0, 3)])
def test_a_groove_without_cap_shows_the_runs_of_its_last_layer(width: float, runs: int) -> None:
    relief, _, across = relief_of(cap_height_mm=-1.5, cap_width_mm=width)
    profile = relief.external.height.mean(axis=1)
    inside = np.abs(across) < 0.5 * width - 1.0
    assert np.all(profile <= 0)
    assert np.all(profile[np.abs(across) > 0.5 * width + 0.3] > -0.05)
    peaks, _ = find_peaks(profile[inside], prominence=0.05)
    assert len(peaks) == runs
    assert profile[inside].max() == pytest.approx(-1.5, abs=0.3)  # the runs end at the height asked for


def test_a_tack_is_a_bead_of_its_own_with_ground_ends() -> None:
    plain, along, across = relief_of(seed=4)
    tacked, _, _ = relief_of(seed=4, tacks_mm=[60.0])
    middle = np.argmin(np.abs(across))
    before, after = plain.internal.height[middle], tacked.internal.height[middle]
    far = np.abs(along - 60.0) > 17.0
    assert np.array_equal(before[far], after[far])
    near = np.abs(along - 60.0) < 2.0
    assert after[near].mean() > before[near].mean() + 0.1
    length = np.ptp(along[np.abs(after - before) > 0.02])
    assert 10.0 < length < 30.0
    ends = np.abs(np.gradient(after, along))  # feathered: no step, at most the full height over 2 mm and the ripple
    assert ends[np.abs(along - 60.0) < 17.0].max() < 0.8


def test_seams_of_a_pipe_lie_square_to_the_weld() -> None:
    """The first ends at the left of the weld, the second at its right; each as wide and high as asked, ground flush at the weld."""
    extra = {"od_mm": 219.1, "seams_mm": [30.0, 80.0], "seam_width_mm": 12.0, "seam_height_mm": 2.0}
    relief, along, across = relief_of(**extra)
    assert relief.external.half_mm == 45.0
    for seam, side in ((30.0, -1.0), (80.0, 1.0)):
        row = relief.external.height[np.argmin(np.abs(across - side * 40.0))]
        assert row.max() == pytest.approx(2.0, rel=0.15)
        assert float(np.average(along, weights=row)) == pytest.approx(seam, abs=0.3)
        assert np.count_nonzero(row > 0.1) * ALONG_STEP_MM == pytest.approx(12.0, rel=0.12)
        other = relief.external.height[np.argmin(np.abs(across + side * 40.0))]
        assert other[np.abs(along - seam) < 6].max() == 0.0
        toe = relief.left if side < 0 else relief.right
        at_toe = np.argmin(np.abs(across - (np.interp(seam, along, toe) + side * 0.5)))
        assert relief.external.height[at_toe, np.argmin(np.abs(along - seam))] < 0.6
    assert not np.array_equal(relief.internal.height, relief_of(od_mm=219.1)[0].internal.height)


def test_seams_need_a_pipe() -> None:
    with pytest.raises(ValueError, match="seams of a pipe"):
        Recipe.model_validate({"weld": {"seams_mm": [10.0]}})


def test_under_a_missing_cap_the_fill_runs_show() -> None:
    """What the runs of the last layer fill of the empty groove, in the film's own metal: as many ridges across as runs, 0.1 mm or more."""
    weld = {"wall_mm": 18.0, "cap_width_mm": 18.0, "roughness": 0.0, "ripple_mm": 0.02, "root_height_mm": 0.0}
    film = {"width_mm": 60.0, "height_mm": 40.0}
    flaw = ImperfectionPart(type="incompletely filled groove", along_mm=120.0, length_mm=40.0, height_mm=2.0, width_mm=15.0)
    voids = {}
    for runs in (1, 3):
        table = {"weld": weld | {"fill_runs": runs}, "film": film, "scan": {"pixels_per_mm": 10.0}, "imperfections": [flaw]}
        seen = expose(Recipe.model_validate(table), np.random.default_rng(2)).flaws[0]
        voids[runs] = -seen.sharp[:, 180:220].mean(axis=1)
    across = (np.arange(voids[1].size) - 0.5 * voids[1].size) / 10.0
    inside = np.abs(across) < 6.5
    smooth = np.polynomial.Polynomial.fit(across[inside], voids[3][inside], 4)(across[inside])
    ridges = find_peaks(smooth - voids[3][inside], prominence=0.1)[0]
    assert len(ridges) == 3
    assert np.diff(across[inside][ridges]) == pytest.approx([5.0, 5.0], abs=0.8)  # 15 mm for three, less the waver
    lone = np.polynomial.Polynomial.fit(across[inside], voids[1][inside], 4)(across[inside])
    assert len(find_peaks(lone - voids[1][inside], prominence=0.1)[0]) <= 1


def test_an_unsteady_hand_lays_an_uneven_bead_of_the_same_width() -> None:
    """Its crest rises and sinks over centimetres, the metal stays between the edges, and on the whole no more or less is laid."""
    steady, _, across = relief_of(length=240.0, cap_height_mm=2.0, stops_mm=())
    shaken, _, _ = relief_of(length=240.0, cap_height_mm=2.0, stops_mm=(), hand=1.0)
    one, other = steady.external.height, shaken.external.height
    reach = OVER_EDGE_MM + 0.5  # the toe of a drop is rounded by up to 0.5 mm
    beyond = np.abs(across)[:, None] > 0.5 * cap_width_mm(WeldPart.model_validate(PLATE)) + reach
    assert float(other[np.broadcast_to(beyond, other.shape)].max()) == pytest.approx(0.0, abs=1e-6)
    assert float(other.min()) >= 0.0
    assert float(np.std(other.max(axis=0))) > 5 * float(np.std(one.max(axis=0)))
    assert 0.7 < float(other.mean() / one.mean()) < 1.5  # levels spread by 0.3; ridges and drops add metal
