"""Which way round the film is: does more metal show brighter (dense-bright) or darker (dense-dark)?

Two cues that hold for any weld radiograph: lead letters, numbers and wires are the densest things on a film, small and with
hard edges; and a weld with its cap is thicker than the plate on both sides of it. Settings: common practice, no published source;
chosen on real films, where each cue is required to be clear and two clear cues to agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rtscan.film import F32, F64

SHORTER_SIDE_PX = 24


@dataclass(frozen=True)
class LookSettings:
    """Shares are of the film's longer side, contrasts of its grey range (0.5 to 99.5 %)."""

    longer_side_px: int = 800
    mark_share: float = 0.02
    mark_contrast: float = 0.2
    mark_area_min: float = 0.0015
    mark_lead_min: float = 0.2
    band_contrast_min: float = 0.12
    band_lead_min: float = 0.35


@dataclass(frozen=True)
class LookDecision:
    """`look` is None when the film does not show it; `reason` says what was seen."""

    look: str | None
    reason: str


def decide_look(brightness: F32, settings: LookSettings = LookSettings()) -> LookDecision:
    """Decides from the picture as displayed, shape (rows, columns), any range, brighter is larger."""
    small = _normalised(brightness, settings.longer_side_px)
    votes = [v for v in (_marks_vote(small, settings), _band_vote(small, settings)) if v is not None]
    looks = {look for look, _ in votes}
    reason = "; ".join(reason for _, reason in votes)
    if len(looks) == 1:
        return LookDecision(looks.pop(), reason)
    return LookDecision(None, f"the signs disagree ({reason})" if reason else "neither lead letters nor a weld stand out")


def _normalised(brightness: F32, longer_side_px: int) -> F32:
    scale = min(1.0, max(longer_side_px / max(brightness.shape), SHORTER_SIDE_PX / min(brightness.shape)))
    small = cv2.resize(brightness, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else brightness
    edge = max(2, round(0.01 * max(small.shape)))
    if min(small.shape) > 8 * edge:
        small = small[edge:-edge, edge:-edge]
    low, high = np.percentile(small, [0.5, 99.5])
    share: F32 = np.clip((small - low) / max(high - low, 1e-9), 0, 1).astype(np.float32)
    return share


def _marks_vote(small: F32, settings: LookSettings) -> tuple[str, str] | None:
    """Area of small marks that stand out bright against area of those that stand out dark (grey openings and closings)."""
    size = round(settings.mark_share * max(small.shape)) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    smooth = cv2.GaussianBlur(small, (0, 0), 0.8)
    bright, dark = (float((cv2.morphologyEx(smooth, how, disc) > settings.mark_contrast).mean())
                    for how in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT))
    lead = (bright - dark) / max(bright + dark, 1e-9)
    if bright + dark < settings.mark_area_min or abs(lead) < settings.mark_lead_min:
        return None
    return ("dense-bright", "lead letters and markers are bright") if lead > 0 else ("dense-dark", "lead letters and markers are dark")


def _band_vote(small: F32, settings: LookSettings) -> tuple[str, str] | None:
    """The strongest band brighter than both its sides against the strongest darker one, over both directions."""
    bands = [_band_contrast(image) for image in (small, np.ascontiguousarray(small.T))]
    bright, dark = (max(b[i] for b in bands) for i in (0, 1))
    lead = (bright - dark) / max(bright + dark, 1e-9)
    if max(bright, dark) < settings.band_contrast_min or abs(lead) < settings.band_lead_min:
        return None
    return ("dense-bright", "the weld is brighter than the metal beside it") if lead > 0 else (
        "dense-dark", "the weld is darker than the metal beside it")


def _band_contrast(image: F32) -> tuple[float, float]:
    """Greatest contrast of a bright and of a dark band along the rows: median over eight stretches of the film."""
    pairs = [_profile_contrast(np.median(block, axis=1).astype(np.float64)) for block in np.array_split(image, 8, axis=1)]
    bright, dark = np.median(np.array(pairs), axis=0)
    return float(bright), float(dark)


def _profile_contrast(profile: F64) -> tuple[float, float]:
    sums = np.concatenate([[0.0], np.cumsum(profile)])
    length, bright, dark = len(profile), 0.0, 0.0
    for share in (0.07, 0.1, 0.15, 0.22, 0.3, 0.4):
        width = max(3, int(share * length))
        flank, inset = max(2, width // 2), width // 6
        start = np.arange(flank, length - width - flank)
        if not len(start):
            continue
        middle = (sums[start + width - inset] - sums[start + inset]) / (width - 2 * inset)
        before = (sums[start] - sums[start - flank]) / flank
        after = (sums[start + width + flank] - sums[start + width]) / flank
        bright = max(bright, float(np.minimum(middle - before, middle - after).max()))
        dark = max(dark, float(np.minimum(before - middle, after - middle).max()))
    return bright, dark
