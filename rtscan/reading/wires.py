"""Marks of the wires of an image quality indicator: found as a set (`wire_search.py`), then followed to where they end.

This says where wires lie, for the marks and for the film's quality alike; which of them count as seen is for `quality/wires.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Bool, Film, Mark
from rtscan.job import IqiSection
from rtscan.knowledge.iqi import Wire, visible_length_mm, wire_set
from rtscan.reading.wire_search import Bands, Chain, Ints, WireSettings, find_chains, make_bands, ridge_filter

ASSUMED_SET = "W10"
"""The set looked for when the job sheet names none: the commonest, and a set of others differs little but in its widest wires."""
TURNS = (0.0, -0.06, 0.06, -0.12, 0.12)
"""Changes of lean tried from row to row, columns."""
STRAY_RATIO, LATER_RATIO = 2.3, 1.8
"""A line this many times as strong as thinner wires after it, or as the first or second before it, is no wire: a scratch, an edge."""
ALIKE, SURE_EVIDENCE = 1.6, 22.0
"""Two first lines this near in strength, in a row with this much evidence, may stand far above the next ones: the third may be bent, or
lie beside lead. A single stray before a set is never like its neighbour. From 18 real films, one of which needs it."""
PLAIN, GAP_SHARE = 15.0, 0.25
ENDS_SHARE = 0.35
"""Of what the three thickest wires together show where the set was found: less, and the set has ended."""
FAINT = 4.5
"""Signal-to-noise over its whole length from which a wire is marked."""
CONTRAST_POWER, MOST_SHOWN = 1.5, 50.0
"""Signal-to-noise of a wire goes with its diameter to this power, between a blurred wire (2) and a sharp one; held where it is plain."""
BESIDE_COLUMNS, OWN_LEAN, HELD = 4, 0.16, 4.0
"""0.4 mm, as far as a chain settles; columns per row, 16 mm in a metre; where a place is held, so that one plain speck moves no wire."""
HIDDEN_COLUMNS = 10
"""1 mm: a fifth of the spacing, which is what sets differ by (`WireSettings.spacing_slack`)."""
NEAR_FILM_MM, BORDER_MM = 54.0, 3.0
"""Lines longer than the first, a wire of 50 mm a little enlarged, that end no further than the second from both borders are the scanner's
or the part's: of 12 false rows on 108 drawn films without a set (seeds 84002, 84003) 8 were so."""
AGREE_MM = 1.0
"""A fifth of the spacing, as the chain of the other length may lie so far off by the slack of the spacing."""
MASK_MM = 0.7
LONGEST_MM = 75.0
"""Wires are 10, 25 or 50 mm long (ISO 19232-1, from memory) and no film enlarges them by more than half; the toes of a weld run on."""


def find_wires(film: Film, usable: Bool, iqi: IqiSection, settings: WireSettings) -> tuple[Mark, ...]:
    """The wires of the most convincing set on a film of known scale, thickest first; empty when there is none, and when the
    sheet names an indicator without single wires."""
    if film.pixels_per_mm is None or iqi.kind in ("hole", "duplex"):
        return ()
    kind = iqi.kind or "ISO-wire"
    wires = wire_set(kind, iqi.set) or wire_set("ISO-wire", ASSUMED_SET)
    found = _rows(film, usable, wires, visible_length_mm(kind), settings, plain=False)
    if all(row.likeness < settings.likeness_beyond_doubt for row in found):
        plain = _rows(film, usable, wires, visible_length_mm(kind), settings, plain=True)
        found += [row for row in plain if row.likeness >= settings.likeness_beyond_doubt]
    return _marks(max(found, key=lambda row: row.likeness), iqi) if found else ()


def _rows(film: Film, usable: Bool, wires: Sequence[Wire], length_mm: float, settings: WireSettings, plain: bool) -> list[_Row]:
    """The best row of lines across the long side of the film and the best along it, where there is one; the first alone when it is
    beyond doubt. `plain` as in `make_bands`."""
    found: list[_Row] = []
    usual = film.density.shape[0] > film.density.shape[1]
    for turned, penalty in ((usual, 0.0), (not usual, settings.unusual_way_penalty)):
        least = settings.set_evidence_min + penalty
        bands = make_bands(film, usable, turned, wires[0].diameter_mm, settings.cell_mm, plain=plain)
        # In the second look only a row beyond doubt counts, which is plain over the visible length already: no longer lines.
        lengths = (length_mm,) if plain else (length_mm, settings.longer * length_mm)
        if bands is not None and (row := _best_row(bands, wires, lengths, settings, least)) is not None:
            found.append(row)
            if row.evidence >= settings.beyond_doubt and row.likeness >= settings.likeness_beyond_doubt:
                break
    return found


