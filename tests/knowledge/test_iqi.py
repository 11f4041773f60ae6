"""Image quality indicators. Numbers in brackets are check values of the project's physics reference, each with its source there."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtscan.knowledge import iqi

ARRANGEMENTS = st.sampled_from(["single-source", "double-source", "double-film"])


@pytest.mark.parametrize(("number", "diameter_mm"), [(10, 0.40), (13, 0.20), (16, 0.100), (19, 0.050), (1, 3.20)])
def test_iso_wires_34(number: int, diameter_mm: float) -> None:
    """ISO 19232-1, public wire table."""
    assert iqi.iso_wire(number).diameter_mm == diameter_mm


def test_wires_follow_the_r10_series() -> None:
    """ISO 3 preferred numbers: each wire is 10^(-1/10) of the one before, to the rounding of the series (under 1.5 %)."""
    for number in range(1, 20):
        assert iqi.iso_wire(number).diameter_mm == pytest.approx(4.0 * 10 ** (-number / 10), rel=0.015)


@pytest.mark.parametrize(("name", "first", "last"), [
    ("W1", 1, 7), ("W6", 6, 12), ("W10", 10, 16), ("W13", 13, 19), ("10 FE EN", 10, 16), ("w13 fe", 13, 19),
])
def test_sets_of_seven_35(name: str, first: int, last: int) -> None:
    assert [w.number for w in iqi.wire_set("ISO-wire", name)] == list(range(first, last + 1))


def test_unknown_sets_are_empty() -> None:
    assert iqi.wire_set("ISO-wire", "W99") == ()
    assert iqi.wire_set("ASTM-wire", "") == ()
    assert [w.number for w in iqi.wire_set("ASTM-wire", "B")] == [11, 10, 9, 8, 7, 6]


@pytest.mark.parametrize(("arrangement", "testing_class", "thickness_mm", "number"), [
    ("single-source", "A", 8.0, 13),  # 36, table B.1
    ("single-source", "B", 12.0, 14),  # 37, table B.3
    ("double-film", "A", 15.0, 13), ("double-film", "B", 15.0, 14),  # 38, tables B.9, B.11
    ("double-source", "A", 12.0, 13), ("double-source", "B", 12.0, 14),  # 39, tables B.5, B.7
    ("single-source", "A", 10.0, 13), ("single-source", "A", 10.01, 12), ("single-source", "A", 1000.0, 4),
    ("single-source", "B", 0.5, 19), ("double-film", "B", 400.0, 6), ("double-source", "A", 381.0, 3),
])
def test_iso_required_wire(arrangement: iqi.Arrangement, testing_class: str, thickness_mm: float, number: int) -> None:
    needed = iqi.iso_required_wire(arrangement, testing_class, thickness_mm)
    assert needed.number == number
    assert needed.unverified  # Annex B rests on memory


def test_iridium_may_show_fewer() -> None:
    assert iqi.iso_required_wire("single-source", "A", 20.0, "Ir-192").number == 9  # W11, two fewer
    assert iqi.iso_required_wire("single-source", "A", 20.0, "Se-75").number == 11


@given(ARRANGEMENTS, st.sampled_from(["A", "B"]), st.floats(0.1, 500), st.floats(0, 100))
def test_thicker_never_needs_a_thinner_wire(arrangement: iqi.Arrangement, testing_class: str, thickness_mm: float, more_mm: float) -> None:
    thin = iqi.iso_required_wire(arrangement, testing_class, thickness_mm)
    thick = iqi.iso_required_wire(arrangement, testing_class, thickness_mm + more_mm)
    assert thick.diameter_mm >= thin.diameter_mm


@given(ARRANGEMENTS, st.floats(0.1, 200))
def test_class_b_is_never_weaker_than_class_a(arrangement: iqi.Arrangement, thickness_mm: float) -> None:
    b, a = (iqi.iso_required_wire(arrangement, c, thickness_mm) for c in "BA")
    assert b.diameter_mm <= a.diameter_mm


def test_asme_t_276() -> None:
    """40 and 41: ASME V Table T-276."""
    inch = 25.4
    source, film = iqi.asme_required_wire("source", 0.30 * inch), iqi.asme_required_wire("film", 0.218 * inch)
    assert source is not None
    assert film is not None
    assert (source.number, source.diameter_mm) == (6, pytest.approx(0.010 * inch))
    assert iqi.asme_required_plaque("source", 0.30 * inch) == 15
    assert (film.number, film.diameter_mm) == (4, pytest.approx(0.0063 * inch, abs=0.01))  # printed 0.006 in
    assert iqi.asme_required_plaque("source", 0.218 * inch) == 12
    assert iqi.asme_required_plaque("film", 0.218 * inch) == 10
    assert iqi.asme_required_wire("source", 6.4) == iqi.asme_required_wire("source", 5.0)  # printed "0.25 (6.4)"
    assert iqi.asme_required_wire("source", 600.0) is None


def test_equivalent_sensitivity_42() -> None:
    """2-2T, 1-1T, 4-2T on a 100 % basis: 2.00, 0.71, 4.00 % (2.0, 0.7, 4.0 in a navy manual; 4-2T prints as 4.0)."""
    for plaque, hole, percent in ((2, 4, 2.00), (1, 1, 0.71), (4, 8, 4.00)):
        assert iqi.equivalent_sensitivity(100, plaque, hole) == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize(("plaque_in", "wire_in"), [(0.0125, 0.0080), (0.025, 0.0202), (0.050, 0.0510), (0.100, 0.1285)])
def test_hole_and_wire_equivalence_43(plaque_in: float, wire_in: float) -> None:
    """ASTM E747 formula with the 2T hole; the pairs are those of T-276."""
    assert iqi.wire_equivalent_to_hole_mm(plaque_in * 25.4, 2 * plaque_in * 25.4) / 25.4 == pytest.approx(wire_in, rel=0.01)


def test_plaques_44_45() -> None:
    """ASTM E1025: No. 10 is 0.010 in with holes of 0.010, 0.020, 0.040 in; No. 5 keeps the least holes."""
    thickness_mm, holes = iqi.plaque_mm(10)
    assert thickness_mm == pytest.approx(0.254)
    for designation in (10, 5):
        assert list(iqi.plaque_mm(designation)[1].values()) == pytest.approx([0.254, 0.508, 1.016])
    assert holes["2T"] == pytest.approx(2 * thickness_mm)
    assert iqi.plaque_mm(17)[0] == pytest.approx(0.0175 * 25.4)


def test_duplex_46() -> None:
    """ISO 19232-5: D8 0.32 mm, D13 0.10 mm; unsharpness is twice the wire to the table's rounding."""
    table = {number: (wire, unsharpness) for number, wire, unsharpness in iqi.duplex_wires()}
    assert table[8][1] == 0.32
    assert table[13][1] == 0.10
    for wire, unsharpness in table.values():
        assert unsharpness == pytest.approx(2 * wire, abs=0.005)


def test_step_holes_follow_the_wires() -> None:
    """ISO 19232-2 uses the same series: H1 0.125 to H18 6.3 mm."""
    assert (iqi.step_hole_mm(1), iqi.step_hole_mm(18)) == (0.125, 6.30)
