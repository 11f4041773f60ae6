"""Height from contrast: the law against a film made by the same physics, and when nothing is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rtscan.film import Background, Region, Strip
from rtscan.findings import Indication
from rtscan.job import Job
from rtscan.reading.height import LAW_DOUBT, LINEAR_DOUBT, PORE, SCATTER_AROUND, MetalLaw, contradicted, height_of, metal_law
from rtscan.reading.quality.contrast import FOG, SCATTER_PER_MM, AtWires, Contrast

ROWS, COLUMNS, PITCH = 120, 200, 20.0
MU, PARENT, BEAD = 0.06, 10.0, 3.0
JOB = Job.model_validate({"weld": {"wall_mm": PARENT}, "exposure": {"technique": "SWSI"}})


def net_density(metal_mm: float, scatter: float) -> float:
    """Primary by the narrow-beam law (Beer and Lambert) and even scatter, on a film whose density grows with exposure."""
    return 5.0 * float(np.exp(-MU * metal_mm)) + scatter


def scatter() -> float:
    """The scatter for which the law is exact: a share of the density beside, of which it is itself a part."""
    share = SCATTER_AROUND * SCATTER_PER_MM * PARENT / (1 + SCATTER_PER_MM * PARENT)
    return share / (1 - share) * 5.0 * float(np.exp(-MU * PARENT))


def background() -> Background:
    density = np.full((ROWS, COLUMNS), FOG + net_density(PARENT, scatter()), np.float32)
    density[40:80] = FOG + net_density(PARENT + BEAD, scatter())
    ok = np.ones((ROWS, COLUMNS), bool)
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    strip = Strip(0, None, density, ok, ~ok, np.stack([columns, rows], axis=2), 60.0, np.full(COLUMNS, 40.0), np.full(COLUMNS, 79.0),
                  PITCH, None)
    return Background(strip, density, np.zeros_like(density), np.full_like(density, 0.01))


def wires() -> Contrast:
    """Wires on the parent metal."""
    per_mm = MU * 5.0 * float(np.exp(-MU * PARENT))
    return Contrast(per_mm, 0.1, 0.05, "4 wires", 0.04, AtWires(per_mm, net_density(PARENT, scatter())))


def pore(contrast: float, **changes: float) -> Region:
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    outline = np.stack([100 + 10 * np.cos(t), 60 + 10 * np.sin(t)], axis=1)
    return Region(0, "dark", outline, 20.0, contrast, 10.0, {"fitted": 1.0, PORE: 0.9} | changes)


@pytest.mark.parametrize("height", [0.2, 1.0, 3.0])
def test_the_height_of_a_void_in_a_bead_comes_out_with_wires_on_the_parent_metal(height: float) -> None:
    law = metal_law(wires(), (background(),), JOB)
    contrast = net_density(PARENT + BEAD - height, scatter()) - net_density(PARENT + BEAD, scatter())
    told = height_of(pore(contrast), background(), law, 1.0, 0.1)
    assert told is not None
    assert told[0] == pytest.approx(height, rel=0.01)  # float32 densities


def test_the_doubt_is_the_sum_of_its_parts_in_quadrature() -> None:
    law = metal_law(wires(), (background(),), JOB)
    height, doubt = height_of(pore(0.1), background(), law, 1.0, 0.4) or (0.0, 0.0)
    # wires 0.1 / 2, law, noise 1 / 20, size 0.4 / 2 / 1.0; k = 2
    assert doubt / height == pytest.approx(2 * np.sqrt(0.05**2 + LAW_DOUBT**2 + 0.05**2 + 0.2**2))


def test_on_relative_density_contrast_per_mm_counts_and_the_doubt_is_larger() -> None:
    law = metal_law(replace(wires(), at_wires=None), (background(),), JOB)
    assert law is not None
    assert law.height_mm(0.5 * wires().per_mm, 2.0) == pytest.approx(0.5)
    assert law.doubt == pytest.approx(np.hypot(0.05, LINEAR_DOUBT))


def test_nothing_is_said_where_contrast_does_not_tell() -> None:
    back, law = background(), MetalLaw(0.2, 0.1)
    assert metal_law(None, (back,), JOB) is None
    assert metal_law(Contrast(0.2, 0.5, None, "declared source Ir-192"), (back,), JOB) is None
    assert height_of(pore(0.1), back, None, 1.0, 0.1) is None
    assert height_of(replace(pore(0.1), tone="bright"), back, law, 1.0, 0.1) is None
    assert height_of(pore(0.1, fitted=0.0), back, law, 1.0, 0.1) is None  # a line
    assert height_of(pore(0.1, **{PORE: 0.5}), back, law, 1.0, 0.1) is None  # perhaps slag
    assert height_of(pore(0.1), back, law, 3.0, 0.1) is None  # wide
    assert height_of(pore(0.1), back, law, 1.0, 0.1) is not None


def pores(*proportions: float) -> list[Indication]:
    return [Indication(id=k, tone="dark", local_width_mm=0.8, height_mm=0.8 * p) for k, p in enumerate(proportions, start=1)]


@pytest.mark.parametrize(("proportions", "wrong"), [
    ((1.0, 0.7, 1.4, 3.0), False),   # one deep pore among round ones
    ((3.1, 2.9, 4.0, 1.2), True),    # most far deeper than wide
    ((0.3, 0.2, 0.35, 1.0), False),  # blurred ones
    ((3.1, 2.9, 4.0), False),        # too few to say
])
def test_pores_far_deeper_than_wide_contradict_the_wires(proportions: tuple[float, ...], wrong: bool) -> None:
    assert contradicted(pores(*proportions)) is wrong
