"""The repair sheet: the first page holds everything about a weld, the pages after it the work stretch by stretch."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from html import escape
from io import BytesIO
from typing import TYPE_CHECKING, Any

from rtscan.lengths import tape_text
from rtscan.repair_records import RepairPlan
from rtscan.report.drawing import POINTS_PER_MM, Drawing, draw_pdf, to_svg
from rtscan.report.fonts import font, printable
from rtscan.report.girth import draw_clock, draw_map, draw_section
from rtscan.report.repair_pictures import Piece
from rtscan.report.repair_words import (
    ASSIST,
    CAUTIONS,
    SIGNATURES,
    Row,
    Steps,
    confirmed_by,
    facts,
    rows,
    steps,
    way_names,
)

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import Flowable

SHEET_PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 10.0
RED, GREY, ROSE, PALE = "#b3261e", "#5a5a5a", "#fbe9e7", "#f2f2f2"
MM = POINTS_PER_MM
SHOWN_REVIEWS = 7
NO_SIDES: list[tuple[Any, ...]] = [("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0)]


def repair_sheet_pdf(plan: RepairPlan, pieces: Sequence[Piece] = (), missing: Sequence[str] = (), paper: str = "A4") -> bytes:
    """The sheet as PDF. `missing` are sentences about films that could not be shown.

    The pieces of film stand on the first page when it holds them, else they open the pages after it.
    """
    make = _Make(plan, SHEET_PAPERS[paper][0] - 2 * MARGIN_MM)
    whole, pages = _pdf(make.first_page(pieces, missing), plan, paper)
    if pages == 1 and not plan.stretches:
        return whole
    film_after = pages > 1
    story = make.first_page(() if film_after else pieces, missing)
    return _pdf([*story, *make.work_pages(pieces if film_after else ())], plan, paper)[0]


def _pdf(story: list[Flowable], plan: RepairPlan, paper: str) -> tuple[bytes, int]:
    """The PDF and its number of pages."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    width, height = SHEET_PAPERS[paper]
    out = BytesIO()
    document = BaseDocTemplate(
        out, pagesize=(width * MM, height * MM), title=f"Repair sheet, weld {plan.weld.name}", author=plan.tool, invariant=1,
    )
    room = ((width - 2 * MARGIN_MM) * MM, (height - 2 * MARGIN_MM - 12.5) * MM)
    frame = Frame(MARGIN_MM * MM, (MARGIN_MM + 4) * MM, *room, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate("sheet", [frame], onPage=lambda canvas, doc: _page(canvas, doc.page, plan, width, height)))
    document.build(story)
    return out.getvalue(), document.page


def _page(canvas: Canvas, number: int, plan: RepairPlan, width: float, height: float) -> None:
    title = f"Repair sheet: weld {plan.weld.name or '(no name)'}"
    top = height - MARGIN_MM
    canvas.setFont(font(title, True), 15)
    canvas.drawString(MARGIN_MM * MM, (top - 5) * MM, title[:48])
    says = plan.stamp or f"Reading confirmed by {confirmed_by(plan)}"
    canvas.setFillColor(RED if plan.stamp else GREY)
    canvas.setFont(font(says, True), 12 if plan.stamp else 9)
    canvas.drawRightString((width - MARGIN_MM) * MM, (top - 5) * MM, says[:80])
    canvas.setStrokeColor(RED if plan.stamp else "#000000")
    canvas.setLineWidth(1.2)
    canvas.line(MARGIN_MM * MM, (top - 7.5) * MM, (width - MARGIN_MM) * MM, (top - 7.5) * MM)
    canvas.setFillColor(GREY)
    canvas.setFont("Helvetica", 7)
    canvas.drawString(MARGIN_MM * MM, MARGIN_MM * MM, ASSIST)
    canvas.drawRightString((width - MARGIN_MM) * MM, MARGIN_MM * MM, f"page {number}")


