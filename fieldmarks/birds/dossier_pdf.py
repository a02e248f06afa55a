"""What the PDF of a dossier says: what stands for all, then each look with photo and readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from fieldmarks import __version__
from fieldmarks.birds.agreement import compare_photos
from fieldmarks.birds.model import Bird
from fieldmarks.birds.papers import bird_facts
from fieldmarks.measure.photo import decode_photo
from fieldmarks.pipeline import picture_of
from fieldmarks.report.blocks import Bullets, Content, Facts, Grid, Para, Picture, Section
from fieldmarks.report.pdf import write_pdf
from fieldmarks.report.plane import mark_name
from fieldmarks.report.svg import hexadecimal, number
from fieldmarks.rules import Tables

if TYPE_CHECKING:
    from fieldmarks.birds.observation import MeasuredPhoto

PHOTO_PIXELS = 1000  # longest side of a photo in the PDF
LIMIT_NOTE = (
    "This dossier shows that its numbers follow from its photos. It cannot show who took a photo "
    "or which bird is on it. A clean sheet is no proof of purity."
)
STORIES = {
    "Stands for all": "all agree",
    "Depends on who measured": "depends on who measured",
    "Depends on the photo": "depends on the photo",
}


def dossier_pdf(
    bird: Bird,
    photos: Sequence[MeasuredPhoto],
    looks: Sequence[Section],
    tables: Tables,
    seal: str,
    after_look: Callable[[], None],
) -> bytes:
    """The PDF of a dossier, A4; ``looks`` as :func:`look_section` makes them, one for each."""
    facts = Facts((*bird_facts(bird, tables), ("Seal (SHA-256)", seal)))
    told = Para(f"The seal is over all evidence. {LIMIT_NOTE}")
    sections = [Section("bird", "The bird", (facts, told))]
    if len(photos) > 1:
        found = compare_photos(photos)
        stands = []
        for title, story in STORIES.items():
            own = [f"{f.name}: {' / '.join(dict.fromkeys(s for _, _, s in f.said))}"
                   for f in found.findings if f.story == story]  # fmt: skip
            stands.append(Para(f"{title} ({len(own)}): {'; '.join(own) or 'none'}."))
        rows = tuple(
            (mark_name(tables, m.mark), str(m.readings), _one(m.largest),
             _one(m.repeatability["L*"]),
             "" if m.overlap is None else f"{m.overlap:.0%} ({' / '.join(m.between)})")
            for m in found.marks
        )  # fmt: skip
        head = ("Mark", "Readings", "Farthest apart", "Repeats, L*", "Least shared outline")
        grid = Grid("Differences are CIEDE2000; repeatability is of L*", head, rows)
        sections.append(Section("agreement", "What stands for all", (*stands, grid)))
    sections += looks
    cautions = (text for e in photos for text in e.record.assessment.cautions)
    kept = (Bullets(tuple(dict.fromkeys(cautions))),)
    sections.append(Section("cautions", "Keep in mind", kept))
    content = Content("Dossier", bird.label, f"Seal {seal[:16]}", tuple(sections))
    about = "Photos of one bird and what was read from them"
    return write_pdf(content, about, __version__, after_page=after_look)


def look_section(place: int, told: MeasuredPhoto, tables: Tables) -> Section:
    """One look: its photo, made small, and what was read from it."""
    record = told.record
    measured, judged = record.measurement, record.assessment
    photo = decode_photo(told.photo, measured.photo)
    picture = picture_of(record, photo, tables, longest=PHOTO_PIXELS)
    rows = tuple(
        (mark_name(tables, r.mark), *(number(v, 1) for v in (*r.lab, r.expanded)),
         "yes" if r.calibrated else "no")
        for r in measured.readings
    )  # fmt: skip
    title = f"Look {place}: {told.day}, measured by {told.measured_by}"
    blocks = (
        Para(judged.conclusion.sentence, strong=True),
        Picture(picture, f"{measured.photo} with its outlines lettered"),
        Para(measured.calibration.summary),
        Grid(
            "Median colour of each outline, CIELAB; ± is in CIEDE2000",
            ("Mark", "L*", "a*", "b*", "± (95 %)", "Calibrated"),
            rows,
            tuple(hexadecimal(r.lab) for r in measured.readings),
        ),
        Facts((
            ("Photo", measured.photo),
            ("Photo, SHA-256", measured.sha256),
            ("Program", f"fieldmarks {record.program}, {record.colour_space}"),
            ("Rule tables", f"{judged.table_version} ({judged.table_fingerprint[:12]})"),
        )),
    )  # fmt: skip
    return Section(f"look{place}", title, blocks, new_page=True)


def _one(value: float | None) -> str:
    return "" if value is None else number(value, 1)
