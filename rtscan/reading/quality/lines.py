"""Lines of the quality table from a measured value and a limit of a standard."""

from __future__ import annotations

from rtscan.findings import Check, Range
from rtscan.knowledge.testing import Limit

PRACTICE = "common practice, no published source"


def practice(least: float | None = None, greatest: float | None = None) -> Limit:
    """A limit of our own, where no standard gives a number."""
    return Limit("", PRACTICE, False, least, greatest)


def judged(name: str, measured: float, limit: Limit, unit: str, failing: str, *, slack: float = 0.0, required: bool = True,
           passing: str = "", digits: int = 3) -> Check:
    """Pass or fail of a measured value, `slack` beyond the limit allowed for; `failing` and `passing` say what it means."""
    low_ok = limit.min is None or measured >= limit.min - slack
    high_ok = limit.max is None or measured <= limit.max + slack
    passed = low_ok and high_ok
    return Check(name, "pass" if passed else "fail", limit.clause, round(measured, digits), _range(limit, digits), unit, required,
                 limit.unverified, limit.source, passing if passed else failing)


def failed(name: str, limit: Limit, unit: str, says: str) -> Check:
    """A line that fails because nothing was found to measure."""
    return Check(name, "fail", limit.clause, None, _range(limit, 3), unit, True, limit.unverified, limit.source, says)


def not_assessed(name: str, why: str, limit: Limit | None = None, unit: str = "", *, required: bool = True,
                 measured: float | None = None) -> Check:
    """A line that could not be judged, and why."""
    stands = limit or Limit("", "", False)
    return Check(name, "not assessed", stands.clause, measured, _range(stands, 3), unit, required, stands.unverified, stands.source,
                 f"not assessed: {why}")


def _range(limit: Limit, digits: int) -> Range:
    return Range(*(None if v is None else round(v, digits) for v in (limit.min, limit.max)))
