"""Segment: dark and bright regions of the strips, outlined along the toe.

Candidates of every strip are measured, ranked, and the ones above the bar are outlined. A region's `score` is the matched-filter
height over local noise and clutter; its features carry everything later stages may want to know of the pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType

import cv2
import numpy as np
from scipy import ndimage

from rtscan.film import F32, F64, Background, Bool, Region, Regions
from rtscan.reading.background import NOMINAL_PIXELS_PER_MM
from rtscan.reading.candidates import Candidate, Search, find_candidates
from rtscan.reading.compact import fit_compact, fit_doubt
from rtscan.reading.cut import Cut, placed
from rtscan.reading.features import Features, candidate_features, surroundings
from rtscan.reading.filters import Grid, detection_grid
from rtscan.reading.halos import without_halos
from rtscan.reading.join import Piece, join, kinds_of
from rtscan.reading.net import KINDS, TONES, look
from rtscan.reading.outline import ribbon_outline, soft_place
from rtscan.reading.outline_clues import outline_clues
from rtscan.reading.overlap import once
from rtscan.reading.rank import bar_name, model_bar, rank
from rtscan.reading.repeats import without_repeats
from rtscan.reading.trace import Stretch, trace

TYPICAL_BLUR_MM = 0.10
"""Gaussian sigma of the unsharpness assumed when nothing is known of the exposure: total unsharpness 0.25 mm over 2.5."""


COMPACT_ASPECT = 2.0
COMPANY = ("near_3mm", "near_10mm", "row_mates", "opposite", "same_strength")
"""Features that compare a candidate with the others of its strip."""


PORE_SHARE = f"net_kind_{KINDS.index('pore')}"
SOFT_KINDS = ("lack of penetration", "undercut", "concavity", "excess metal")
LIKELY, SPECK_SHARE, STANDS_ALONE_SNR = 0.5, 0.25, 6.0
"""The network's probability that makes a place; a candidate smaller than this share of its place, and fainter than this, is a speck."""


PLACE_RIM_MM = 0.5
"""The network's place is so much longer than the flaw it holds (exploration films)."""


BEAD_SHARE = 0.5
"""Of the strip, beyond which a ribbon of excess metal is the bead."""


SOFT_END_DOUBT_MM, SOFT_END_DOUBT_SHARE, SOFT_WIDTH_DOUBT_MM = 0.5, 0.1, 0.3
"""Standard uncertainties of a wide soft place: of its length so many mm and such a share, of its width so many mm."""


@dataclass(frozen=True)
class SegmentSettings:
    """`bar` is the least rank (a probability) for a region, None for the model's own; sizes in mm.

    A line's end is known to `line_end_doubt_mm` and `line_end_doubt_share` of its length: its toe fades into grain (from the errors on
    the tuning films).
    """

    bar: float | None = None
    level_share: float = 0.4
    longest_ellipse_aspect: float = 3.0
    line_end_shift_mm: float = 0.1
    line_end_doubt_mm: float = 0.25
    line_end_doubt_share: float = 0.12


@dataclass(frozen=True)
class Found:
    """One strip searched: candidates with their features and ranks, before any bar."""

    search: Search
    features: tuple[Features, ...]
    ranks: F64


def search_strip(background: Background, grid: Grid | None = None) -> Found:
    """Every candidate of a strip, measured and ranked. grid: its detection grid where that is made already."""
    grid = grid or detection_grid(background)
    around = surroundings(background, grid)
    search = find_candidates(grid, look(grid, around))
    features = candidate_features(search, around)
    return Found(search, tuple(features), rank(features))


def segment(backgrounds: tuple[Background, ...], blur_mm: float | None = None, settings: SegmentSettings | None = None,
            grids: tuple[Grid, ...] | None = None) -> Regions:
    """Regions of all strips, best score first.

    blur_mm: Gaussian sigma of the film's unsharpness where known; grids: the detection grids of the strips where they are made already.
    """
    made = grids or (None,) * len(backgrounds)
    return outlined(backgrounds, tuple(search_strip(*each) for each in zip(backgrounds, made, strict=True)), blur_mm, settings)


def outlined(
    backgrounds: tuple[Background, ...],
    searched: tuple[Found, ...],
    blur_mm: float | None = None,
    settings: SegmentSettings | None = None,
) -> Regions:
    """The regions of strips already searched, best score first."""
    chosen = settings or SegmentSettings()
    regions: list[Region] = []
    for background, found in zip(backgrounds, searched, strict=True):
        bars = [model_bar(bar_name(f)) if chosen.bar is None else chosen.bar for f in found.features]
        accepted = without_halos(found.search, [k for k, bar in enumerate(bars) if found.ranks[k] >= bar])
        accepted = without_echoes(found, accepted)
        pieces = tuple(p for p in join(found.search, accepted, found.features) if not is_the_bead(p.candidate, found.search))
        for piece, features in zip(pieces, _features_of(pieces, found, background), strict=True):
            regions += _regions(background, found.search, piece, features, blur_mm, chosen)
    regions.sort(key=lambda r: (-r.score, r.arc, float(r.outline[:, 0].min()), float(r.outline[:, 1].min())))
    return without_repeats(once(regions), [background.strip for background in backgrounds])