@dataclass(frozen=True)
class _Row:
    """A row of lines that may be the wires: columns of each on every row of cells, its signal-to-noise over all of them, and how much
    of that falls from wire to wire as it should."""

    evidence: float
    likeness: float
    bands: Bands
    rows: F64
    places: F64
    shown: F64


def _best_row(bands: Bands, wires: Sequence[Wire], lengths_mm: Sequence[float], settings: WireSettings, least: float) -> _Row | None:
    """The row of lines that falls most like the wires of the set, over all its length; None when nothing has evidence from `least`.

    Lines of the visible length, the first of `lengths_mm`, before longer ones, on which faint wires add up further. A chain much weaker
    than the best counts only as the same wires begun elsewhere. A row that both lengths show best in the same place may have less.
    """
    ridges = np.stack([ridge_filter(bands.image, bands.columns_per_mm, max(0.08, 0.3 * w.diameter_mm)) for w in wires])
    expected = np.array([(wire.diameter_mm / wires[0].diameter_mm) ** CONTRAST_POWER for wire in wires])
    length = round(lengths_mm[0] * bands.rows_per_mm)
    best: list[Chain] = []
    for along_mm in lengths_mm:
        chains = find_chains(bands, wires, along_mm, settings, least - settings.not_much_weaker)
        rows = [row for chain in chains if (row := _row(bands, ridges, chain, length, expected)) is not None]
        strongest = max((row.evidence for row in rows), default=0.0)
        if strongest >= least:
            near = [row for row in rows if row.evidence >= strongest - settings.not_much_weaker]
            return replace(max(near, key=lambda row: row.likeness), evidence=strongest)
        best += chains[:1]
    if len(best) == 2 and _agree(best[0], best[1], bands.columns_per_mm) and best[1].evidence >= least - settings.agreed:
        return _row(bands, ridges, best[0], length, expected)
    return None


def _agree(short: Chain, long: Chain, per_mm: float) -> bool:
    """Whether two chains lay the three thickest wires in the same places, `AGREE_MM` apart at most, on the row of the first."""
    moved = np.array(long.columns[:3]) + long.lean * (short.row - long.row)
    return bool(np.abs(moved - np.array(short.columns[:3])).max() <= AGREE_MM * per_mm)


def _row(bands: Bands, ridges: F32, chain: Chain, length: int, expected: F64) -> _Row | None:
    """A chain followed to its ends; None when a line of it can be no wire, its own lean allowed for."""
    rows, together = follow(ridges, bands.known, chain, length, expected)
    if len(rows) > LONGEST_MM * bands.rows_per_mm or _across_the_film(bands, rows):
        return None
    together = out_of_hiding(ridges, bands.known, chain, length, rows, together)
    return _followed(bands, ridges, chain, length, expected, rows, together) or (
        _followed(bands, ridges, chain, length, expected, rows, resettled(ridges, rows, together)))


def _across_the_film(bands: Bands, rows: F64) -> bool:
    """Whether lines longer than any wire near the film run from one border of it to the other."""
    near = BORDER_MM * bands.rows_per_mm
    long = len(rows) > NEAR_FILM_MM * bands.rows_per_mm
    return bool(long and rows[0] <= near and rows[-1] >= bands.image.shape[0] - 1 - near)


def _followed(bands: Bands, ridges: F32, chain: Chain, length: int, expected: F64, rows: F64, together: F64) -> _Row | None:
    places = np.stack([_own_path(ridge, rows, together[:, k], length) for k, ridge in enumerate(ridges)], axis=1)
    strength = [float(np.median(ndimage.uniform_filter1d(_at(bands.rough, rows, path), 5))) for path in places.T]
    shown = np.array([_at(ridge, rows, path).sum() for ridge, path in zip(ridges, places.T, strict=True)]) / np.sqrt(len(rows))
    clear = np.array([_at(bands.known.astype(np.float32), rows, path).mean() > 0.5 for path in places.T])
    if _has_stray(strength, chain.evidence >= SURE_EVIDENCE) or _has_gap(np.where(clear, shown, np.inf), np.where(clear, shown, 0.0)):
        return None
    return _Row(chain.evidence, float(expected @ np.minimum(shown, MOST_SHOWN)), bands, rows, places, shown)


