"""Per-species views of a record: which marks fit, which do not, which were not decided.

Shared by the app, the page and the PDF. Colours are CIELAB, D65, 2 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignFinding
from fieldmarks.measure.quantities import Lab, Reading
from fieldmarks.record import Examination, Record
from fieldmarks.report.drawings import distance_bar, strip, swatch_pair
from fieldmarks.report.plane import reading_letters
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import expected_relation
from fieldmarks.rules.separation import separating_marks

# Kinds of conclusion that a keeper could take for proof.
LOOKS_CLEAN = ("one species left", "several species left")


def clean_sheet_note(record: Record | Examination) -> tuple[str, ...]:
    """What to put beside a conclusion with nothing against the bird; empty for all others."""
    judged = record.assessment
    # The first caution of the tables says that a clean sheet proves nothing.
    return judged.cautions[:1] if judged.conclusion.outcome in LOOKS_CLEAN else ()


def asked_note(record: Record | Examination, tables: Tables) -> str:
    """What the bird was looked at as: the wrong variety makes every species misfit."""
    judged = record.assessment
    variety, age = tables.varieties.get(judged.variety), tables.ages.get(judged.age)
    said = f"Looked at as: {variety.name if variety else judged.variety}, "
    said += age.name if age else judged.age
    said += f", said to be {judged.claimed}." if judged.claimed else "."
    own = [tables.swatches[key].name for key in record.own_swatches if key in tables.swatches]
    return f"{said} Swatches of the keeper's own were used: {', '.join(own)}." if own else said


def against_words(finding: Finding, tables: Tables) -> str:
    """What is amiss with a mark that does not fit, without a number."""
    if not finding.nearest:
        return f"{finding.name} does not fit"
    return f"{finding.name}: should be {tables.swatches[finding.nearest].name}"


def sign_words(sign: SignFinding, tables: Tables) -> str:
    """What a sign is, and on how much of which mark it is there; one sentence."""
    row = tables.marks.get(sign.mark or "")
    if not sign.amount or row is None:  # of a width or a length, its own words say enough
        return sign.text
    return f"{sign.text.rstrip('.')}: {sign.amount:.0%} of the {row.name}."


def likelier_variety(record: Record | Examination, tables: Tables) -> tuple[str, str] | None:
    """Key of a variety that the colours read fit clearly better, and a sentence; else None."""
    best = record.assessment.conclusion.variety
    if best is None or best not in tables.varieties:
        return None
    return best, f"The colours read look more like {tables.varieties[best].name}."


@dataclass(frozen=True)
class MarkView:
    """One finding with what is needed to show it.

    Args:
        letter: Of its region on the annotated photo; several joined by "+" for a relation.
        always, sometimes: How many of the other species this mark tells this one from, surely and
            in part.
        of_others: How many other species there are.
        expected_names: Swatches in plain words, or the range of a relation.
        nearest_name, nearest_lab (str, (L*, a*, b*), optional): The expected swatch nearest to the
            reading.
        mixed: Several colours were found where the species may show several side by side.
        span ((low, high), optional): Expected range of a relation; None for an open end.
        unit: Of a relation.
    """

    finding: Finding
    letter: str
    always: int
    sometimes: int
    of_others: int
    expected_names: tuple[str, ...]
    reading: Reading | None = None
    nearest_name: str = ""
    nearest_lab: Lab | None = None
    mixed: bool = False
    span: tuple[float | None, float | None] | None = None
    unit: str = ""

    @property
    def bar(self) -> str:
        """The finding as a bar, SVG."""
        return distance_bar(self.finding, span=self.span, unit=self.unit)

    @property
    def pair(self) -> str:
        """The colour read beside the one expected, SVG.

        Empty for a relation, and for a mark of several colours: there each colour found is judged,
        see :attr:`shares`.
        """
        if self.reading is None or self.nearest_lab is None or self.mixed:
            return ""
        return swatch_pair(
            self.reading.lab, self.nearest_lab, (self.finding.name, self.nearest_name)
        )

    @property
    def shares(self) -> str:
        """The colours found in a mark of several colours, SVG; otherwise empty."""
        return strip(self.reading.populations) if self.reading and self.mixed else ""


@dataclass(frozen=True)
class SpeciesView:
    """All findings of one species, sorted by status and then by how much they tell.

    Args:
        candidate: It is not clearly less likely than the likeliest species.
        subject: The bird was looked at as this species.
    """

    species: str
    name: str
    scientific: str
    candidate: bool
    subject: bool
    does_not_fit: tuple[MarkView, ...]
    too_close: tuple[MarkView, ...]
    probably_fits: tuple[MarkView, ...]
    fits: tuple[MarkView, ...]
    not_read: tuple[MarkView, ...]
    says_nothing: tuple[MarkView, ...]
    signs: tuple[SignFinding, ...]

    @property
    def compared(self) -> tuple[MarkView, ...]:
        """Every finding with a value: those against first."""
        return (*self.against, *self.probably_fits, *self.fits)

    @property
    def against(self) -> tuple[MarkView, ...]:
        """What speaks or may speak against it."""
        return (*self.does_not_fit, *self.too_close)

    @property
    def tally(self) -> str:
        """How many marks fit and how many do not, in words."""
        counts = [
            (len(self.fits), "fits" if len(self.fits) == 1 else "fit"),
            (len(self.probably_fits), "probably"),
            (len(self.too_close), "too close to call"),
            (len(self.does_not_fit), "does not fit" if len(self.does_not_fit) == 1 else
             "do not fit"),
        ]  # fmt: skip
        return ", ".join(f"{number} {word}" for number, word in counts)


def finding_summary(record: Record | Examination, tables: Tables) -> tuple[SpeciesView, ...]:
    """For each species: which marks fit, which do not, sorted by how much they tell.

    Species the bird was looked at as come first, then the likeliest.

    Args:
        tables: The tables the record was made with.
    """
    judged = record.assessment
    photos = record.records
    # On several photos a letter stands for several marks.
    letters = reading_letters(photos[0]) if len(photos) == 1 else {}
    readings = {r.mark: r for one in photos[::-1] for r in one.measurement.readings}
    table = separating_marks(tables, judged.variety, judged.age)
    views = []
    for sheet in judged.sheets:
        tells: dict[tuple[str, bool], list[int]] = {}
        for pair, rows in table.items():
            for row in rows if sheet.species in pair else ():
                tells.setdefault((row.mark, row.relation), [0, 0])[row.how != "always"] += 1
        shown = [
            _view(f, tells.get((f.mark, f.relation), [0, 0]), record, tables, letters, readings)
            for f in sheet.findings
        ]
        shown.sort(key=lambda v: (-v.always, -v.sometimes))
        groups = {s: tuple(v for v in shown if v.finding.status is s) for s in Status}
        known = tables.species.get(sheet.species)
        views.append(
            SpeciesView(
                species=sheet.species,
                name=sheet.name,
                scientific=known.scientific if known else "",
                candidate=sheet.species in judged.conclusion.candidates,
                subject=sheet.species in judged.conclusion.subjects,
                does_not_fit=groups[Status.DOES_NOT_FIT],
                too_close=groups[Status.TOO_CLOSE],
                probably_fits=groups[Status.PROBABLY_FITS],
                fits=groups[Status.FITS],
                not_read=groups[Status.NOT_READ],
                says_nothing=groups[Status.SAYS_NOTHING],
                signs=sheet.signs,
            )
        )
    order = [row.species for row in judged.conclusion.standing]
    place = {kind[0]: n for n, kind in enumerate(order) if len(kind) == 1}
    return tuple(sorted(views, key=lambda v: (not v.subject, place.get(v.species, len(order)))))


def _view(
    finding: Finding,
    tells: list[int],
    record: Record | Examination,
    tables: Tables,
    letters: dict[str, str],
    readings: dict[str, Reading],
) -> MarkView:
    always, sometimes = tells
    of_others = len(record.assessment.sheets) - 1
    if finding.relation:
        kind = tables.relations.get(finding.mark)
        marks = kind.marks if kind else ()
        label = "+".join(letters[m] for m in marks if m in letters)
        span = None
        if finding.expected:
            asked = record.assessment
            found = expected_relation(
                tables, finding.species, finding.mark, asked.variety, asked.age
            )
            span = (found.low, found.high)
        return MarkView(
            finding, label, always, sometimes, of_others, finding.expected,
            span=span, unit=kind.unit if kind else "",
        )  # fmt: skip
    names = tuple(tables.swatches[k].name if k in tables.swatches else k for k in finding.expected)
    reading = readings.get(finding.mark)
    species = tables.species.get(finding.species)
    row = species.marks.get(finding.mark) if species else None
    nearest = finding.nearest if finding.nearest in tables.swatches else None
    return MarkView(
        finding, letters.get(finding.mark, ""), always, sometimes, of_others, names,
        reading=reading,
        nearest_name=tables.swatches[nearest].name if nearest else "",
        nearest_lab=tables.lab[nearest] if nearest else None,
        mixed=bool(reading and row and row.mixed and len(reading.populations) > 1),
    )  # fmt: skip