def is_the_bead(c: Candidate, search: Search) -> bool:
    """Whether a bright ribbon of excess metal runs along more than half of the strip: there it is the weld's own root or cap that wanders
    from its mean profile, and no film tells whether it is too high (real beads do it, simulated ones rarely)."""
    kind = KINDS[int(kinds_of(search, c, c.mask).argmax())]
    return c.tone == "bright" and kind == "excess metal" and c.mask.shape[1] > BEAD_SHARE * search.grid.residual.shape[1]


def without_echoes(found: Found, accepted: list[int]) -> list[int]:
    """The accepted candidates less faint specks inside one wide place that the network sees as a large soft flaw: there the grain passes a
    bar that the network has lowered, and each speck would be a call of its own. The most probable of a place stays."""
    kept: list[int] = []
    claimed: set[tuple[str, int]] = set()
    places = {tone: ndimage.label(found.search.seen[k] > LIKELY)[0] for k, tone in enumerate(TONES)}
    areas = {tone: np.bincount(labels.ravel()) for tone, labels in places.items()}
    for k in sorted(accepted, key=lambda k: (-found.ranks[k], k)):
        c = found.search.candidates[k]
        place = int(places[c.tone][c.row, c.column])
        kind = KINDS[int(found.search.seen[len(TONES) :, c.row, c.column].argmax())]
        speck = place and kind in SOFT_KINDS and c.snr < STANDS_ALONE_SNR and c.mask.sum() < SPECK_SHARE * areas[c.tone][place]
        if speck and (c.tone, place) in claimed:
            continue
        if place:
            claimed.add((c.tone, place))
        kept.append(k)
    return sorted(kept)


def _features_of(pieces: tuple[Piece, ...], found: Found, background: Background) -> list[Features]:
    """Features and rank of every piece: of the candidate itself, or of the whole that its members make, with the company that the strongest
    of them keeps."""
    whole = [p.candidate for p in pieces if p.anew]
    anew: list[Features] = []
    if whole:
        anew = candidate_features(replace(found.search, candidates=tuple(whole)), surroundings(background, found.search.grid))
    new = iter(anew)
    result = []
    for piece in pieces:
        old = found.features[piece.members[0]]
        own = next(new) | {name: old[name] for name in COMPANY} if piece.anew else old
        result.append(own | {"rank": float(max(found.ranks[k] for k in piece.members)), "pieces": float(len(piece.members))})
    return result


def _regions(
    background: Background, search: Search, piece: Piece, features: Features, blur_mm: float | None, settings: SegmentSettings
) -> list[Region]:
    """One region, or several where the ridge of a long one is interrupted."""
    pitch = background.strip.pixels_per_mm or NOMINAL_PIXELS_PER_MM
    blur = (blur_mm or TYPICAL_BLUR_MM) * pitch
    tone = piece.candidate.tone
    regions = []
    for outline, extra in _outlines(background, search, piece, features, blur, settings):
        known = {
            "blur_px": blur,
            "hidden_px": _hidden(outline, piece, features, search, pitch),
            "beyond_px": _beyond(outline, piece, search, pitch),
        }
        regions.append(
            Region(
                arc=background.strip.arc,
                tone=tone,
                outline=outline,
                score=piece.candidate.snr,
                contrast=extra["height"],
                scale_px=piece.candidate.width_mm * pitch,
                features=MappingProxyType(features | extra | known | outline_clues(background, search, outline, tone)),
            )
        )
    return regions


def _hidden(outline: F64, piece: Piece, features: Features, search: Search, pitch: float) -> float:
    """By how much the place that may belong to a piece is longer than its outline, in strip pixels; nothing for compact ones."""
    if features["aspect"] < COMPACT_ASPECT:
        return 0.0
    long = float(np.hypot(*np.ptp(outline, axis=0)))
    return max(0.0, piece.reach * pitch / search.grid.per_mm - long)


def _beyond(outline: F64, piece: Piece, search: Search, pitch: float) -> float:
    """By how much the sure place round a piece is longer than its outline, in strip pixels, less the rim that every place has."""
    return max(0.0, piece.sure * pitch / search.grid.per_mm - PLACE_RIM_MM * pitch - float(np.hypot(*np.ptp(outline, axis=0))))


