"""The weld arcs of a worksheet as curves one can walk along: station to film pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rtscan.findings import Indication, WeldArc, WeldFacts

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """One arc. All float64 over the centreline points, in the order of growing station.

    centre_px
        (n, 2), film pixels.
    right
        (n, 2), unit vectors across the weld, to the right of the growing station.
    left_px, right_px
        (n,), distance from the centreline to either edge, pixels.
    station_mm
        (n,), growing even past the datum; None without scale and stations.
    from_datum
        False when the stations only count from the end of the visible weld.
    judged
        (n,), bool: inside the stations the film is judged on, its diagnostic length.
    """

    wall: str | None
    centre_px: F64
    right: F64
    left_px: F64
    right_px: F64
    station_mm: F64 | None
    from_datum: bool
    judged: NDArray[np.bool_]

    def smoothed(self) -> Frame:
        """The same arc without the small unevenness of its edges: for lines that are drawn beside it."""
        reach = len(self.centre_px) // 12
        if reach < 2:
            return self
        centre = np.column_stack([_smooth(column, reach) for column in self.centre_px.T])
        left, right = (np.full(len(centre), np.percentile(side, 90)) for side in (self.left_px, self.right_px))
        return replace(self, centre_px=centre, right=_right_of(centre), left_px=left, right_px=right)

    def at(self, station_mm: F64, offset_px: F64 | float = 0.0) -> F64:
        """Film pixels (m, 2) of stations on this arc, `offset_px` to the right of the centreline."""
        if self.station_mm is None:
            return np.empty((0, 2))
        columns = [np.interp(station_mm, self.station_mm, v) for v in (*self.centre_px.T, *self.right.T)]
        return np.column_stack([columns[0] + offset_px * columns[2], columns[1] + offset_px * columns[3]])


def frames(weld: WeldFacts, pixels_per_mm: float | None) -> tuple[Frame, ...]:
    """All arcs with at least two distinct centreline points."""
    found = (_frame(arc, weld, pixels_per_mm) for arc in weld.arcs)
    return tuple(frame for frame in found if frame is not None)


def place_px(indication: Indication, arcs: tuple[Frame, ...], weld_length_mm: float | None, pixels_per_mm: float | None) -> F64 | None:
    """Film pixel (2,) of an indication known by station alone; None when its station is not on the film or there is no scale."""
    if indication.along_mm is None or not pixels_per_mm:
        return None
    for frame in arcs:
        if frame.station_mm is None or (indication.wall in ("film", "source") and frame.wall not in (indication.wall, "unknown", None)):
            continue
        for turn in (0.0, weld_length_mm or 0.0, -(weld_length_mm or 0.0)):
            station = indication.along_mm + turn
            if frame.station_mm[0] <= station <= frame.station_mm[-1]:
                return np.asarray(frame.at(np.array([station]), (indication.across_mm or 0.0) * pixels_per_mm)[0])
    return None


def _frame(arc: WeldArc, weld: WeldFacts, pixels_per_mm: float | None) -> Frame | None:
    centre = np.asarray(arc.centreline_px, float).reshape(-1, 2)
    if len(centre) < 2:
        return None
    step = np.hypot(*np.diff(centre, axis=0).T)
    kept = np.concatenate([[True], step > 1e-6])
    centre = centre[kept]
    if len(centre) < 2:
        return None
    right = _right_of(centre)
    reach = [_reach(edge, kept, centre) for edge in (arc.left_edge_px, arc.right_edge_px)]
    station, from_datum = _stations(arc, kept, centre, weld.length_mm, pixels_per_mm)
    from_datum = from_datum and weld.location.stations_from_datum is not False
    return Frame(arc.wall, centre, right, reach[0], reach[1], station, from_datum, _judged(arc, kept))


def _judged(arc: WeldArc, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which points lie between the stations the film is judged on; all where the sheet does not tell them apart."""
    first, last = arc.station_from_mm, arc.station_to_mm
    if first is None or last is None or last < first or len(arc.station_mm) != len(kept):
        return np.ones(int(kept.sum()), dtype=np.bool_)
    station = np.asarray(arc.station_mm, float)[kept]
    return np.asarray((station >= first - 1e-6) & (station <= last + 1e-6))


def _right_of(centre: F64) -> F64:
    tangent = np.gradient(centre, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _smooth(values: F64, reach: int) -> F64:
    """Running mean over 2·reach + 1 points; the ends are continued by turning the curve about its end point."""
    before, after = 2 * values[0] - values[reach:0:-1], 2 * values[-1] - values[-2:-reach - 2:-1]
    return np.convolve(np.concatenate([before, values, after]), np.full(2 * reach + 1, 1 / (2 * reach + 1)), "valid")


def _reach(edge: tuple[tuple[float, float], ...], kept: NDArray[np.bool_], centre: F64) -> F64:
    points = np.asarray(edge, float).reshape(-1, 2)
    if len(points) != len(kept):
        return np.zeros(len(centre))
    return np.asarray(np.hypot(*(points[kept] - centre).T))


def _stations(
    arc: WeldArc, kept: NDArray[np.bool_], centre: F64, weld_length_mm: float | None, pixels_per_mm: float | None
) -> tuple[F64 | None, bool]:
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(centre, axis=0).T))])
    if len(arc.station_mm) == len(kept):
        station = np.asarray(arc.station_mm, float)[kept]
        if weld_length_mm:
            station = np.unwrap(station, period=weld_length_mm)
        if np.all(np.diff(station) > 0):
            return station, True
    first, last = arc.station_from_mm, arc.station_to_mm
    if first is not None and last is not None:
        if last <= first and weld_length_mm:
            last += weld_length_mm
        if last > first:
            return first + (last - first) * run / run[-1], True
    return (run / pixels_per_mm, False) if pixels_per_mm else (None, False)
