"""The one writer of PDFs: a report, a dossier or a sheet, from the blocks a page is made of.

fpdf2 writes it with the fonts every reader has, so letters outside Western Europe cannot be shown:
each becomes a visible sign, explained at the end. The same record gives the same bytes.
"""

import io
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Literal

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from fieldmarks._util.sanitize import plain
from fieldmarks.record import AnyRecord
from fieldmarks.report import blocks as part
from fieldmarks.report.content import report_content
from fieldmarks.report.drawings import icon_parts
from fieldmarks.report.page import LONGEST
from fieldmarks.report.svg import FONT, svg
from fieldmarks.report.theme import LIGHT
from fieldmarks.rules import Tables

PaperSize = Literal["A4", "A6"]
ENCODING = "windows-1252"
SUBSTITUTE = "\u00a4"
LACKING = re.compile(f"[^{re.escape(bytes(range(256)).decode(ENCODING, 'ignore'))}]")
# Signs this program writes itself, in letters that every font has.
WRITTEN_OUT = str.maketrans(
    {"\u2264": "<=", "\u2265": ">=", "\u2212": "-", "\u0394": "Delta ", "\u2192": "->"}
)
NO_DATE = datetime(1970, 1, 1, tzinfo=UTC)
SIZES = {"A4": (210.0, 297.0), "A6": (105.0, 148.0)}  # mm
MARGINS = {"A4": (16.0, 15.0, 18.0), "A6": (9.0, 8.0, 12.0)}  # mm: left and right, top, foot
FIGURE = 72.0  # mm, a drawing
SPACE = 12.0  # mm, between two drawings
PLANE = 104.0  # mm, a drawing with a long list below it
NAME = 48.0  # mm, names of facts at most; a fingerprint (64 digits) fits on the line beside
PHOTO_HEIGHT, LEAST_PHOTO = 150.0, 55.0  # mm
LINE = 4.6  # mm
INDENT = 6.0  # mm


