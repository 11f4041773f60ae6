"""The vocabulary: ISO 6520-1 reference numbers and English terms, families, tone on the film.

Source: ISO 6520-1:2007 as listed in the project's reference notes, section 8. Types the standard has no number for use the
nearest number and a trade term (hollow bead 2015, protruding filler wire 3043, missed tie-in 517, missed bevel edge 511).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rtscan.findings import Tone

Family = Literal["crack", "pore", "cavity", "slag", "metal", "lack of fusion", "lack of penetration", "undercut",
                 "excess metal", "concavity", "burn-through", "underfill", "poor restart", "misalignment", "surface"]


@dataclass(frozen=True)
class Imperfection:
    """One imperfection type. `term` is unique; several trade terms may share one `iso6520` number."""

    iso6520: str
    term: str
    family: Family
    tone: Tone
    planar: bool = False
    trade_term: bool = False


_ROWS: tuple[tuple[str, str, Family, Tone], ...] = (
    ("100", "crack", "crack", "dark"),
    ("101", "longitudinal crack", "crack", "dark"),
    ("1011", "longitudinal crack in the weld metal", "crack", "dark"),
    ("1012", "longitudinal crack in the weld interface", "crack", "dark"),
    ("1013", "longitudinal crack in the heat-affected zone", "crack", "dark"),
    ("102", "transverse crack", "crack", "dark"),
    ("1021", "transverse crack in the weld metal", "crack", "dark"),
    ("103", "radiating cracks", "crack", "dark"),
    ("104", "crater crack", "crack", "dark"),
    ("1047", "crater star crack", "crack", "dark"),
    ("105", "group of disconnected cracks", "crack", "dark"),
    ("106", "branching crack", "crack", "dark"),
    ("200", "cavity", "cavity", "dark"),
    ("2011", "gas pore", "pore", "dark"),
    ("2012", "uniformly distributed porosity", "pore", "dark"),
    ("2013", "clustered porosity", "pore", "dark"),
    ("2014", "linear porosity", "pore", "dark"),
    ("2015", "elongated cavity", "cavity", "dark"),
    ("2016", "worm-hole", "cavity", "dark"),
    ("2017", "surface pore", "pore", "dark"),
    ("202", "shrinkage cavity", "cavity", "dark"),
    ("2024", "crater pipe", "cavity", "dark"),
    ("2025", "end-crater pipe", "cavity", "dark"),
    ("300", "solid inclusion", "slag", "dark"),
    ("301", "slag inclusion", "slag", "dark"),
    ("3011", "linear slag inclusion", "slag", "dark"),
    ("3012", "isolated slag inclusion", "slag", "dark"),
    ("3013", "clustered slag inclusions", "slag", "dark"),
    ("302", "flux inclusion", "slag", "dark"),
    ("303", "oxide inclusion", "slag", "dark"),
    ("304", "metallic inclusion", "metal", "bright"),
    ("3041", "tungsten inclusion", "metal", "bright"),
    ("3042", "copper inclusion", "metal", "bright"),
    ("3043", "inclusion of other metal", "metal", "bright"),
    ("401", "lack of fusion", "lack of fusion", "dark"),
    ("4011", "lack of side-wall fusion", "lack of fusion", "dark"),
    ("4012", "lack of inter-run fusion", "lack of fusion", "dark"),
    ("4013", "lack of root fusion", "lack of fusion", "dark"),
    ("402", "lack of penetration", "lack of penetration", "dark"),
    ("4021", "incomplete root penetration", "lack of penetration", "dark"),
    ("501", "undercut", "undercut", "dark"),
    ("5011", "continuous undercut", "undercut", "dark"),
    ("5012", "intermittent undercut", "undercut", "dark"),
    ("5013", "shrinkage groove", "undercut", "dark"),
    ("502", "excess weld metal", "excess metal", "bright"),
    ("504", "excess penetration", "excess metal", "bright"),
    ("5041", "local excess penetration", "excess metal", "bright"),
    ("5042", "continuous excess penetration", "excess metal", "bright"),
    ("506", "overlap", "excess metal", "bright"),
    ("507", "linear misalignment", "misalignment", "dark"),
    ("5071", "linear misalignment between plates", "misalignment", "dark"),
    ("5072", "linear misalignment between tubes", "misalignment", "dark"),
    ("509", "sagging", "underfill", "dark"),
    ("510", "burn-through", "burn-through", "dark"),
    ("511", "incompletely filled groove", "underfill", "dark"),
    ("515", "root concavity", "concavity", "dark"),
    ("516", "root porosity", "pore", "dark"),
    ("517", "poor restart", "poor restart", "dark"),
    ("601", "stray arc", "surface", "bright"),
    ("602", "spatter", "surface", "bright"),
    ("6021", "tungsten spatter", "surface", "bright"),
    ("604", "grinding mark", "surface", "dark"),
    ("606", "underflushing", "surface", "dark"),
)

_TRADE: tuple[tuple[str, str, Family, Tone], ...] = (
    ("2015", "hollow bead", "cavity", "dark"),
    ("3043", "protruding filler wire", "metal", "bright"),
    ("517", "missed tie-in", "poor restart", "dark"),
    ("511", "missed bevel edge", "underfill", "dark"),
)

_PLANAR: frozenset[str] = frozenset({"crack", "lack of fusion", "lack of penetration"})

IMPERFECTIONS: tuple[Imperfection, ...] = tuple(
    Imperfection(number, term, family, tone, family in _PLANAR, trade)
    for rows, trade in ((_ROWS, False), (_TRADE, True))
    for number, term, family, tone in rows
)

_BY_NUMBER = {i.iso6520: i for i in IMPERFECTIONS if not i.trade_term}
_BY_TERM = {i.term: i for i in IMPERFECTIONS}


def by_number(iso6520: str) -> Imperfection | None:
    """The standard's own entry for a reference number such as "2011"; None when unknown."""
    return _BY_NUMBER.get(iso6520.strip())


def by_term(term: str) -> Imperfection | None:
    """The entry for an English term, without regard to case; None when unknown."""
    return _BY_TERM.get(term.strip().lower())


def is_within(iso6520: str, group: str) -> bool:
    """True when `iso6520` is `group` itself or one of its sub-numbers ("4011" lies within "401", "1011" within "100").

    The main groups 100, 200 … 600 hold every number with the same first digit.
    """
    number, head = iso6520.strip(), group.strip()
    if not number or not head:
        return False
    return number.startswith(head[:1]) if head.endswith("00") else number.startswith(head)
