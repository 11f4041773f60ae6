"""Every place of a strip once: a region that lies within others of its tone is the same indication seen twice."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from rtscan.film import Region
from rtscan.reading.net import KINDS

INSIDE_SHARE = 0.6
"""A region lies within another when that covers this share of its area."""
STANDS_OUT = 1.6
"""A region this many times as strong as the one around it is kept beside it: a pore within an undercut."""
SPOT_SHARE, SPOT_KINDS = 0.05, ("pore", "metal")
"""So small beside the region around it, and a pore or a grain of metal to the network where the other is not, a region is kept too."""
SAME_SHARE = 0.5
"""Of two regions, one in the other, that differ less than this in area, the stronger is the sight and the other its echo."""


def once(regions: Sequence[Region]) -> tuple[Region, ...]:
    """The regions, in their order, without those that lie within a larger one of the same arc and tone and do not stand out of it."""
    boxes = [(*r.outline.min(axis=0), *r.outline.max(axis=0)) for r in regions]
    areas = [_area(r) for r in regions]
    larger_first = sorted(range(len(regions)), key=lambda k: (-areas[k], k))
    kept: list[int] = []
    for k in larger_first:
        region = regions[k]
        around = (j for j in kept if regions[j].arc == region.arc and regions[j].tone == region.tone and _touch(boxes[j], boxes[k]))
        over = [regions[j] for j in around if region.score <= STANDS_OUT * regions[j].score
                and not (areas[k] <= SPOT_SHARE * areas[j] and _kind(region) in SPOT_KINDS and _kind(regions[j]) not in SPOT_KINDS)]
        if over and _covered(region, over):
            continue
        echoes = [j for j in kept if _echo(regions[j], region, areas[j], areas[k], _touch(boxes[j], boxes[k]))]
        kept = [j for j in kept if j not in echoes] + [k]
    return tuple(regions[k] for k in sorted(kept))


def _echo(fainter: Region, region: Region, its_area: float, area: float, touch: bool) -> bool:
    """Whether a kept region is a fainter sight of the same place: little larger than one that stands out of it, and holding it."""
    same = touch and fainter.arc == region.arc and fainter.tone == region.tone and area >= SAME_SHARE * its_area
    return same and region.score > STANDS_OUT * fainter.score and _covered(region, [fainter])


def _kind(region: Region) -> str:
    """What the network takes a region for above all; nothing where it was not asked."""
    shares = [region.features.get(f"net_kind_{k}", 0.0) for k in range(len(KINDS))]
    return KINDS[int(np.argmax(shares))] if any(shares) else ""


def _area(region: Region) -> float:
    return float(cv2.contourArea(region.outline.astype(np.float32)))


def _touch(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return bool(a[0] <= b[2] and b[0] <= a[2] and a[1] <= b[3] and b[1] <= a[3])


def _covered(region: Region, others: Sequence[Region]) -> bool:
    """Whether the others together cover the share of `region`, counted on its own pixels (at least 8 x 8 points for the smallest)."""
    low, high = region.outline.min(axis=0), region.outline.max(axis=0)
    step = max(min(1.0, float((high - low).min()) / 8), 1e-3, float((high - low).max()) / 2000)
    shape = tuple(int(n) + 3 for n in np.ceil((high - low) / step))
    own, cover = (np.zeros((shape[1], shape[0]), np.uint8) for _ in range(2))
    cv2.fillPoly(own, [np.round((region.outline - low) / step + 1).astype(np.int32)], 1)
    for other in others:
        cv2.fillPoly(cover, [np.round((other.outline - low) / step + 1).astype(np.int32)], 1)
    return bool((own & cover).sum() >= INSIDE_SHARE * max(1, int(own.sum())))
