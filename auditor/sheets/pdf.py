"""A sheet as a PDF on A4 or Letter: the same blocks and the same drawings as in HTML."""

from __future__ import annotations

import io
import logging
from datetime import UTC, datetime
from importlib.resources import as_file, files
from typing import Literal, cast

from fpdf import FPDF, FontFace
from fpdf.enums import TableBordersLayout

from auditor.sheets.blocks import Block, Bullets, Chart, Heading, Sheet, Table, Text

Paper = Literal["a4", "letter"]
FONT = "DejaVu"
MARGIN_MM, LINE_MM, INDENT_MM = 15.0, 4.8, 3.5
#: Room below a drawing for the sentence that belongs to it [mm], and around the text of a cell [mm].
CAPTION_MM, PADDING_MM = 14.0, (0.6, 1.4)
#: Lines of a cell at most, so that a row fits on a page, and what stands at the end of one that is longer.
MOST_LINES, SHORTENED = 40, " \u2026 (shortened)"
#: Least width of a column to write in [mm].
BY_HAND_MM = 18.0
INK, FAINT, ALERT = (29, 36, 40), (74, 85, 91), (181, 67, 44)
#: What stands for a sign that the font has not.
NO_SIGN = "\ufffd"


class _Pages(FPDF):
    """Pages with a foot: what the sheet rests on, and the page's number."""

    foot = ""

    def footer(self) -> None:
        self.set_y(-MARGIN_MM)
        self.set_font(FONT, size=6.5)
        self.set_text_color(*FAINT)
        self.multi_cell(0, 3, f"{self.foot}  Page {self.page_no()} of {{nb}}", align="L")


def as_pdf(sheet: Sheet, paper: Paper = "a4") -> bytes:
    """The file's bytes; the date of making that it states is always the same, so that equal sheets are equal."""
    logging.getLogger("fpdf").setLevel(logging.ERROR)  # signs that the font lacks are replaced and need no remark
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    pdf = _Pages(format=paper)
    pdf.set_margin(MARGIN_MM)
    pdf.set_auto_page_break(True, margin=MARGIN_MM + 6)
    with as_file(files("auditor.sheets") / "data" / "DejaVuSans.ttf") as font:
        pdf.add_font(FONT, fname=font)
    signs = pdf.fonts[FONT.lower()].cmap  # type: ignore[union-attr]
    pdf.foot = _known(sheet.foot, signs)
    pdf.set_title(_known(sheet.title, signs))
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
    pdf.add_page()
    _write(pdf, _known(sheet.title, signs), 15, INK)
    _write(pdf, _known(sheet.subtitle, signs), 9, FAINT)
    for block in sheet.blocks:
        _block(pdf, block, signs)
    return bytes(pdf.output())


def _known(text: str, signs: object) -> str:
    """The text with a mark for each sign that the font has not; control characters are blanks."""
    return "".join(c if ord(c) in signs else " " if c.isspace() else NO_SIGN for c in text)  # type: ignore[operator]


def _write(pdf: FPDF, text: str, size: float, colour: tuple[int, int, int]) -> None:
    pdf.set_font(FONT, size=size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, size * 0.5, text, new_x="LMARGIN", new_y="NEXT", align="L")
    pdf.ln(1)


def _block(pdf: FPDF, block: Block, signs: object) -> None:
    match block:
        case Heading(text):
            _heading(pdf, _known(text, signs))
        case Text(text, warning):
            _write(pdf, _known(text, signs), 9.5, ALERT if warning else INK)
        case Bullets(items):
            for item in items:
                _bullet(pdf, _known(item, signs))
        case Chart(svg, _):
            _chart(pdf, svg)
        case Table():
            _table(pdf, block, signs)


def _bullet(pdf: FPDF, text: str) -> None:
    """A sentence of a list, hanging beside its mark."""
    pdf.set_font(FONT, size=9)
    pdf.set_text_color(*INK)
    if pdf.will_page_break(4.5):
        pdf.add_page()
    pdf.cell(INDENT_MM, 4.5, "\u2022")
    margin = pdf.l_margin
    pdf.set_left_margin(margin + INDENT_MM)
    pdf.multi_cell(0, 4.5, text, new_x="LMARGIN", new_y="NEXT", align="L")
    pdf.set_left_margin(margin)
    pdf.ln(1)


def _heading(pdf: FPDF, text: str) -> None:
    if pdf.will_page_break(30):
        pdf.add_page()
    pdf.ln(2)
    _write(pdf, text, 11.5, INK)
    pdf.set_draw_color(*FAINT)
    pdf.line(pdf.l_margin, pdf.get_y(), pdf.w - pdf.r_margin, pdf.get_y())
    pdf.ln(1.5)


def _chart(pdf: FPDF, svg: str) -> None:
    height = pdf.epw * 250 / 680
    if pdf.will_page_break(height + CAPTION_MM):
        pdf.add_page()
    pdf.set_font("helvetica", size=10)  # what the drawing's text is set in
    pdf.image(io.BytesIO(svg.encode()), w=pdf.epw, h=height)
    pdf.ln(1)


def _table(pdf: FPDF, table: Table, signs: object) -> None:
    pdf.set_font(FONT, size=7.5)
    pdf.set_text_color(*INK)
    pdf.set_draw_color(*FAINT)
    align = tuple("RIGHT" if number in table.right else "LEFT" for number in range(len(table.head)))
    texts = [tuple(_known(cell, signs) for cell in cells) for cells in (table.head, *table.rows)]
    widths = _widths(pdf, texts)
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        text_align=align,
        col_widths=widths,
        line_height=LINE_MM * 0.8,
        headings_style=FontFace(color=FAINT),
        padding=PADDING_MM,
    ) as drawn:
        for cells in texts:
            row = drawn.row()
            for cell, width in zip(cells, widths, strict=True):
                row.cell(_short(pdf, cell, width))
    pdf.ln(1)


def _short(pdf: FPDF, text: str, width: float) -> str:
    """The text of a cell, cut where it would take more than MOST_LINES."""
    if len(text) <= MOST_LINES:
        return text
    room = width - 2 * PADDING_MM[1]
    lines = cast(list[str], pdf.multi_cell(room, LINE_MM, text, align="L", dry_run=True, output="LINES"))
    if len(lines) <= MOST_LINES:
        return text
    return text[: sum(len(line) for line in lines[: MOST_LINES - 2])] + SHORTENED


def _widths(pdf: FPDF, rows: list[tuple[str, ...]]) -> tuple[float, ...]:
    """Widths of columns: what the longest word needs, and of the rest by what the longest text would take.

    A column that is empty below its head is to be written in by hand. Where the words need more than the page has, none
    keeps more than an equal share, and they are broken.
    """
    around = 2 * PADDING_MM[1] + 2 * pdf.c_margin
    words, texts = [], []
    for column in zip(*rows, strict=True):
        by_hand = BY_HAND_MM if not any(column[1:]) else 0.0
        longest = max(pdf.get_string_width(word) for cell in column for word in cell.split(" "))
        words.append(max(around + longest, by_hand))
        texts.append(max(around + max(pdf.get_string_width(cell) for cell in column), 2 * by_hand))
    if sum(words) > pdf.epw:
        words = [min(word, pdf.epw / len(words)) for word in words]
    room = pdf.epw - sum(words)
    more = [text - word for text, word in zip(texts, words, strict=True)]
    share = room / (sum(more) or 1.0)
    return tuple(word + share * extra for word, extra in zip(words, more, strict=True))
