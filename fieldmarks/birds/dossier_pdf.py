"""The dossier for people: one PDF with the photos, the readings and what stands for all."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from fpdf import FPDF
from fpdf.enums import WrapMode, XPos, YPos
from fpdf.fonts import FontFace

from fieldmarks._util.sanitize import harmless
from fieldmarks.birds.agreement import compare_accounts
from fieldmarks.birds.copies import accounts
from fieldmarks.birds.model import Bird
from fieldmarks.measure.photo import decode_photo
from fieldmarks.report.picture import annotate
from fieldmarks.rules import Tables

if TYPE_CHECKING:
    from fieldmarks.birds.observation import Evidence

PHOTO_PIXELS = 1000  # longest side of a photo in the PDF
PHOTO_WIDTH, PHOTO_HEIGHT = 120.0, 140.0  # mm, at most
LIMIT_NOTE = (
    "This dossier shows that its numbers follow from its photos. It cannot show who took a photo "
    "or which bird is on it. A clean sheet is no proof of purity."
)


def dossier_pdf(bird: Bird, evidence: Sequence[Evidence], tables: Tables, seal: str) -> bytes:
    """Draw the PDF."""
    page = _Page()
    page.title(f"Dossier: {bird.label}")
    row = tables.species.get(bird.species or "")
    species = row.name if row else "not known"
    page.line(f"Said to be: {species}. Variety: {bird.variety}. Sex: {bird.sex}.")
    if bird.hatched:
        page.line(f"Hatched {bird.hatched.isoformat()} ({bird.hatch_known}).")
    page.line(f"Seal (SHA-256 over all evidence): {seal}")
    page.line(LIMIT_NOTE)
    if len(evidence) > 1:
        _agreement(page, evidence, tables)
    for number, told in enumerate(evidence, start=1):
        _one(page, number, told, tables)
    page.title("Keep in mind", 12)
    cautions = (text for t in evidence for text in t.record.assessment.cautions)
    for text in dict.fromkeys(cautions):
        page.line(f"- {text}")
    return bytes(page.pdf.output())


class _Page:
    """A few ways to put text on pages."""

    def __init__(self) -> None:
        self.pdf = FPDF(format="A4")
        self.pdf.set_margin(16)
        self.pdf.set_auto_page_break(True, 16)
        self.pdf.add_page()
        self.pdf.set_font("Helvetica", size=10)

    def title(self, text: str, size: int = 16) -> None:
        self.pdf.set_font("Helvetica", "B", size)
        self._write(text, size * 0.5)
        self.pdf.set_font("Helvetica", size=10)

    def line(self, text: str) -> None:
        self._write(text, 5)

    def _write(self, text: str, height: float) -> None:
        # Fingerprints have no spaces to break at.
        wrap = WrapMode.WORD if " " in text else WrapMode.CHAR
        self.pdf.multi_cell(
            0,
            height,
            plain_letters(text),
            new_x=XPos.LMARGIN,
            new_y=YPos.NEXT,
            wrapmode=wrap,
            align="L",
        )
        self.pdf.ln(1)

    def table(self, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        self.pdf.set_font("Helvetica", size=8)
        with self.pdf.table(
            headings_style=FontFace(emphasis="BOLD"), line_height=4.5, text_align="LEFT"
        ) as table:
            for cells in (head, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(plain_letters(cell))
        self.pdf.set_font("Helvetica", size=10)
        self.pdf.ln(2)


def plain_letters(text: str) -> str:
    """Text in the letters that every PDF reader has; others become "?" (the data keeps them)."""
    swapped = harmless(text).translate({0x2013: "-", 0x2014: "-", 0x2018: "'", 0x2019: "'"})
    return swapped.encode("latin-1", "replace").decode("latin-1")


def _agreement(page: _Page, evidence: Sequence[Evidence], tables: Tables) -> None:
    told = [(t.measured_by, t.record, partial(getattr, t, "photo")) for t in evidence]
    found = compare_accounts(accounts(told))
    page.title("What stands for all", 12)
    groups = {
        "Stands for all": "all agree",
        "Depends on who measured": "depends on who measured",
        "Depends on the photo": "depends on the photo",
    }
    for title, story in groups.items():
        own = [f for f in found.findings if f.story == story]
        names = "; ".join(f"{f.name}: {' / '.join(dict.fromkeys(s for _, _, s in f.said))}"
                          for f in own)  # fmt: skip
        page.line(f"{title} ({len(own)}): {names or 'none'}.")
    rows = [
        (
            tables.marks[m.mark].name if m.mark in tables.marks else m.mark,
            str(m.readings),
            _number(m.largest),
            _number(m.repeatability["L*"]),
            "" if m.overlap is None else f"{m.overlap:.0%} ({' / '.join(m.between)})",
        )
        for m in found.marks
    ]
    head = (
        "mark", "readings", "largest difference (CIEDE2000)", "repeatability of L*",
        "least shared region",
    )  # fmt: skip
    page.table(head, rows)


def _one(page: _Page, number: int, told: Evidence, tables: Tables) -> None:
    record = told.record
    measured = record.measurement
    page.pdf.add_page()
    page.title(f"Look {number}: {told.day}, measured by {told.measured_by}", 12)
    photo = decode_photo(told.photo, measured.photo)
    names = {key: mark.name for key, mark in tables.marks.items()}
    picture = annotate(
        photo, measured.regions.regions, names, {r.mark: r.lab for r in measured.readings}
    )
    picture.thumbnail((PHOTO_PIXELS, PHOTO_PIXELS))
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=85)
    out.seek(0)
    page.pdf.image(out, w=PHOTO_WIDTH, h=PHOTO_HEIGHT, keep_aspect_ratio=True)
    page.pdf.ln(2)
    page.line(f"Photo {measured.photo}, SHA-256 {measured.sha256}")
    page.line(measured.calibration.summary)
    page.line(record.assessment.conclusion.sentence)
    rows = [
        (
            names.get(r.mark, r.mark),
            *(f"{v:.1f}" for v in r.lab),
            f"{r.expanded:.1f}",
            "yes" if r.calibrated else "no",
        )
        for r in measured.readings
    ]
    page.table(("mark", "L*", "a*", "b*", "+/- (k=2, CIEDE2000)", "calibrated"), rows)
    page.line(
        f"fieldmarks {record.program}, tables {record.assessment.table_version} "
        f"({record.assessment.table_fingerprint[:12]}), {record.colour_space}"
    )


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"