def _outlines(
    background: Background, search: Search, piece: Piece, features: Features, blur: float, settings: SegmentSettings
) -> list[tuple[F64, Features]]:
    """The toe in strip pixels, and what the fit says of contrast (`height`) and of its own doubt (`sigma_length_px`, `sigma_width_px`)."""
    c = piece.candidate
    cut = Cut(background, search, c)
    corner = np.array([cut.left, cut.top])
    compact = not piece.long and not piece.wide and features["aspect"] < settings.longest_ellipse_aspect
    fit = fit_compact(cut, blur, features.get(PORE_SHARE, 0.0)) if compact else None
    if fit is not None:
        return [(fit.outline() + corner, fit_doubt(fit, cut.pitch))]
    wide = _wide_outline(cut) if piece.wide else None
    if wide is not None:
        return [(wide[0] + corner, wide[1])]
    traced = _stretches(cut, search, piece, blur, settings.level_share)
    if traced:
        return [(t.outline + corner, _trace_doubt(t, cut.pitch)) for t in traced]
    outline, doubt = _level_outline(cut, c, features, blur, settings)
    return [(outline + corner, doubt)]


def _wide_outline(cut: Cut) -> tuple[F64, Features] | None:
    """A wide soft place along the network's own contour: its residual is patchy, because the background follows a part of it."""
    body = soft_place(cut.sure, cut.mine, cut.pitch)
    if body is None:
        return None
    outline = _mask_outline(body)
    smooth = cv2.GaussianBlur(cut.image, (0, 0), 0.1 * cut.pitch)
    return outline, {
        "height": float(np.percentile(smooth[body], 90)),
        "sigma_length_px": SOFT_END_DOUBT_MM * cut.pitch + SOFT_END_DOUBT_SHARE * float(np.ptp(outline, axis=0).max()),
        "sigma_width_px": SOFT_WIDTH_DOUBT_MM * cut.pitch,
        "misfit": 0.0,
        "fitted": 0.0,
    }


def _stretches(cut: Cut, search: Search, piece: Piece, blur: float, share: float) -> list[Stretch]:
    """The stretches of a long piece that hold a part of one of its members."""
    members = np.zeros(cut.mine.shape, dtype=bool)
    for k in piece.members:
        members |= placed(search.candidates[k], search, (cut.top, cut.left), cut.mine.shape)
    members &= cut.mine
    near = cv2.dilate(members.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    kept = []
    for stretch in trace(cut.image, cut.mine, cut.pitch, blur, share, cut.sure):
        at = np.clip(np.round(stretch.path).astype(int), 0, np.array(near.shape[::-1]) - 1)
        if near[at[:, 1], at[:, 0]].any():
            kept.append(stretch)
    return kept


def _trace_doubt(stretch: Stretch, pitch: float) -> Features:
    return {
        "height": stretch.height,
        "sigma_length_px": float(np.sqrt(2) * stretch.end_doubt),
        "sigma_width_px": stretch.width_doubt,
        "misfit": 0.0,
        "fitted": 0.0,
    }


def _level_outline(cut: Cut, c: Candidate, features: Features, blur: float, settings: SegmentSettings) -> tuple[F64, Features]:
    """The outline of a patch too short to trace and too odd to fit, at a share of its own contrast."""
    smooth = 0.08 * cut.pitch
    share = settings.level_share
    image = np.asarray(cv2.GaussianBlur(cut.image, (0, 0), smooth, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
    mask = _above_own_level(image, cut.mine, share, cut.pitch, 1.5 * cut.noise)
    total = float(np.hypot(blur, smooth))
    outline = ribbon_outline(mask, share, total, settings.line_end_shift_mm * cut.pitch)
    if outline is None:
        outline = _mask_outline(mask)
    return outline, {
        "height": float(np.percentile(image[mask], 95)) if mask.any() else float(c.contrast),
        "sigma_length_px": settings.line_end_doubt_mm * cut.pitch + settings.line_end_doubt_share * float(np.ptp(outline, axis=0).max()),
        "sigma_width_px": float(np.hypot(0.5 * total, 0.1 * features["inner_width_mm"] * cut.pitch)),
        "misfit": 0.0,
        "fitted": 0.0,
    }


def _above_own_level(image: F32, mine: Bool, share: float, pitch: float, floor: float) -> Bool:
    """Pixels above `share` of the greatest contrast within 0.8 mm along the patch, connected with the patch."""
    reach = 2 * round(0.8 * pitch) + 1
    crest = cv2.dilate(np.where(mine, image, 0).astype(np.float32), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    crest = cv2.GaussianBlur(crest, (0, 0), 0.3 * pitch)
    near = cv2.dilate(mine.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(0.25 * pitch) + 1,) * 2)) > 0
    above = (image > np.maximum(share * crest, floor)) & near
    _, labels = cv2.connectedComponents(above.astype(np.uint8), connectivity=8)
    counts = np.bincount(labels[above & mine].ravel(), minlength=int(labels.max()) + 1)
    counts[0] = 0
    if counts.max(initial=0) == 0:
        return mine
    return np.asarray(np.isin(labels, np.flatnonzero(counts >= 0.15 * counts.max())))


def _mask_outline(mask: Bool) -> F64:
    contours, _ = cv2.findContours(np.pad(mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    contour = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float) - 1.0
    if len(contour) < 3:
        return np.asarray(contour.mean(axis=0) + np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]))
    return np.asarray(contour)