class _Make:
    """Builds the flowing parts of one sheet."""

    def __init__(self, plan: RepairPlan, width_mm: float) -> None:
        self.plan = plan
        self.width_mm = width_mm

    def text(self, text: str, size: float = 8.0, bold: bool = False, colour: str = "#000000", bullet: str = "") -> Flowable:
        """A paragraph of plain text."""
        text = printable(text)
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        style = ParagraphStyle(
            "plain", fontName=font(text, bold), fontSize=size, leading=size * 1.2, textColor=colour, leftIndent=3 * MM if bullet else 0,
            bulletIndent=0, spaceAfter=0.6 * MM if bullet else 0,
        )
        return Paragraph(escape(text), style, bulletText=bullet or None)

    def table(self, cells: list[list[Any]], widths_mm: list[float], style: list[tuple[Any, ...]], repeat: int = 0) -> Flowable:
        """A table with its text at the top of each cell."""
        from reportlab.platypus import Table

        everywhere = (0, 0), (-1, -1)
        plain = [("VALIGN", *everywhere, "TOP"), ("LEFTPADDING", *everywhere, 1.2 * MM), ("RIGHTPADDING", *everywhere, 1.2 * MM),
                 ("TOPPADDING", *everywhere, 0.8 * MM), ("BOTTOMPADDING", *everywhere, 0.8 * MM)]
        return Table(cells, [w * MM for w in widths_mm], style=[*plain, *style], repeatRows=repeat, hAlign="LEFT")

    def gap(self, height_mm: float = 2.0) -> Flowable:
        """White space."""
        from reportlab.platypus import Spacer

        return Spacer(1, height_mm * MM)

    def picture(self, drawing: Drawing) -> Flowable:
        """A drawing at its own size."""
        from reportlab.platypus import Flowable as Base

        class Drawn(Base):  # type: ignore[misc]
            def __init__(self) -> None:
                super().__init__()
                self.width, self.height = drawing.width_mm * MM, drawing.height_mm * MM

            def draw(self) -> None:
                draw_pdf(self.canv, drawing, 0, 0, drawing.height_mm)

        return Drawn()

    def first_page(self, pieces: Sequence[Piece], missing: Sequence[str]) -> list[Flowable]:
        """Who decides, where, what, cautions, signatures."""
        plan = self.plan
        story: list[Flowable] = [self.head(), self.gap(1.5)]
        if plan.stretches:
            story += [self.choice(), self.gap(1.5), self.picture(draw_map(plan, self.width_mm)), self.gap(1), self.rows(rows(plan))]
            story.append(self.gap(1.5))
        else:
            story += [self.text(nothing_to_cut(plan), 11, True), self.gap(3)]
        story += self.film(pieces, missing)
        return [*story, self.cautions(), self.gap(1.5), self.signatures()]

    def head(self) -> Flowable:
        """Clock on the left; facts and what must be decided first on the right."""
        plan = self.plan
        clock = draw_clock(plan)
        free = self.width_mm - (60 if clock else 0)
        close = [("TOPPADDING", (0, 0), (-1, -1), 0.3 * MM), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.3 * MM)]
        named = [[self.text(name, 8, colour=GREY), self.text(value, 8.5, True)] for name, value in facts(plan)]
        right: list[Flowable] = [self.table(named, [26, free - 26], close), self.gap(1)]
        first = decide_lines(plan)
        if first or plan.stamp:
            lines = [self.text(decide_head(plan), 9.5, True, RED)]
            lines += [self.text(t, 8, bullet="•") for t in first]
            right.append(self.boxed(lines, free))
        if clock is None:
            return self.table([[right]], [free], NO_SIDES)
        return self.table([[self.picture(clock), right]], [60, free], NO_SIDES)

    def boxed(self, lines: list[Flowable], width_mm: float) -> Flowable:
        """Lines in a red frame."""
        return self.table([[lines]], [width_mm], [("BOX", (0, 0), (-1, -1), 1.0, RED), ("BACKGROUND", (0, 0), (-1, -1), ROSE)])

    def choice(self) -> Flowable:
        """Repair or cut out, side by side."""
        half = self.width_mm / 2
        cells = [[self.text(f"{name}: what bears on it", 8.5, True) for name in ("Repair", "Cut out")],
                 [[self.text(t, 7.6, bullet="•") for t in says] for says in (self.plan.repair_says, self.plan.cut_out_says)]]
        return self.table(cells, [half, half], [("GRID", (0, 0), (-1, -1), 0.4, GREY), ("BACKGROUND", (0, 0), (-1, 0), PALE)])

    def rows(self, table: tuple[Row, ...]) -> Flowable:
        """The table of the stretches."""
        this_way, other_way = way_names(self.plan)
        both = self.plan.closed
        heads = ["No.", f"From the datum {this_way}", other_way, "What is in it, where across", "Run and depth", "First step, opening"]
        cells: list[list[Any]] = [[self.text(h, 7.6, True) for h in heads]]
        style: list[tuple[Any, ...]] = [("GRID", (0, 0), (-1, -1), 0.4, GREY), ("BACKGROUND", (0, 0), (-1, 0), PALE)]
        for place, row in enumerate(table, 1):
            cells.append([
                self.text(row.label, 15, True, RED),
                [self.text(t, 9.2 if k == 0 else 8, k == 0) for k, t in enumerate(row.this_way)],
                [self.text(t, 8.2, k == 0) for k, t in enumerate(row.other_way)],
                [self.text(t, 8) for t in row.inside],
                [self.text(t, 7.6) for t in row.depth],
                [self.text(row.first[0], 8, True, RED if row.stop or row.doubtful else "#000000"),
                 *(self.text(t, 7.6) for t in row.first[1:] if t)],
            ])
            if row.stop or row.doubtful:
                style.append(("BACKGROUND", (0, place), (0, place), ROSE))
        other = 27.0 if both else 0.0
        free = self.width_mm - 11 - 36 - other
        widths = [11, 36, other, free * 0.34, free * 0.31, free * 0.35]
        if not both:
            widths.pop(2)
            for line in cells:
                line.pop(2)
        return self.table(cells, widths, style, repeat=1)

    def film(self, pieces: Sequence[Piece], missing: Sequence[str]) -> list[Flowable]:
        """Pieces of film, four to six on a line."""
        from reportlab.platypus import Image

        story: list[Flowable] = [self.text(t, 7.6, colour=GREY) for t in missing]
        in_line = min(max(len(pieces), 4), 6)
        each = self.width_mm / in_line
        for start in range(0, len(pieces), in_line):
            line = pieces[start:start + in_line]
            images = [Image(BytesIO(p.png), (each - 2.4) * MM, (each - 2.4) * 0.625 * MM) for p in line]
            says = [self.text(p.says, 7.4) for p in line]
            story.append(self.table([images, says], [each] * len(line), [("TOPPADDING", (0, 1), (-1, 1), 0)]))
        return [*story, self.gap(1)] if story else []

    def cautions(self) -> Flowable:
        """The usual cautions, in one box."""
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        style = ParagraphStyle("caution", fontName="Helvetica", fontSize=7.4, leading=9)
        says = " ".join(f"<b>{escape(name)}:</b> {escape(text)}" for name, text in CAUTIONS)
        return self.table([[Paragraph(says, style)]], [self.width_mm], [("BOX", (0, 0), (-1, -1), 0.6, "#000000")])

    def signatures(self) -> Flowable:
        """Lines to sign on."""
        from reportlab.platypus import KeepTogether

        each = self.width_mm / len(SIGNATURES)
        cells = [["" for _ in SIGNATURES], [self.text(t, 7.2, colour=GREY) for t in SIGNATURES]]
        table = self.table(cells, [each] * len(SIGNATURES), [("LINEBELOW", (k, 0), (k, 0), 0.6, "#000000") for k in range(len(SIGNATURES))]
                           + [("BOTTOMPADDING", (0, 0), (-1, 0), 6 * MM)])
        return KeepTogether([table])

    def work_pages(self, pieces: Sequence[Piece]) -> list[Flowable]:
        """The steps of each stretch, with its cross-section; first the pieces of film that the first page could not hold."""
        from reportlab.platypus import PageBreak

        if not self.plan.stretches:
            return []
        story: list[Flowable] = [PageBreak(), *self.film(pieces, ())]
        for stretch, todo in zip(self.plan.stretches, steps(self.plan), strict=True):
            section = draw_section(self.plan, stretch)
            story += self.work(todo, section)
        if self.plan.decide_first != self.plan.decide_short:
            story += [self.text("Open reviews in full", 11, True), *(self.text(t, 8, bullet="•") for t in self.plan.decide_first)]
        return story

    def work(self, todo: Steps, section: Drawing | None) -> list[Flowable]:
        """One stretch: heading, what to decide, then the parts of the work."""
        from reportlab.platypus import KeepTogether

        heading = [self.text(todo.label, 16, True, "#ffffff"), self.text(todo.heading, 11, True, "#ffffff")]
        red = [("BACKGROUND", (0, 0), (-1, -1), RED), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8 * MM)]
        bar = self.table([heading], [14, self.width_mm - 14], red)
        top: list[Flowable] = [bar]
        if todo.decide:
            top.append(self.boxed([self.text(t, 9, True, RED) for t in todo.decide], self.width_mm))
        cells = [
            [self.text(name, 9, True), [self.text(t, 9, bullet="•" if len(says) > 1 else "") for t in says]] for name, says in todo.parts
        ]
        style = [("LINEBELOW", (0, 0), (-1, -1), 0.3, "#bbbbbb")]
        beside = 0 if section is None else 4
        parts: list[Flowable] = []
        if section is not None:
            upper = self.table(cells[:beside], [26, self.width_mm - 26 - 64], style)
            parts.append(self.table([[upper, self.picture(section)]], [self.width_mm - 64, 64], NO_SIDES))
        parts.append(self.table(cells[beside:], [26, self.width_mm - 26], style))
        source = self.text(f"Technique: {'; '.join(todo.sources)}.", 7.4, colour=GREY)
        return [KeepTogether([self.gap(3), *top, *parts, source])]


