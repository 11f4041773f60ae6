"""Matches calls with the truth of simulated films and sums up."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from films import ReadFilm, simulate_and_read

from rtscan.findings import Group, Indication
from rtscan.imperfections import by_number
from rtscan.reading.classify import classify
from rtscan.reading.group import group
from rtscan.reading.measure import measure
from rtscan.reading.segment import segment

GROW_MM = 0.5
GROUP_FILL = 0.15
LEAST_DETECTABILITY = 3.0


@dataclass(frozen=True)
class FilmScore:
    """One film: per truth (detectability, number, call that finds it or None, found by its group), false calls, calls on marks."""

    number: int
    clean: bool
    technique: str
    found_weld: bool
    weld_mm: float
    truths: list[tuple[Indication, float, Indication | None, bool]]
    false_calls: list[Indication]
    on_marks: int
    seconds: float
    references: dict[str, tuple[int, int]]


def score_film(seed: int, number: int, clean_share: float) -> FilmScore:
    """Reads one film of a draw and matches its calls."""
    read = simulate_and_read(seed, number, clean_share)
    start = time.process_time()
    calls: tuple[Indication, ...] = ()
    groups: tuple[Group, ...] = ()
    if read.weld is not None:
        regions = segment(read.backgrounds)
        calls, groups = group(classify(measure(regions, read.backgrounds, read.film, read.weld, read.job)))
    seconds = time.process_time() - start
    pairs, touching = matched(read, calls)
    by_group = _found_by_groups(read, calls, groups)
    truths = [(t.indication, t.detectability, calls[pairs[k]] if k in pairs else None, k in by_group) for k, t in enumerate(read.truths)]
    false = [c for j, c in enumerate(calls) if j not in touching]
    length = sum(b.strip.density.shape[1] for b in read.backgrounds) / (read.film.pixels_per_mm or 20.0)
    marks = sum(any(_inside(c, o["bbox_px"]) for o in read.objects) for c in false)
    return FilmScore(number, read.clean, read.technique, read.weld is not None, length, truths, false, marks, seconds, _references(read))


def _inside(call: Indication, box: list[float]) -> bool:
    x, y = call.centre_px or (-1.0, -1.0)
    return box[0] <= x <= box[2] and box[1] <= y <= box[3]


def _filled(outline: np.ndarray, grow: int, shape: tuple[int, int]) -> tuple[slice, slice, np.ndarray]:
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - grow - 1, 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + grow + 2, [shape[1], shape[0]])
    high = np.maximum(high, low + 1)
    picture = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    corners = np.round((outline - low) * 16).astype(np.int32)
    cv2.fillPoly(picture, [corners], 1, shift=4)
    cv2.polylines(picture, [corners], True, 1, 1, shift=4)
    if grow:
        picture = cv2.dilate(picture, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1,) * 2))
    return slice(low[1], high[1]), slice(low[0], high[0]), picture > 0


def _overlap(read: ReadFilm, truth: np.ndarray, call: np.ndarray) -> int:
    shape, grow = read.film.density.shape, round(GROW_MM * (read.film.pixels_per_mm or 20.0))
    gap = np.maximum(call.min(axis=0) - truth.max(axis=0), truth.min(axis=0) - call.max(axis=0))
    if gap.max() > grow + 2:
        return 0
    rows, columns, grown = _filled(truth, grow, shape)
    r, c, inside = _filled(call, 0, shape)
    top, left = max(rows.start, r.start), max(columns.start, c.start)
    bottom, right = min(rows.stop, r.stop), min(columns.stop, c.stop)
    if bottom <= top or right <= left:
        return 0
    one = grown[top - rows.start : bottom - rows.start, left - columns.start : right - columns.start]
    other = inside[top - r.start : bottom - r.start, left - c.start : right - c.start]
    return int((one & other).sum())


def matched(read: ReadFilm, calls: tuple[Indication, ...]) -> tuple[dict[int, int], set[int]]:
    """Truth to call, one to one, best overlap first; and every call that touches some truth."""
    overlaps = []
    for k, truth in enumerate(read.truths):
        for j, call in enumerate(calls):
            if call.tone == truth.indication.tone and (size := _overlap(read, truth.outline_px, np.array(call.outline_px))):
                overlaps.append((-size, k, j))
    pairs: dict[int, int] = {}
    used: set[int] = set()
    for _, k, j in sorted(overlaps):
        if k not in pairs and j not in used:
            pairs[k] = j
            used.add(j)
    return pairs, {j for _, _, j in overlaps}


def _found_by_groups(read: ReadFilm, calls: tuple[Indication, ...], groups: tuple[Group, ...]) -> set[int]:
    found: set[int] = set()
    by_id = {c.id: c for c in calls}
    grow = round(GROW_MM * (read.film.pixels_per_mm or 20.0))
    for one in groups:
        points = np.concatenate([np.array(by_id[m].outline_px) for m in one.members])
        hull = cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)
        rows, columns, inside = _filled(hull, 0, read.film.density.shape)
        members = []
        covered = np.zeros_like(inside)
        for k, truth in enumerate(read.truths):
            x, y = truth.outline_px.mean(axis=0)
            if cv2.pointPolygonTest(hull.astype(np.float32), (float(x), float(y)), False) < 0:
                continue
            members.append(k)
            cv2.circle(view := covered.astype(np.uint8), (int(x) - columns.start, int(y) - rows.start), grow + 2, 1, -1)
            covered = view > 0
        if inside.any() and (covered & inside).sum() >= GROUP_FILL * inside.sum():
            found |= set(members)
    return found


def _references(read: ReadFilm) -> dict[str, tuple[int, int]]:
    """(found, false calls) of two plain detectors that are told where the weld is: Laplacian-of-Gaussian blobs on a flattened
    picture, and a median background with a 5-sigma threshold and labelling."""
    if not read.backgrounds:
        return {"LoG blobs": (0, 0), "median + 5 sigma": (0, 0)}
    from scipy import ndimage

    boxes: dict[str, list[np.ndarray]] = {"LoG blobs": [], "median + 5 sigma": []}
    for background in read.backgrounds:
        step = max(1, round((read.film.pixels_per_mm or 20.0) / 10))
        flat = background.strip.density[::step, ::step]
        flat = flat - cv2.blur(flat, (81, 1), borderType=cv2.BORDER_REFLECT)
        xy = background.strip.film_xy[::step, ::step]
        layers = np.stack([-(s**2) * ndimage.gaussian_laplace(flat, s) for s in (1.5, 2.5, 4.0, 6.0)])
        spread = 1.4826 * np.median(np.abs(layers), axis=(1, 2), keepdims=True)
        best = (layers / spread).max(axis=0)
        peaks = np.argwhere((best == ndimage.maximum_filter(best, 9)) & (best > 6))
        boxes["LoG blobs"] += [xy[max(0, r - 3) : r + 4, max(0, c - 3) : c + 4].reshape(-1, 2) for r, c in peaks]
        base = background.strip.density[::step, ::step]
        rest = base - ndimage.median_filter(base, size=(1, 121), mode="reflect")
        labels, _ = ndimage.label(cv2.GaussianBlur(rest, (0, 0), 1.0) > 5 * 1.4826 * np.median(np.abs(cv2.GaussianBlur(rest, (0, 0), 1.0))))
        sizes = np.bincount(labels.ravel())
        for k, box in enumerate(ndimage.find_objects(labels), start=1):
            if box is not None and sizes[k] >= 6:
                boxes["median + 5 sigma"].append(xy[box].reshape(-1, 2))
    return {name: _scored_boxes(read, found) for name, found in boxes.items()}


def _scored_boxes(read: ReadFilm, boxes: list[np.ndarray]) -> tuple[int, int]:
    found: set[int] = set()
    false = 0
    margin = GROW_MM * (read.film.pixels_per_mm or 20.0)
    for box in boxes:
        low, high = box.min(axis=0) - margin, box.max(axis=0) + margin
        hits = [k for k, t in enumerate(read.truths) if ((t.outline_px >= low) & (t.outline_px <= high)).all(axis=1).any()]
        free = [k for k in hits if k not in found]
        false += not hits
        if free:
            found.add(free[0])
    return sum(read.truths[k].detectability >= LEAST_DETECTABILITY for k in found), false


def report(films: list[FilmScore]) -> None:
    """Prints the figures."""
    rows = [(t, d, c, g, f) for f in films for t, d, c, g in f.truths if d >= LEAST_DETECTABILITY]
    found = np.array([c is not None or g for _, _, c, g, _ in rows])
    d = np.array([r[1] for r in rows])
    clean = [f for f in films if f.clean]
    false = sum(len(f.false_calls) for f in films)
    print(f"weld found on {sum(f.found_weld for f in films)} of {len(films)}; true indications {len(rows)}, found {found.mean():.3f}")
    print(
        f"false calls a film {false / len(films):.2f}, "
        f"a clean film {sum(len(f.false_calls) for f in clean) / max(1, len(clean)):.2f} ({len(clean)} films), "
        f"per 100 mm {100 * false / max(1.0, sum(f.weld_mm for f in films)):.2f}, "
        f"on marks a film {sum(f.on_marks for f in films) / len(films):.2f}"
    )
    edges = [3, 5, 10, 20, 50, 100, 1e9]
    print(
        "found by detectability: "
        + ", ".join(
            f"{a:g}-{b:g}: {found[(d >= a) & (d < b)].mean():.2f} ({((d >= a) & (d < b)).sum()})"
            for a, b in pairwise(edges)
            if ((d >= a) & (d < b)).any()
        )
    )
    for title, key in (("technique", lambda r: r[4].technique), ("family", lambda r: _family(r[0].iso6520))):
        names = sorted({key(r) for r in rows})
        print(
            f"found by {title}: "
            + ", ".join(
                f"{n} {np.mean([f for f, r in zip(found, rows, strict=True) if key(r) == n]):.2f} ({sum(key(r) == n for r in rows)})"
                for n in names
            )
        )
    _logistic(d, found)
    _names([(t, c) for t, _, c, _, _ in rows if c is not None])
    _sizes([(t, c) for t, _, c, _, _ in rows if c is not None])
    for name in ("LoG blobs", "median + 5 sigma"):
        print(
            f"reference {name}: found {sum(f.references[name][0] for f in films) / max(1, len(rows)):.3f} at "
            f"{sum(f.references[name][1] for f in films) / len(films):.1f} false calls a film"
        )
    print(f"seconds of processor time a film, from segment to group: median {np.median([f.seconds for f in films]):.1f}")


def _family(number: str) -> str:
    known = by_number(number)
    return known.family if known else "other"


def _logistic(d: np.ndarray, found: np.ndarray) -> None:
    from sklearn.linear_model import LogisticRegression

    fitted = LogisticRegression(C=1e6).fit(np.log(d)[:, None], found)
    slope, offset = float(fitted.coef_[0, 0]), float(fitted.intercept_[0])
    half, most = np.exp(-offset / slope), np.exp((np.log(9) - offset) / slope)
    print(f"logistic fit on the logarithm of detectability: 50 % at {half:.0f}, 90 % at {most:.0f}")


def _names(pairs: list[tuple[Indication, Indication]]) -> None:
    from sklearn.metrics import f1_score

    true, told = [_family(t.iso6520) for t, _ in pairs], [_family(c.iso6520) for _, c in pairs]
    right = np.array(true) == np.array(told)
    score = f1_score(true, told, average="macro", zero_division=0, labels=sorted(set(true)))
    print(f"family named right {right.mean():.3f} of {len(pairs)}, macro-F1 {score:.3f}")
    print(
        "most frequent confusions: "
        + ", ".join(
            f"{a} taken for {b} {n}" for (a, b), n in Counter((a, b) for a, b in zip(true, told, strict=True) if a != b).most_common(6)
        )
    )
    confidence = np.array([c.confidence or 0.0 for _, c in pairs])
    exact = np.array([t.iso6520 == c.iso6520 for t, c in pairs])
    print(
        "reliability (confidence told: right): "
        + ", ".join(
            f"{confidence[m].mean():.2f}: {exact[m].mean():.2f} ({m.sum()})"
            for a in np.arange(0, 1, 0.2)
            if (m := (confidence >= a) & (confidence < a + 0.2)).any()
        )
    )


def _sizes(pairs: list[tuple[Indication, Indication]]) -> None:
    for name in ("length_mm", "width_mm", "local_width_mm"):
        both = [
            (getattr(c, name) - getattr(t, name), getattr(c, name.replace("_mm", "_u_mm"), None))
            for t, c in pairs
            if getattr(c, name) is not None and getattr(t, name) is not None
        ]
        if not both:
            continue
        error = np.array([e for e, _ in both])
        size = np.abs(error)
        text = f"{name}: median error {np.median(error):+.3f}, size {np.median(size):.3f}, 90 % within {np.percentile(size, 90):.2f}"
        if both[0][1] is not None:
            text += f"; stated interval covers {np.mean([abs(e) <= u for e, u in both]):.2f}"
        print(text)
    pores = [(t, c) for t, c in pairs if t.iso6520 in ("2011", "3041") and c.length_mm is not None and t.length_mm is not None]
    if pores:
        error = np.array([(c.length_mm or 0) - (t.length_mm or 0) for t, c in pores])
        print(f"pores and tungsten, length: median error {np.median(error):+.3f}, size {np.median(np.abs(error)):.3f} ({len(pores)})")
