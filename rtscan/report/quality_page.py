"""The film quality page: one HTML file with pictures inside; and the same table as lines of text for the terminal."""

from __future__ import annotations

import base64
import io
from collections import Counter
from typing import Any

import cv2
import numpy as np

from rtscan.film import Film
from rtscan.findings import Check, ObjectMark
from rtscan.quality_records import FilmQuality, HoleSeen, PlaqueSeen, WireSeen
from rtscan.report.sheet_facts import check_row
from rtscan.report.words import CAUTION

PICTURE_WIDTH_PX = 1500
MARKS = {"pass": "pass", "fail": "fail", "not assessed": "not"}


def quality_html(record: FilmQuality, film: Film) -> str:
    """The page; every text from outside is escaped, nothing is loaded from the network."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("rtscan.report", "templates")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    kind, answer = fitness(record)
    return str(environment.get_template("quality.html.j2").render(
        name=record.film.file.rsplit("/", 1)[-1], film=record.film, facts=_facts(record), answer=answer, answer_class=kind,
        limit_words=limit_words(record), testing=record.testing, iqi=record.iqi, tool=record.tool, caution=CAUTION,
        checks=[(check_row(c), MARKS[c.result]) for c in record.quality.checks], wires=[_wire_row(record, w) for w in record.wires],
        plaque=record.plaque, holes=[_hole_row(h) for h in record.plaque.holes] if record.plaque else [],
        objects=[_object_row(mark) for mark in record.objects], pictures=_pictures(record, film), warnings=record.film.warnings,
    ))


def quality_lines(record: FilmQuality) -> tuple[str, ...]:
    """The table as text: one line per check, then the wires, the detection limit and the answer."""
    rows = [(*check_row(c)[:4], check_row(c)[5]) for c in record.quality.checks]
    widths = [max((len(r[i]) for r in rows), default=0) for i in range(4)]
    lines = ["  " + "  ".join(f"{text:<{w}}" for text, w in zip(row[:4], widths, strict=True)) + f"  {row[4]}" for row in rows]
    if record.wires:
        seen = ", ".join(f"{_wire_name(record, w.number)} {_seen(w)} ({w.signal_to_noise:g})" for w in record.wires)
        lines.append(f"  wires (signal-to-noise): {seen}")
    if record.plaque:
        seen = ", ".join(f"{h.name} {_seen(h)} ({h.signal_to_noise:g})" for h in record.plaque.holes)
        lines.append(f"  holes of plaque No. {record.plaque.number} (signal-to-noise): {seen}")
    lines += [f"  in the area of interest: {objects_words(record)}"] if record.objects else []
    return (*(line.rstrip() for line in lines), *(f"  {text}" for text in limit_words(record)), f"  {fitness(record)[1]}")


def objects_words(record: FilmQuality) -> str:
    """The marks of film, scan and set-up in the area of interest, of each kind how many, in the order of the record."""
    counts = Counter(mark.kind for mark in record.objects)
    return ", ".join(f"{count} × {kind}" for kind, count in counts.items())


def fitness(record: FilmQuality) -> tuple[str, str]:
    """"fit", "open" or "unfit", and the sentence that says so."""
    failed = _names(record, "fail")
    open_ = _names(record, "not assessed")
    if failed:
        return "unfit", f"This film may not be judged: {failed}."
    if open_:
        return "open", f"Nothing speaks against this film, but not everything required could be assessed: {open_}."
    return "fit", "This film is fit to be judged."


def _names(record: FilmQuality, result: str) -> str:
    return ", ".join(c.name for c in record.quality.checks if c.required and c.result == result)


def limit_words(record: FilmQuality) -> tuple[str, ...]:
    """What the film could have shown, in one sentence; empty when that is not known."""
    limit = record.quality.detection_limit
    if limit is None or limit.pore_mm is None:
        return ()
    line = "" if limit.line_width_mm is None else f" and lines 5 mm long from {limit.line_width_mm:.2f} mm width and height"
    return (f"This film could have shown pores from {limit.pore_mm:.2f} mm{line}: what is that large is found in 9 of 10 cases.",)


def _facts(record: FilmQuality) -> str:
    film = record.film
    scale = "scale not known" if film.pixels_per_mm is None else f"{film.pixels_per_mm:.4g} pixels per mm ({film.scale_from})"
    density = "density calibrated" if film.density_calibrated else "density relative, no calibration"
    blur = "" if record.unsharpness_mm is None else f", total unsharpness {record.unsharpness_mm:.2f} mm"
    contrast = "" if record.contrast_per_mm is None else f", contrast {record.contrast_per_mm:.3g} per mm of steel ({record.contrast_from})"
    look = f"{film.look} ({film.look_reason})"
    return f"{film.width_px} × {film.height_px} pixels, {film.bits} bits, {look}, {scale}, {density}{blur}{contrast}"


def _wire_name(record: FilmQuality, number: int) -> str:
    return f"{'ASTM ' if record.iqi.startswith('ASTM') else 'W'}{number}"


def _seen(detail: WireSeen | HoleSeen) -> str:
    return "seen" if detail.visible else "not seen"


def _hole_row(hole: HoleSeen) -> tuple[str, str, str, str, str, str]:
    return (hole.name, f"{hole.diameter_mm:.2f} mm", _seen(hole), f"{hole.signal_to_noise:g}", "pass" if hole.visible else "not",
            f"{hole.contrast:.3f}")


def _wire_row(record: FilmQuality, wire: WireSeen) -> tuple[str, str, str, str, str, str, str]:
    return (_wire_name(record, wire.number), f"{wire.diameter_mm:g} mm", _seen(wire), f"{wire.signal_to_noise:g}",
            f"{wire.visible_mm:.0f} mm" if wire.visible else "", "pass" if wire.visible else "not", f"{wire.contrast:.3f}")


def _object_row(mark: ObjectMark) -> tuple[str, str, str]:
    x0, y0, x1, y1 = mark.bbox_px
    return mark.kind, mark.says, f"{x0:.0f}, {y0:.0f} to {x1:.0f}, {y1:.0f}"


def _pictures(record: FilmQuality, film: Film) -> list[tuple[str, str, str]]:
    """(title, data address, caption) of each picture there is something to show in."""
    pictures = [("The film", _data_address(_film_picture(record, film)),
                 "Wires or holes where they are seen (full) or must lie (dashed); other marks in the area of interest boxed.")]
    unit = "Density" if record.film.density_calibrated else "Relative density"
    if len(record.along_mm) > 1:
        pictures.append(("Density along the weld", _data_address(_density_picture(record, unit)),
                         f"{unit} across the weld: median (full), 5 % and 95 % (dotted); limits dashed."
                         + (" Grey: outside the diagnostic length, not judged." if record.judged else "")))
    if any(w.profile for w in record.wires):
        pictures.append(("Profiles of the wires", _data_address(_wire_picture(record)), f"{unit} lost, mean along each wire."))
    limit = record.quality.detection_limit
    if limit is not None and len(limit.along_mm) > 1:
        pictures.append(("What would be visible where", _data_address(_limit_picture(record)),
                         "Smallest pore found in 9 of 10 cases, along the weld."))
    return pictures


def _data_address(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def _png(figure: Any) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110, bbox_inches="tight", metadata={"Software": None})
    return buffer.getvalue()


def _axes(height_in: float, label_y: str, label_x: str = "station, mm") -> tuple[Any, Any]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, height_in))
    axes = figure.add_subplot()
    axes.set_xlabel(label_x)
    axes.set_ylabel(label_y)
    axes.grid(True, linewidth=0.3)
    return figure, axes


def _film_picture(record: FilmQuality, film: Film) -> bytes:
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    scale = min(1.0, PICTURE_WIDTH_PX / max(film.density.shape))
    small = cv2.resize(film.density, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    low, high = np.percentile(small, [1, 99])
    rows, columns = small.shape
    figure = Figure(figsize=(10, max(1.5, 10 * rows / columns)))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.imshow(-small, cmap="gray", vmin=-high, vmax=-low, aspect="equal")
    axes.set_axis_off()
    for wire in record.wires:
        if len(wire.path_px) > 1:
            x, y = np.array(wire.path_px).T * scale
            axes.plot(x + 4, y, color="#ffb000", linewidth=0.9, linestyle="-" if wire.visible else (0, (3, 4)))
            axes.text(x[0] + 6, y[0], _wire_name(record, wire.number), color="#ffb000", fontsize=7, va="top")
    if record.plaque:
        _draw_plaque(axes, record.plaque, scale)
    for mark in record.objects:
        if mark.kind not in ("wire", "border"):
            x0, y0, x1, y1 = (v * scale for v in mark.bbox_px)
            axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor="#7fd3ff", linewidth=0.7, linestyle=":"))
    return _png(figure)


def _draw_plaque(axes: Any, plaque: PlaqueSeen, scale: float) -> None:
    from matplotlib.patches import Circle, Polygon

    corners = np.array(plaque.corners_px) * scale
    axes.add_patch(Polygon(corners, fill=False, edgecolor="#ffb000", linewidth=0.9))
    axes.text(*corners[np.argmin(corners[:, 1])], f"No. {plaque.number}", color="#ffb000", fontsize=7, va="bottom")
    radius = 0.06 * float(np.hypot(*(corners[1] - corners[0])))
    for hole in plaque.holes:
        x, y = np.array(hole.centre_px) * scale
        axes.add_patch(Circle((x, y), radius, fill=False, edgecolor="#ffb000", linewidth=0.9,
                              linestyle="-" if hole.visible else (0, (3, 4))))
        axes.text(x, y + 1.2 * radius, hole.name, color="#ffb000", fontsize=7, va="top", ha="center")


def _density_picture(record: FilmQuality, unit: str) -> bytes:
    figure, axes = _axes(2.8, unit)
    axes.plot(record.along_mm, record.density_along, color="#111", linewidth=1.2)
    for curve in (record.density_low_along, record.density_high_along):
        axes.plot(record.along_mm, curve, color="#1f6fb5", linewidth=0.9, linestyle=":")
    for start, end in _not_judged(record):
        axes.axvspan(start, end, color="#888", alpha=0.25, linewidth=0)
    for value in _density_limits(record.quality.checks):
        axes.axhline(value, color="#b83a0a", linewidth=1, linestyle="--")
    return _png(figure)


def _not_judged(record: FilmQuality) -> list[tuple[float, float]]:
    """The stretches at both ends of the density curve that no diagnostic length takes in."""
    if not record.judged:
        return []
    first, last = min(s.from_mm for s in record.judged), max(s.to_mm for s in record.judged)
    return [(a, b) for a, b in ((record.along_mm[0], first), (last, record.along_mm[-1])) if b > a]


def _density_limits(checks: tuple[Check, ...]) -> list[float]:
    return [value for c in checks if c.name in ("least density", "greatest density") for value in (c.limit.min, c.limit.max)
            if value is not None and c.result != "not assessed"]


def _wire_picture(record: FilmQuality) -> bytes:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 2.6))
    greatest = max(loss for wire in record.wires for _, loss in wire.profile)
    for k, wire in enumerate(record.wires):
        axes = figure.add_subplot(1, len(record.wires), k + 1)
        if wire.profile:
            u, loss = np.array(wire.profile).T
            axes.plot(u, loss, color="#111", linewidth=1, linestyle="-" if wire.visible else ":")
        axes.set_ylim(-0.25 * greatest, 1.15 * greatest)
        axes.set_title(f"{_wire_name(record, wire.number)}\n{_seen(wire)}", fontsize=8)
        axes.tick_params(labelsize=6, labelleft=k == 0)
        axes.axvspan(-wire.diameter_mm / 2, wire.diameter_mm / 2, color="#1f6fb5", alpha=0.15, linewidth=0)
    return _png(figure)


def _limit_picture(record: FilmQuality) -> bytes:
    limit = record.quality.detection_limit
    figure, axes = _axes(2.6, "pore, mm")
    if limit is not None:
        axes.step(limit.along_mm, limit.pore_along_mm, where="mid", color="#111", linewidth=1.2)
        axes.set_ylim(0, 1.3 * max(limit.pore_along_mm))
    return _png(figure)