def out_of_hiding(ridges: F32, known: Bool, chain: Chain, length: int, rows: F64, together: F64) -> F64:
    """The common path, a wire that lead hides where the chain was found moved by up to `HIDDEN_COLUMNS` to where it shows elsewhere: the
    spacing of wires gives its place no better than that."""
    near = np.abs(rows - chain.row) <= length // 2
    moved = together.copy()
    for k, path in enumerate(together.T):
        if _at(known.astype(np.float32), rows[near], path[near]).mean() < 0.5:
            side = np.arange(-HIDDEN_COLUMNS, HIDDEN_COLUMNS + 1)
            moved[:, k] += side[int(np.argmax([_at(ridges[k], rows, path + off).sum() for off in side]))]
    return moved


def resettled(ridges: F32, rows: F64, together: F64) -> F64:
    """The common path, each wire moved as a whole by up to `BESIDE_COLUMNS` and leant by up to `OWN_LEAN` to where it shows best over all
    rows: wires of a set are not quite parallel, and the plainest, which rules where the set is followed to, may lean away from the rest."""
    from_middle = rows - rows.mean()
    moves = (np.arange(-BESIDE_COLUMNS, BESIDE_COLUMNS + 1)[:, None, None] + OWN_LEAN * np.linspace(-1, 1, 5)[:, None] * from_middle)
    moves = moves.reshape(-1, len(rows))
    found = []
    for ridge, path in zip(ridges, together.T, strict=True):
        columns = np.round(path + moves).astype(np.intp)
        inside = (columns >= 0) & (columns < ridge.shape[1])
        values = np.where(inside, ridge[rows.astype(np.intp), np.clip(columns, 0, ridge.shape[1] - 1)], 0.0)
        found.append(path + moves[int(np.minimum(values, HELD).sum(axis=1).argmax())])
    return np.stack(found, axis=1)


def _has_stray(strength: Sequence[float], sure: bool) -> bool:
    """Whether a line is no wire: the first or second far stronger than the next two, or a later one far stronger than either.

    In a `sure` row the first two together may be far stronger, the first no weaker than the second."""
    if any(max(strength[k:]) > LATER_RATIO * strength[k] for k in (0, 1)):
        return True
    if sure and strength[1] <= strength[0] <= ALIKE * strength[1]:
        return False
    return any(strength[k] > STRAY_RATIO * max(strength[k + 1 : k + 3]) for k in (0, 1))


def _has_gap(least: F64, most: F64) -> bool:
    """Whether one of the thickest three shows nothing, though not hidden, where a thinner one is plain."""
    return any(most[j] >= PLAIN and least[k] < GAP_SHARE * most[j] for k in range(3) for j in range(k + 1, len(most)))


