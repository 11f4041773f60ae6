"""Film files to `Film`: decode, settle look and density, take the scale. The only place that knows grey values.

Density: by the calibration of the job sheet or of the file, else relative to the film by what the job sheet says the grey value is
linear in. Relative density spans FULL_SCALE over the stored range: the sense is right, gain and offset are unknown.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rtscan.errors import FilmError
from rtscan.film import F32, Bool, Film
from rtscan.findings import FilmFacts
from rtscan.job import LEAST_PIXELS_PER_MM, MOST_PIXELS_PER_MM, Job
from rtscan.reading.decode import BadPage, Page, Spacing, decode, kind_of
from rtscan.reading.look import decide_look

MAX_MEGAPIXELS = 120.0
"""Default size limit, all pages together: a 350 x 430 mm film at 45 micrometre pitch is 76 megapixels."""
FULL_SCALE = 4.0
SMALLEST_SIDE_PX = 32
NAN_SHARE_MAX = 0.01
PITCH_TOLERANCE = 0.005
SCALE_UNCERTAINTY = 0.01
"""Assumed expanded relative uncertainty of a scale from the job sheet. Common practice, no published source."""

_ENDINGS = {"png": (".png",), "tiff": (".tif", ".tiff"), "jpeg": (".jpg", ".jpeg", ".jpe"), "bmp": (".bmp",), "webp": (".webp",),
            "dicom": (".dcm", ".dic", ".dicom", "")}


def load_films(path: Path, job: Job, max_megapixels: float = MAX_MEGAPIXELS) -> tuple[Film, ...]:
    """Reads a film file; one Film per page.

    Raises FilmError, one line per page that cannot be read, when any cannot: a film is never half read in silence.
    """
    data = _bytes(path, max_megapixels)
    kind = kind_of(data)
    if kind is None:
        raise FilmError(str(path), "is not a film in PNG, TIFF, JPEG, BMP, WebP or DICONDE format; export the scan as one of these")
    try:
        pages = decode(data, kind, max_megapixels)
    except BadPage as problem:
        raise FilmError(str(path), str(problem)) from problem
    facts = FilmFacts(file=path.as_posix(), sha256=hashlib.sha256(data).hexdigest())
    if path.suffix.lower() not in _ENDINGS[kind]:
        facts = replace(facts, warnings=(f"the name ends in {path.suffix!r} but the file is {kind.upper()}; read as {kind.upper()}",))
    films: list[Film] = []
    problems: list[str] = []
    for number, page in enumerate(pages, start=1):
        try:
            films.append(_film(page, replace(facts, page=number), job))
        except BadPage as problem:
            problems.append(f"page {number} {problem}" if len(pages) > 1 else str(problem))
    if problems:
        raise FilmError(str(path), problems)
    return tuple(films)


def _bytes(path: Path, max_megapixels: float) -> bytes:
    try:
        if path.is_dir():
            raise FilmError(str(path), "is a folder, not a film; name the files in it")
        if not path.exists():
            raise FilmError(str(path), "does not exist; check the name")
        if not path.is_file():
            raise FilmError(str(path), "is not an ordinary file; copy the film to one")
        size = path.stat().st_size
        if size > max_megapixels * 1e6 * 8 + 2**20:
            raise FilmError(str(path), f"is {size / 1e6:.0f} MB, too large for {max_megapixels:g} megapixels; raise --max-megapixels")
        data = path.read_bytes()
    except (OSError, ValueError) as problem:
        raise FilmError(str(path), f"cannot be read ({getattr(problem, 'strerror', None) or problem}); check name and rights") from problem
    if not data:
        raise FilmError(str(path), "is empty; copy or scan it again")
    return data


def _film(page: Page | BadPage, facts: FilmFacts, job: Job) -> Film:
    if isinstance(page, BadPage):
        raise page
    usable, notes = _usable(page)
    look, reason = _look(page, usable, job)
    density, valid, calibrated = _density(page, usable, look, job)
    scale, scale_notes = _scale(page.spacing, job)
    rows, columns = page.grey.shape
    facts = replace(
        facts, width_px=columns, height_px=rows, bits=page.bits, look=look, look_reason=reason,
        grey_is="density" if calibrated and page.density_scale else job.film.grey_is, density_calibrated=calibrated,
        pixels_per_mm=scale[0], scale_from=scale[1], scale_uncertainty=scale[2],
        warnings=facts.warnings + page.warnings + notes + scale_notes,
    )
    return Film(facts=facts, density=density, valid=valid, tags=page.tags)


def _usable(page: Page) -> tuple[Bool | None, tuple[str, ...]]:
    """Pixels that hold a number and are not transparent; None when all do. Raises BadPage for a picture that shows nothing."""
    rows, columns = page.grey.shape
    if min(rows, columns) < SMALLEST_SIDE_PX:
        raise BadPage(f"is only {columns} x {rows} pixels, too small for a film; scan it again")
    usable = page.opaque
    notes: tuple[str, ...] = ()
    if page.grey.dtype.kind == "f":
        finite = np.isfinite(page.grey)
        bad = 1 - float(finite.mean())
        if bad > NAN_SHARE_MAX:
            raise BadPage(f"has no number in {bad:.0%} of its pixels (NaN or infinite); export it again")
        if bad:
            usable = finite if usable is None else usable & finite
            notes = (f"{bad:.2%} of the pixels are not numbers and are left out",)
    sample = (page.grey if usable is None else page.grey[usable]).ravel()
    sample = sample[:: max(1, sample.size // 200_000)]
    low, high = np.percentile(sample, [0.1, 99.9]) if sample.size else (0.0, 0.0)
    if not high > low:
        shade = "black" if page.grey.dtype.kind in "ui" and high <= 0 else "one grey"
        raise BadPage(f"is all {shade} and shows nothing; scan it again")
    if not ((sample > sample.min()) & (sample < sample.max())).any():
        raise BadPage("holds only two grey values; scan it at 8 bits or more, not as line art")
    return usable, notes


def _look(page: Page, usable: Bool | None, job: Job) -> tuple[str, str]:
    """The look and why: calibration, job sheet, tags of the file, the picture, in that order. Raises BadPage when undecidable."""
    rises = _density_rises(page, job)
    if rises is not None:
        look = "dense-bright" if rises == page.zero_is_white else "dense-dark"
        if job.film.look not in ("auto", look):
            raise BadPage(f"is said to be {job.film.look}, but its grey-to-density table makes it {look}; "
                          "correct one of them in the job sheet")
        return look, "from the grey-to-density calibration"
    if job.film.look != "auto":
        return job.film.look, "from the job sheet"
    if page.more_is_less_metal is not None:
        look = "dense-bright" if page.more_is_less_metal == page.zero_is_white else "dense-dark"
        return look, "from the Pixel Intensity Relationship Sign of the file"
    shown = _shrunk(page, usable)
    decision = decide_look(-shown if page.zero_is_white else shown)
    if decision.look is None:
        raise BadPage(f"does not show whether dense is bright or dark: {decision.reason}; "
                      "give look = \"dense-bright\" or \"dense-dark\" in the job sheet")
    return decision.look, decision.reason


def _shrunk(page: Page, usable: Bool | None) -> F32:
    step = max(1, min(max(page.grey.shape) // 1600, min(page.grey.shape) // SMALLEST_SIDE_PX))
    grey = page.grey[: page.grey.shape[0] // step * step, : page.grey.shape[1] // step * step]
    if usable is not None:
        grey = np.where(usable[: grey.shape[0], : grey.shape[1]], grey, np.median(page.grey[usable]))
    size = (grey.shape[1] // step, grey.shape[0] // step)
    plain = grey if grey.dtype in (np.uint8, np.uint16, np.int16, np.float32) else grey.astype(np.float32)
    return cv2.resize(plain, size, interpolation=cv2.INTER_AREA).astype(np.float32)


def _density_rises(page: Page, job: Job) -> bool | None:
    """True when optical density grows with the grey value, False when it falls, None without calibration."""
    table = job.film.grey_to_density
    if table:
        return table[-1][1] > table[0][1]
    return None if page.density_scale is None else page.density_scale > 0


def _density(page: Page, usable: Bool | None, look: str, job: Job) -> tuple[F32, Bool, bool]:
    """Density, which pixels are valid, and whether it is absolute. 8- and 16-bit pictures go through one look-up table."""
    calibrated = bool(job.film.grey_to_density) or page.density_scale is not None
    more_is_metal = (look == "dense-bright") != page.zero_is_white
    if page.grey.dtype in (np.uint8, np.uint16):
        levels = np.arange(np.iinfo(page.grey.dtype).max + 1, dtype=np.float64)
        table, fits = _to_density(levels, page, job, more_is_metal)
        # OpenCV looks up seven times as fast as indexing does.
        density = np.asarray(cv2.LUT(page.grey, table[None]), dtype=np.float32)
        valid = np.asarray(cv2.LUT(page.grey, fits.view(np.uint8)[None])).view(np.bool_)
    else:
        grey = page.grey if usable is None else np.where(usable, page.grey, np.median(page.grey[usable]))
        density, valid = _to_density(grey.astype(np.float64), page, job, more_is_metal)
    if usable is not None:
        valid = valid & usable
        density[~usable] = np.median(density[usable])
    return density, valid, calibrated


def _to_density(grey: NDArray[np.float64], page: Page, job: Job, more_is_metal: bool) -> tuple[F32, Bool]:
    table = job.film.grey_to_density
    low, high = _stored_range(grey, page)
    inside = (grey > low) & (grey < high) if page.white is not None else np.ones(grey.shape, dtype=bool)
    if table:
        points = np.array(sorted(table))
        inside &= (grey >= points[0, 0]) & (grey <= points[-1, 0])
        return np.interp(grey, points[:, 0], points[:, 1]).astype(np.float32), inside
    if page.density_scale is not None:
        return (grey * page.density_scale).astype(np.float32), inside
    metal = np.clip((grey - low) / (high - low), 0, 1)
    if not more_is_metal:
        metal = 1 - metal
    if job.film.grey_is == "light":
        return -np.log10(np.maximum(metal, 0.5 / (high - low))).astype(np.float32), inside
    return (FULL_SCALE * (1 - metal)).astype(np.float32), inside


def _stored_range(grey: NDArray[np.float64], page: Page) -> tuple[float, float]:
    if page.white is None:
        return float(grey.min()), float(grey.max())
    return (-page.white - 1 if page.grey.dtype.kind == "i" else 0.0), page.white


def _scale(spacing: Spacing | None, job: Job) -> tuple[tuple[float | None, str | None, float | None], tuple[str, ...]]:
    """Pixels per mm, where it comes from, its relative uncertainty, and warnings. Never a guess: without a source it is None."""
    stated = job.film.pixels_per_mm
    if stated is not None:
        notes: tuple[str, ...] = ()
        if spacing is not None and abs(stated * spacing.columns_mm - 1) > 0.02:
            notes = (f"the job sheet gives {stated:g} pixels per mm, the file {1 / spacing.columns_mm:.2f} ({spacing.said_by}); "
                     "the job sheet is used",)
        return (stated, "job sheet", job.film.scale_uncertainty or SCALE_UNCERTAINTY), notes
    if job.film.scale != "file":
        return (None, None, None), ()
    if spacing is None:
        return (None, None, None), ("the file states no scale that can be trusted; give pixels_per_mm",)
    if abs(spacing.rows_mm / spacing.columns_mm - 1) > PITCH_TOLERANCE:
        raise BadPage(f"has unequal pixel pitch, {spacing.columns_mm:g} mm across and {spacing.rows_mm:g} mm down ({spacing.said_by}); "
                      "scan it with square pixels")
    found = 1 / spacing.columns_mm
    if not LEAST_PIXELS_PER_MM <= found <= MOST_PIXELS_PER_MM:
        return (None, None, None), (f"the file states {found:.3g} pixels per mm ({spacing.said_by}), which no film scanner has; "
                                    "give pixels_per_mm",)
    return (found, spacing.said_by, job.film.scale_uncertainty or spacing.uncertainty), ()