def decide_lines(plan: RepairPlan) -> tuple[str, ...]:
    """What must be settled before anything is cut, besides the confirmation of the reading."""
    short = plan.decide_short
    if len(short) > SHOWN_REVIEWS:
        short = (*short[: SHOWN_REVIEWS - 1], f"and {len(short) - SHOWN_REVIEWS + 1} more: see the open reviews in full at the end")
    unseen = ", ".join(f"{tape_text(g.from_mm, plan.units)} to {tape_text(g.to_mm, plan.units)}" for g in plan.not_seen)
    return (
        *short,
        *(f"{name} must come out, but its place on the pipe is not known." for name in plan.not_placed),
        *plan.warnings,
        *((f"Stretches no film shows: {unseen}. Shoot them too.",) if unseen else ()),
    )


def decide_head(plan: RepairPlan) -> str:
    """Heading of the box of things to decide."""
    return "Provisional, decide first" if decide_lines(plan) else "Decide first: have the reading confirmed."


def nothing_to_cut(plan: RepairPlan) -> str:
    """What the sheet says when there is no stretch to open."""
    if plan.not_placed:
        return "Marks must come out, but their place on the pipe is not known. Do not cut."
    return {
        "accept": "Accepted: nothing is to be removed.",
        "review": "Not decided yet: see what must be decided first. Nothing is to be cut on this sheet.",
        "unreadable": "The film cannot be judged: shoot it again. Nothing is to be cut on this sheet.",
        "reject": "Rejected, but no single marks would make it acceptable: the inspector decides, repair or cut out.",
    }[plan.verdict]


def repair_sheet_html(plan: RepairPlan, pieces: Sequence[Piece] = (), missing: Sequence[str] = ()) -> str:
    """The same sheet as one HTML page without outside files."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    clock = draw_clock(plan)
    sections = [draw_section(plan, s) for s in plan.stretches]
    templates = PackageLoader("rtscan.report")
    environment = Environment(loader=templates, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("repair_sheet.html.j2").render(
        plan=plan, facts=facts(plan), rows=rows(plan), ways=way_names(plan), cautions=CAUTIONS, signatures=SIGNATURES, assist=ASSIST,
        clock=to_svg(clock) if clock else "", map=to_svg(draw_map(plan)) if plan.stretches else "",
        work=list(zip(steps(plan), [to_svg(s) if s else "" for s in sections], strict=True)), nothing=nothing_to_cut(plan),
        missing=missing, decide=decide_lines(plan), decide_head=decide_head(plan), confirmed=confirmed_by(plan),
        pieces=[(p, b64encode(p.png).decode()) for p in pieces],
    )