class _Sheet(FPDF):
    """Sets blocks one below the other, with a line and the page's number at the foot."""

    def __init__(self, foot: str, size: PaperSize) -> None:
        super().__init__(format=SIZES[size])
        self.foot = foot
        self.substituted = False
        self.core_fonts_encoding = ENCODING
        side, top, below = MARGINS[size]
        self.set_margins(side, top)
        self.set_auto_page_break(True, margin=below)
        self.alias_nb_pages()

    def footer(self) -> None:
        """Set the foot of a page."""
        self.set_y(-13)
        self.pen(8, tone="soft")
        self.cell(0, 5, self.foot)
        self.set_x(self.l_margin)
        self.cell(0, 5, f"Page {self.page_no()} of {{nb}}", align="R")

    def pen(self, size: float, style: str = "", tone: str = "ink") -> None:
        """The look of what is written next."""
        self.set_font("helvetica", style, size)
        self.set_text_color(LIGHT[tone])

    def words(self, text: str, longest: int = LONGEST) -> str:
        """Harmless text in letters the font has; what it lacks becomes SUBSTITUTE."""
        return self.encodable(plain(text, longest))

    def encodable(self, text: str) -> str:
        """Text with every letter the font lacks replaced."""
        shown, replaced = LACKING.subn(SUBSTITUTE, text.translate(WRITTEN_OUT))
        self.substituted = self.substituted or replaced > 0
        return shown

    def say(self, text: str, size: float = 10, style: str = "", tone: str = "ink") -> None:
        """A paragraph over the full width."""
        self.pen(size, style, tone)
        self.column(text, 0, LINE * size / 10)

    def column(self, text: str, width: float, height: float = LINE) -> None:
        """Lines of text from here on, as wide as said or (0) to the margin."""
        self.multi_cell(
            width, height, self.words(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )

    def room(self, height: float) -> None:
        """Start a new page unless this much room is left."""
        if self.will_page_break(height):
            self.add_page()

    def heading(self, text: str, level: int) -> None:
        """A heading, also in the outline of the file."""
        size = 14 if level == 0 else 11
        self.room(30)
        self.ln(5 if level == 0 else 2.5)
        self.set_font("helvetica", "B", size)
        self.start_section(self.words(text), level)
        if level == 0:
            self.set_draw_color(LIGHT["line"])
            y = self.get_y()
            self.line(self.l_margin, y, self.l_margin + self.epw, y)
            self.ln(1.5)
        self.say(text, size, "B")
        self.ln(1)

    def blocks(self, blocks: Iterable[part.Block]) -> None:
        """Set blocks."""
        for block in blocks:
            match block:
                case part.Para():
                    self.say(block.text, 12 if block.strong else 10, "B" if block.strong else "")
                    self.ln(1.2)
                case part.Title():
                    self.heading(block.text, 1)
                case part.Bullets():
                    for number, item in enumerate(block.items):
                        icon = block.icons[number] if block.icons else ""
                        self.bullet(item, icon, block.to_tick)
                case part.Facts():
                    for name, value in block.rows:
                        self.fact(name, value)
                    self.ln(1)
                case part.Grid():
                    self.grid(block)
                case part.Figure():
                    self.figures([block])
                case part.Picture():
                    self.picture(block)
                case part.Group():
                    figures = [b for b in block.blocks if isinstance(b, part.Figure)]
                    for start in range(0, len(figures), 2):
                        self.figures(figures[start : start + 2])
                    self.blocks(b for b in block.blocks if not isinstance(b, part.Figure))
                    self.ln(1.5)
                case part.More():
                    self.heading(block.summary, 1)
                    self.blocks(block.blocks)

    def bullet(self, text: str, icon: str, to_tick: bool) -> None:
        """An item of a list, behind a dot, a box to tick or the icon of a status."""
        self.room(2 * LINE)
        left, top = self.l_margin, self.get_y()
        if icon:
            drawn = svg(20, 20, [icon_parts(icon)], title=icon, description=icon)
            self.drawing(drawn, left, top + 0.3, 4, icon)
        elif to_tick:
            self.set_draw_color(LIGHT["ink"])
            self.rect(left + 0.3, top + 0.6, 3.4, 3.4)
        else:
            self.set_fill_color(LIGHT["ink"])
            self.circle(left + 1.8, top + LINE / 2, 0.6, style="F")
        self.set_left_margin(left + INDENT)
        self.set_xy(left + INDENT, top)
        self.say(text)
        self.set_left_margin(left)
        self.set_x(left)
        self.ln(0.8)

    def fact(self, name: str, value: str) -> None:
        """A name and its value on one line."""
        self.room(2 * LINE)
        left, top, beside = self.l_margin, self.get_y(), min(NAME, self.epw / 3)
        self.pen(10, tone="soft")
        self.column(name, beside - 2)
        self.pen(10)
        self.set_xy(left + beside, top)
        self.column(value, self.epw - beside)
        self.ln(0.4)

    def grid(self, grid: part.Grid) -> None:
        """A table, its patches of colour in a column of their own."""
        self.room(25)
        self.say(grid.caption, 9, "", "soft")
        self.pen(9)
        self.set_draw_color(LIGHT["line"])
        self.set_fill_color(LIGHT["paper"])
        patch = (8.0,) if grid.colours else ()
        widths = (*patch, *_widths(grid, self.epw - sum(patch)))
        align = (*("C",) * len(patch), "L", *(("L" if _long(grid, n) else "R") for n in
                 range(1, len(grid.head))))  # fmt: skip
        with self.table(
            col_widths=widths, width=min(sum(widths), self.epw), text_align=align, align="L",
            line_height=4.4, borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD", color=LIGHT["soft"]),
        ) as table:  # fmt: skip
            table.row([self.words(cell) for cell in (*("",) * len(patch), *grid.head)])
            for number, cells in enumerate(grid.rows):
                row = table.row()
                if patch:
                    row.cell("", style=FontFace(fill_color=grid.colours[number]))
                for cell in cells:
                    row.cell(self.words(cell, 300))
        self.ln(2)

    def figures(self, figures: Sequence[part.Figure]) -> None:
        """Up to two drawings in a row, captions above them."""
        assert len(figures) <= 2
        sizes = [_size(figure.drawing) for figure in figures]
        wide = figures[0].wide or (FIGURE if sizes[0][0] < 350 else PLANE)
        height = max(wide * high / broad for broad, high in sizes)
        self.room(height + 4 * LINE)
        lefts, top = [self.l_margin, self.l_margin + wide + SPACE], self.get_y()
        for x, figure in zip(lefts, figures, strict=False):
            if figure is figures[0] or figure.caption:
                self.set_xy(x, top)
                self.caption(figure)
        top = self.get_y() + 0.8
        for x, figure in zip(lefts, figures, strict=False):
            self.drawing(figure.drawing, x, top, wide, figure.name or figure.caption)
        self.set_xy(self.l_margin, top + height + 1.5)

    def caption(self, figure: part.Figure) -> None:
        """Name and caption of a figure, one after the other."""
        for text, style, tone in ((figure.name, "B", "ink"), (figure.caption, "", "soft")):
            if text:
                self.pen(9.5, style, tone)
                self.write(LINE, f"{self.words(text)}  ")
        if figure.name or figure.caption:
            self.ln(LINE)

    def drawing(self, drawing: str, x: float, y: float, width: float, alt: str) -> None:
        """An SVG drawing in its light-mode colours."""
        bare = re.sub(r"<(title|desc)\b.*?</\1>", "", drawing, flags=re.DOTALL)
        fixed = re.sub(r"var\(--fm-\w+, (#\w+)\)", r"\1", bare).replace(FONT, "helvetica")
        data = io.BytesIO(self.encodable(fixed).encode("utf-8"))
        self.image(data, x=x, y=y, w=width, alt_text=self.words(alt, 200))

    def picture(self, picture: part.Picture) -> None:
        """A photo, whole, as wide as the text or as high as fits."""
        self.room(LEAST_PHOTO)
        height = min(PHOTO_HEIGHT, self.page_break_trigger - self.get_y() - 2)
        self.image(
            io.BytesIO(picture.jpeg), w=self.epw, h=height, keep_aspect_ratio=True,
            alt_text=self.words(picture.alt),
        )  # fmt: skip
        self.ln(2)


def report_pdf(record: AnyRecord, photo_jpeg: bytes | Sequence[bytes], tables: Tables) -> bytes:
    """A record as a PDF file, A4; arguments and errors as :func:`report_content` has them.

    Its date is that of the photo, or 1970-01-01 where the photo has none.
    """
    return write_pdf(
        report_content(record, photo_jpeg, tables),
        "Lovebird marks read from a photo and compared with each species",
        record.records[0].program,
        _date(record.records[0].measurement.facts.taken),
    )


def write_pdf(
    content: part.Content,
    subject: str,
    program: str,
    made: datetime = NO_DATE,
    after_page: Callable[[], None] = lambda: None,
    size: PaperSize = "A4",
) -> bytes:
    """Blocks as a PDF file, the same for the same arguments and the same fpdf2.

    ``after_page`` is called after each section that begins a new page.
    """
    sheet = _Sheet(content.foot, size)
    about = sheet.words(content.about, 120)
    sheet.set_lang("en")
    sheet.set_title(f"{sheet.words(content.title)}: {about}")
    sheet.set_subject(subject)
    sheet.set_creator(f"fieldmarks {sheet.words(program, 40)}")
    sheet.set_creation_date(made)
    sheet.add_page()
    sheet.say(content.title, 18, "B")
    sheet.say(about, 10, "", "soft")
    for section in content.sections:
        if section.new_page:
            sheet.add_page()
        sheet.heading(section.title, 0)
        sheet.blocks(section.blocks)
        if section.new_page:
            after_page()
    if content.words:
        sheet.heading("Words used here", 0)
        for row in content.words:
            sheet.fact(row.word, row.text)
    if sheet.substituted:
        sheet.ln(3)
        sheet.say(f"{SUBSTITUTE} stands for a letter or sign that this file cannot show.", 9)
    return bytes(sheet.output())


def _date(taken: str) -> datetime:
    """When the photo was taken, from EXIF ("2026:11:25 09:30:00"), or NO_DATE."""
    said = taken[:19].replace("-", ":").replace("T", " ")
    try:
        return datetime.strptime(said, "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC)
    except ValueError:
        return NO_DATE


def _size(drawing: str) -> tuple[float, float]:
    """Width and height of an SVG in its own units."""
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing)
    assert found is not None
    return float(found[1]), float(found[2])


def _long(grid: part.Grid, column: int) -> bool:
    """Whether a column holds sentences rather than numbers."""
    return any(len(row[column]) > 24 for row in grid.rows)


def _widths(grid: part.Grid, room: float) -> tuple[float, ...]:
    """Column widths in mm: numbers take what they need, sentences share the rest."""
    longest = [max(len(row[n]) for row in (grid.head, *grid.rows)) for n in range(len(grid.head))]
    needed = [max(15.0, 4 + 1.75 * letters) for letters in longest]
    long = [n for n in range(1, len(grid.head)) if _long(grid, n)]
    needed[0] = min(needed[0], 48.0)
    rest = room - sum(width for n, width in enumerate(needed) if n not in long)
    for n in long:
        needed[n] = max(rest / len(long), 20.0)
    shrink = min(1.0, room / sum(needed))
    return tuple(width * shrink for width in needed)
