"""Unsharpness from the job sheet and from the film, noise, scanner pitch: against the testing standard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import cv2
import numpy as np

from rtscan.film import F32, Film, Strip
from rtscan.findings import Check
from rtscan.job import Job
from rtscan.knowledge.testing import (
    SNR_SQUARE_MM,
    Limit,
    asme_ug_limit,
    geometric_unsharpness_mm,
    inherent_unsharpness_mm,
    iso_least_distance,
    pitch_limits_um,
    resolution_limit,
    snr_n_limit,
)
from rtscan.reading.quality.contrast import FOG, Contrast
from rtscan.reading.quality.duplex import Duplex
from rtscan.reading.quality.lines import judged, not_assessed

MEASURED_SLACK = 1.3
"""What the measured unsharpness may be above the limit by its own uncertainty before it counts against the film."""
MEASURED_ON = "it is measured on two wires or more, a hole plaque or duplex pairs"
SNR_BLOCK = (20, 55)
"""ISO 17636-2: the signal-to-noise ratio is taken over at least 20 x 55 pixels."""


def sharpness_checks(film: Film, job: Job, strips: Sequence[Strip], contrast: Contrast | None,
                     duplex: Duplex | None = None) -> list[Check]:
    """All checks of blur and noise that the job sheet and the film allow."""
    checks = [c for c in (_geometric(job), _total(job, contrast, duplex), _pitch(film, job)) if c is not None]
    if job.testing.standard == "iso-17636-2" or job.iqi.kind == "duplex":
        checks.append(_resolution(job, contrast, duplex))
    if job.testing.standard == "iso-17636-2":
        checks += [_noise(film, job, strips, contrast)]
    return checks


def object_thickness_mm(job: Job) -> float | None:
    """b less the gap: the diameter where both walls are judged, else the wall."""
    technique = job.exposure.technique or ""
    return job.weld.od_mm if technique.startswith("DWDI") else job.weld.wall_mm


def penetrated_mm(job: Job) -> float | None:
    """Nominal thickness along the beam: the wall, twice it through both walls."""
    if job.weld.wall_mm is None:
        return None
    return job.weld.wall_mm * (2 if (job.exposure.technique or "").startswith("DW") else 1)


def _object_to_film_mm(job: Job) -> float | None:
    thickness = object_thickness_mm(job)
    return None if thickness is None else thickness + (job.exposure.object_to_film_mm or 0.0)


def _geometric(job: Job) -> Check | None:
    """Geometric unsharpness (ASME V) or least distance (ISO). Required only where the job sheet gives focal size and distance."""
    standard, shot, b_mm = job.testing.standard, job.exposure, _object_to_film_mm(job)
    if standard is None or standard == "api-1104":
        return None
    name = "source to object" if standard.startswith("iso") else "geometric unsharpness"
    if shot.focal_mm is None or shot.source_to_film_mm is None or b_mm is None:
        return not_assessed(name, "give focal_mm, source_to_film_mm and wall_mm", None, "mm", required=False)
    away_mm = shot.source_to_film_mm - b_mm
    if away_mm <= 0:
        return judged(name, away_mm, Limit("", "geometry", False, 0.0), "mm", "the job sheet puts the source inside the part")
    if standard.startswith("iso"):
        return _distance(name, job, away_mm, b_mm)
    ug_mm = geometric_unsharpness_mm(shot.focal_mm, b_mm, away_mm)
    most = asme_ug_limit(object_thickness_mm(job) or b_mm)
    return judged(name, ug_mm, most, "mm", f"geometric unsharpness {ug_mm:.2f} mm, by the job sheet")


def _distance(name: str, job: Job, away_mm: float, b_mm: float) -> Check:
    """ISO: b is the wall where it is less than 1.2 of it; half the distance is enough for a source in the middle of the pipe."""
    wall_mm = job.weld.wall_mm or b_mm
    least = iso_least_distance(job.exposure.focal_mm or 0.0, wall_mm if b_mm < 1.2 * wall_mm else b_mm, job.testing.class_ or "B")
    share = 0.5 if job.exposure.technique == "panoramic" else 1.0
    return judged(name, away_mm, replace(least, min=(least.min or 0.0) * share), "mm", "the source is too near, by the job sheet", digits=1)


def _total(job: Job, contrast: Contrast | None, duplex: Duplex | None) -> Check:
    """Unsharpness as measured on wires, plaque or duplex pairs, against what the standard's geometry and the radiation's own unsharpness
    add up to."""
    name, limit = "total unsharpness", _total_limit(job)
    if duplex is not None:
        measured, least, where = 2 * duplex.resolution_mm, None, "the duplex pairs"
    elif contrast is not None and contrast.unsharpness_mm is not None:
        measured, least, where = contrast.unsharpness_mm, contrast.unsharpness_least_mm, f"the {contrast.said_by}"
    else:
        return not_assessed(name, f"{MEASURED_ON}, and none of them was read", limit, "mm", required=False)
    said = f"{measured:.2f} mm measured on {where}"
    if limit is None:
        return not_assessed(name, f"{said}; no limit without testing standard, wall and source", None, "mm", required=False,
                            measured=round(measured, 3))
    slack = (MEASURED_SLACK - 1) * (limit.max or 0.0)
    if least is not None and least <= (limit.max or 0.0) + slack < measured:
        return not_assessed(name, f"{said}, but {least:.2f} mm fits as well", limit, "mm", required=False, measured=round(measured, 3))
    return judged(name, measured, limit, "mm", f"the film is unsharp: {said}", slack=slack, passing=said)


def _total_limit(job: Job) -> Limit | None:
    standard, b_mm = job.testing.standard, _object_to_film_mm(job)
    inherent = inherent_unsharpness_mm(job.exposure.source, job.exposure.kv)
    if standard is None or b_mm is None or inherent is None:
        return None
    iso_mm = b_mm ** (1 / 3) / (7.5 if job.testing.class_ == "A" else 15.0)
    ug_mm = iso_mm if standard.startswith("iso") else asme_ug_limit(b_mm).max or 0.0
    source = "geometric limit and inherent unsharpness in quadrature; common practice, no published source for this sum"
    return Limit("follows from the geometry rule", source, True, None, hypot(ug_mm, inherent))


def _resolution(job: Job, contrast: Contrast | None, duplex: Duplex | None) -> Check:
    """Of the duplex pairs where they were read, else half the unsharpness measured on wires or a plaque. Required by ISO 17636-2 only."""
    name, through, digital = "basic spatial resolution", penetrated_mm(job), job.testing.standard == "iso-17636-2"
    measured = None if contrast is None or contrast.unsharpness_mm is None else contrast.unsharpness_mm / 2
    says = "the image is not sharp enough"
    if duplex is not None:
        measured = duplex.resolution_mm
        says = f"duplex pair D{duplex.number} is the first whose wires merge" if duplex.number else "all duplex pairs are apart"
    if through is None or measured is None:
        return not_assessed(name, f"give wall_mm; {MEASURED_ON}", None, "mm", required=digital, measured=measured)
    limit = resolution_limit(job.testing.class_ or "B", through)
    slack = 0.0 if duplex is not None else (MEASURED_SLACK - 1) * (limit.max or 0.0)
    return judged(name, measured, limit, "mm", says, slack=slack, passing=says if duplex is not None else "", required=digital)


def _noise(film: Film, job: Job, strips: Sequence[Strip], contrast: Contrast | None) -> Check:
    """Normalised signal-to-noise of the parent metal, where the grey value is linear in dose."""
    name, through = "normalised signal-to-noise", penetrated_mm(job)
    limit = None if through is None else snr_n_limit(job.testing.class_ or "B", job.exposure.source, job.exposure.kv, through)
    if limit is None:
        return not_assessed(name, "give wall_mm, source and kv", None, "SNR_N")
    value = normalised_snr(film, strips, contrast)
    if value is None:
        return not_assessed(name, "grey must be linear in dose (grey_is = \"dose\") or calibrated, and the blur known", limit, "SNR_N")
    return judged(name, value, limit, "SNR_N", "the image is too noisy", digits=1)


def normalised_snr(film: Film, strips: Sequence[Strip], contrast: Contrast | None) -> float | None:
    """SNR_N = SNR x 88.6 um / SRb: median over blocks of 20 x 55 pixels, signal net density (linear film) or dose; None when unknown."""
    if contrast is None or contrast.unsharpness_mm is None or not strips:
        return None
    calibrated = film.facts.density_calibrated
    if not calibrated and film.facts.grey_is != "dose":
        return None
    values = []
    for strip in strips:
        signal = strip.density - np.float32(FOG if calibrated else 0.0)
        values += _block_snr(signal, strip)
    return None if not values else float(np.median(values)) * SNR_SQUARE_MM / (contrast.unsharpness_mm / 2)


def _block_snr(signal: F32, strip: Strip) -> list[float]:
    """Signal over noise in blocks, slopes of the signal taken out by a smooth copy."""
    rows, columns = SNR_BLOCK
    smooth = cv2.GaussianBlur(signal, (0, 0), 12.0)
    rough = signal - smooth
    values = []
    for top in range(0, signal.shape[0] - rows, rows):
        for left in range(0, signal.shape[1] - columns, 4 * columns):
            block = (slice(top, top + rows), slice(left, left + columns))
            if strip.usable[block].all():
                values.append(float(smooth[block].mean() / max(rough[block].std(), 1e-6)))
    return values


def _pitch(film: Film, job: Job) -> Check | None:
    """Scanner pitch against ISO 14096-2: passes up to class DA, says when it is not of archiving class."""
    limit = pitch_limits_um(job.exposure.source, job.exposure.kv)
    if limit is None or film.pixels_per_mm is None:
        return None
    pitch_um = 1000 / film.pixels_per_mm
    finest = limit.min or 0.0
    return judged("scanner pitch", pitch_um, replace(limit, min=None), "um", "too coarse for any class", required=False, digits=1,
                  slack=0.02 * (limit.max or 0.0), passing="" if pitch_um <= finest * 1.02 else "not of class DS: keep the film itself")