def _own_path(ridge: F32, rows: F64, places: F64, length: int) -> F64:
    """One wire's own path near the common one: over every visible length moved by up to 0.3 mm to where it is strongest."""
    side = np.arange(-3, 4)
    columns = np.round(places).astype(np.intp)[:, None] + side
    inside = (columns >= 0) & (columns < ridge.shape[1])
    values = np.where(inside, ridge[rows.astype(np.intp)[:, None], np.clip(columns, 0, ridge.shape[1] - 1)], 0.0)
    starts = np.arange(0, max(1, len(rows) - length // 2), length)
    offset = side[np.add.reduceat(values, starts, axis=0).argmax(axis=1)]
    middle = np.append(starts[1:], len(rows))
    return np.asarray(places + np.interp(np.arange(len(rows)), 0.5 * (starts + middle), offset), dtype=np.float64)


def _marks(row: _Row, iqi: IqiSection) -> tuple[Mark, ...]:
    """The wires from the thickest to the thinnest that shows faintly, each along its whole path."""
    last = max([1, *np.flatnonzero(row.shown >= FAINT)])
    return tuple(Mark("wire", row.bands.path_px(row.rows, row.places[:, k]), MASK_MM * row.bands.pixels_per_mm, _wire_name(k, iqi))
                 for k in range(last + 1))


def follow(ridges: F32, known: Bool, chain: Chain, length: int, weights: F64) -> tuple[F64, F64]:
    """Columns of all wires on every row the set can be followed on, moving together: shapes (rows,), (rows, wires).

    From row to row the set may lean a little more or less; the choice that collects most over half a visible length ahead, each wire
    by its weight, wins.
    """
    high = ridges.shape[1]
    paths: dict[int, F64] = {}
    for direction in (1, -1):
        position, lean, row = _settled(ridges, chain, length), chain.lean, chain.row
        while 0 <= row < high:
            paths[row] = position.copy()
            ahead = direction * np.arange(1, length // 2 + 1)
            ahead = ahead[(row + ahead >= 0) & (row + ahead < high)]
            lean += _best_turn(ridges, position, lean, row, ahead, weights, 0.02 * length)
            position = position + direction * lean
            row += direction
    rows = np.array(sorted(paths))
    places = np.array([paths[r] for r in rows])
    kept = _where_seen(ridges, known, rows, places, chain.row, length)
    return rows[kept].astype(np.float64), places[kept]


def _settled(ridges: F32, chain: Chain, length: int) -> F64:
    """The columns of a chain, each moved by up to four to where its line is strongest over the visible length."""
    rows = np.arange(max(0, chain.row - length // 2), min(ridges.shape[1], chain.row + length // 2 + 1))
    side = np.arange(-4, 5)
    columns = np.round(np.array(chain.columns)[:, None, None] + side[:, None] + chain.lean * (rows - chain.row)).astype(np.intp)
    values = ridges[np.arange(len(ridges))[:, None, None], rows, np.clip(columns, 0, ridges.shape[2] - 1)].sum(axis=2)
    return np.asarray(np.array(chain.columns) + side[values.argmax(axis=1)], dtype=np.float64)


def _best_turn(ridges: F32, position: F64, lean: float, row: int, ahead: Ints, weights: F64,
               stiffness: float) -> float:
    """The change of lean that collects most on the rows ahead; none on a tie."""
    if not len(ahead):
        return 0.0
    columns = np.round(position[None, :, None] + (lean + np.array(TURNS))[:, None, None] * ahead).astype(np.intp)
    inside = (columns >= 0) & (columns < ridges.shape[2])
    values = ridges[np.arange(len(ridges))[None, :, None], (row + ahead)[None, None, :], np.clip(columns, 0, ridges.shape[2] - 1)]
    total = (np.where(inside, np.minimum(values, 4.0), 0.0).sum(axis=2) * weights).sum(axis=1) - stiffness * np.abs(np.array(TURNS))
    return TURNS[int(total.argmax())]


def _where_seen(ridges: F32, known: Bool, rows: Ints, places: F64, middle: int, length: int) -> slice:
    """The stretch of the path about `middle` on which the thickest wires show; only lead over two of them may break it."""
    half = max(2, length // 2)
    near = [[ndimage.uniform_filter1d(_at(ridge, rows, path + off), half, mode="constant") for off in range(-4, 5)]
            for ridge, path in zip(ridges[:3], places.T, strict=False)]
    strength = np.max(near, axis=1).mean(axis=0)
    there = (strength > ENDS_SHARE * strength[rows == middle]) | (np.abs(rows - middle) <= length // 2)
    hidden = np.sum([_at(known.astype(np.float32), rows, path) < 0.5 for path in places.T[:3]], axis=0) >= 2
    reach = np.ones(max(3, length // 2), dtype=bool)
    bridged = ndimage.binary_closing(there, reach) | ndimage.binary_dilation(hidden, reach)
    stretches, _ = ndimage.label(bridged)
    mine = np.flatnonzero((stretches == stretches[int(np.flatnonzero(rows == middle)[0])]) & there)
    return slice(int(mine[0]), int(mine[-1]) + 1)


def _at(image: F32, rows: F64 | Ints, places: F64) -> F32:
    """The values under a path; 0 off the film."""
    columns = np.round(places).astype(np.intp)
    inside = (columns >= 0) & (columns < image.shape[1])
    return np.where(inside, image[rows.astype(np.intp), np.clip(columns, 0, image.shape[1] - 1)], 0).astype(np.float32)


def _wire_name(number: int, iqi: IqiSection) -> str:
    """What the sheet says of wire `number` of the set, 0 the thickest."""
    wires = wire_set(iqi.kind or "ISO-wire", iqi.set) if iqi.set else ()
    if number < len(wires):
        letter = "ASTM wire " if iqi.kind == "ASTM-wire" else "wire W"
        return f"{letter}{wires[number].number} of the image quality indicator"
    return f"wire {number + 1} of the image quality indicator, from the thickest seen"
