"""Invented worksheets and films for looking at reports: a horizontal weld with blobs where the worksheet says they are."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from rtscan import findings as say
from rtscan.film import Film

MakeFilm = Callable[..., Film]
MakeSheet = Callable[..., say.Worksheet]
_RESULTS: tuple[say.Result, ...] = ("accept", "reject", "review", "cannot judge", "accept")
_TYPES = (("gas pore", "2011"), ("linear slag inclusion", "3011"), ("incomplete root penetration", "4021"), ("undercut", "501"),
          ("tungsten inclusion", "3041"))


def _indication(number: int, rows: int, columns: int, per_mm: float, rng: np.random.Generator) -> say.Indication:
    kind, iso6520 = _TYPES[number % 5]
    long = float(rng.uniform(8, 40)) if number % 5 in (1, 2, 3) else float(rng.uniform(0.8, 3.0))
    wide = float(rng.uniform(0.6, 1.2)) if long > 5 else long * float(rng.uniform(0.7, 1.0))
    x, y = float(rng.uniform(0.08, 0.92) * columns), rows / 2 + float(rng.uniform(-0.1, 0.1)) * rows
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    outline = np.column_stack([x + long / 2 * per_mm * np.cos(turn), y + wide / 2 * per_mm * np.sin(turn)])
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    return say.Indication(
        number, "bright" if iso6520 == "3041" else "dark", kind, iso6520, 0.82, (say.Alternative("slag inclusion", "301", 0.12),),
        f"{'round' if long < 4 else 'long'}, {long:.1f} mm, sharp edge, {abs(y - rows / 2) / per_mm:.1f} mm off the centreline",
        bbox_px=(float(x0), float(y0), float(x1), float(y1)), outline_px=tuple((float(a), float(b)) for a, b in outline), centre_px=(x, y),
        along_mm=x / per_mm, across_mm=(y - rows / 2) / per_mm, length_mm=long, width_mm=wide, local_width_mm=wide, area_mm2=2.0,
        length_u_mm=0.3, width_u_mm=0.2, clock="3:25", signal_to_noise=23.0, contrast=0.12, angle_deg=0.0, result=_RESULTS[number % 5],
        note="=1+1 <b>by eye</b>" if number == 2 else "",
    )


@pytest.fixture
def make_sheet() -> MakeSheet:
    """make_sheet(count, rows, columns, per_mm): a worksheet of an invented weld with `count` indications."""

    def make(count: int = 6, rows: int = 500, columns: int = 1800, per_mm: float = 10.0) -> say.Worksheet:
        rng = np.random.default_rng(5)
        xs = np.linspace(0.02 * columns, 0.98 * columns, 41)
        middle = rows / 2 + 6 * np.sin(xs / columns * 6)
        arc = say.WeldArc(None, tuple(zip(xs, middle, strict=True)), tuple(zip(xs, middle - 0.14 * rows, strict=True)),
                          tuple(zip(xs, middle + 0.14 * rows, strict=True)), 0.02 * columns / per_mm, 0.98 * columns / per_mm)
        indications = tuple(_indication(k, rows, columns, per_mm, rng) for k in range(1, count + 1))
        findings = tuple(
            say.Finding(f"9.3.{k}", i.result or "accept", f"{i.type} {i.length_mm:.1f} mm is judged against 25 % of 8.0 mm = 2.0 mm <i>",
                        f"9.3.{k} a", (i.id,), measured=i.length_mm, measured_u=0.3, limit=2.0, unverified=k % 3 == 0)
            for k, i in enumerate(indications, 1)
        )
        return say.Worksheet(
            tool="rtscan 0.1.0",
            film=say.FilmFacts("brannefoss_<01>.tif", "ab" * 32, 1, columns, rows, 16, grey_is="density", density_calibrated=True,
                               pixels_per_mm=per_mm, scale_from="job sheet", scale_uncertainty=0.01),
            quality=say.Quality(True, (
                say.Check("density in the area of interest", "pass", "7.8", 2.6, say.Range(2.0, 4.0), "", True, False, "ISO 17636-1"),
                say.Check("wire", "not assessed", "6.8", None, say.Range(13.0, None), "", True, True, "", "no wire seen"),
            ), say.DetectionLimit(0.7, 0.12, (0.0, 50.0, 100.0), (0.7, 0.5, 0.6))),
            weld=say.WeldFacts("W-017", 528.7, 12.0, (arc,), 7.11, 168.3, "girth", "V 60", "141", "multi", "carbon steel",
                               ("A1", "B2"), 0, 2, say.LocationFacts("punch mark at top", "12:00", "downstream", "clockwise", "up")),
            indications=indications,
            groups=(say.Group("G1", "cluster", "clustered porosity", "2013", (1, 5), 3.0, 60.0, 62.0),) if count >= 5 else (),
            objects=(say.ObjectMark("wire", (0.3 * columns, 0.1 * rows, 0.31 * columns, 0.9 * rows), "W13"),
                     say.ObjectMark("letter", (0.05 * columns, 0.05 * rows, 0.09 * columns, 0.15 * rows), "F")),
            criteria=say.CriteriaFacts("iso-10675-1-level-2", "ISO 10675-1 level 2", "2021"), findings=findings,
            removal=tuple(i.id for i in indications if i.result == "reject"),
            verdict="reject" if count else "accept", verdict_unverified=True, verdict_says="rejected between stations 3.6 and 176.4 mm",
            exposure=say.ExposureFacts("DWSI", "Se-75", None, 2.0, 600.0, 10.0), segment="0-1", shot="R1", date="2026-05-04",
        )

    return make


@pytest.fixture
def make_film() -> MakeFilm:
    """make_film(worksheet): noise, a denser weld band and the worksheet's indications, as density."""

    def make(worksheet: say.Worksheet) -> Film:
        rows, columns = worksheet.film.height_px, worksheet.film.width_px
        rng = np.random.default_rng(3)
        y = np.arange(rows)[:, None]
        density = 2.6 - 0.9 * np.exp(-(((y - rows / 2) / (0.13 * rows)) ** 4)) + 0.3 * np.linspace(-1, 1, columns)[None]
        density = density.astype(np.float32) + rng.normal(0, 0.035, (rows, columns)).astype(np.float32)
        for i in worksheet.indications:
            mask = np.zeros((rows, columns), np.float32)
            cv2.fillPoly(mask, [np.round(np.array(i.outline_px)).astype(np.int32)], 1.0)
            density += (0.3 if i.tone == "dark" else -0.6) * cv2.GaussianBlur(mask, (0, 0), 1.5)
        return Film(worksheet.film, density, np.ones((rows, columns), bool))

    return make
