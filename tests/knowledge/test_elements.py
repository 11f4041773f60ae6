"""The cross sections kept as data, against the library they came from, and the spline above them, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from rtscan.knowledge import attenuation as at

ELEMENTS = sorted({symbol for row in at._table()["materials"].values() for symbol in row["fractions"]})


@pytest.mark.parametrize("symbol", ELEMENTS)
def test_as_the_library_has_it(symbol: str) -> None:
    """To rounding (1e-12), between the nodes, on both sides of edges and at both ends of the range."""
    xraydb = pytest.importorskip("xraydb")
    edges = [e.energy / 1e3 * side for e in xraydb.xray_edges(symbol).values() if e.energy > 5100 for side in (0.999, 1.001)]
    energy = np.array([*np.geomspace(5.0, 799.99, 400), *edges])
    assert at.mass_attenuation(symbol, energy) == pytest.approx(xraydb.mu_elam(symbol, energy * 1e3), rel=1e-12)
    bare = xraydb.mu_elam(symbol, energy * 1e3) - xraydb.mu_elam(symbol, energy * 1e3, kind="coh")
    assert at.mass_attenuation(symbol, energy, coherent=False) == pytest.approx(bare, rel=1e-11)
    row = at._elements()[symbol]
    assert (row["number"], row["mass"]) == (xraydb.atomic_number(symbol), xraydb.atomic_mass(symbol))


def test_the_spline_above_is_scipys() -> None:
    nodes = at._table()["nodes"]
    energy = np.geomspace(801.0, 2000.0, 60)
    expected = np.exp(CubicSpline(np.log(nodes["energy_kev"]), np.log(nodes["W"]))(np.log(energy)))
    assert at.mass_attenuation("W", energy) == pytest.approx(expected, rel=1e-12)
