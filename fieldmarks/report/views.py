"""Per-species views of a record: which marks fit, which do not, which were not decided.

Shared by the app, the page and the PDF. Colours are CIELAB, D65, 2 degrees.
"""

from dataclasses import dataclass

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignFinding
from fieldmarks.record import AnyRecord
from fieldmarks.report.drawings import Span, distance_bar, strip, swatch_pair
from fieldmarks.report.plane import reading_letters
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import expected_relation
from fieldmarks.rules.separation import tells_from

# What speaks or may speak against a species, and what speaks for it.
AGAINST = (Status.DOES_NOT_FIT, Status.TOO_CLOSE)
FOR = (Status.PROBABLY_FITS, Status.FITS)
TALLIED = {  # what a count is called, of one mark and of several
    Status.FITS: ("fits", "fit"),
    Status.PROBABLY_FITS: ("probably", "probably"),
    Status.TOO_CLOSE: ("too close to call", "too close to call"),
    Status.DOES_NOT_FIT: ("does not fit", "do not fit"),
}


def clean_sheet_note(record: AnyRecord) -> tuple[str, ...]:
    """What to put beside a conclusion that a keeper could take for proof; empty for all others."""
    judged = record.assessment
    clean = judged.conclusion.outcome in ("one species left", "several species left")
    # The first caution of the tables says that a clean sheet proves nothing.
    return judged.cautions[:1] if clean else ()


def asked_note(record: AnyRecord, tables: Tables) -> str:
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


def likelier_variety(record: AnyRecord, tables: Tables) -> tuple[str, str] | None:
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
        expected: Swatches in plain words, or the range of a relation.
        nearest: The expected swatch nearest to the reading, in plain words; empty for a relation.
        bar: The finding as a bar, SVG.
        pair: The colour read beside the one expected, SVG; empty for a relation and for a mark of
            several colours, as each of them is judged.
        shares: The colours found where the species may show several side by side, SVG; else empty.
    """

    finding: Finding
    letter: str
    expected: str
    nearest: str
    bar: str
    pair: str
    shares: str


@dataclass(frozen=True)
class SpeciesView:
    """All findings of one species, those first that tell most.

    Args:
        subject: The bird was looked at as this species.
    """

    species: str
    name: str
    scientific: str
    subject: bool
    marks: tuple[MarkView, ...]

    def of(self, *statuses: Status) -> tuple[MarkView, ...]:
        """The marks of some statuses, one status after the other."""
        return tuple(m for status in statuses for m in self.marks if m.finding.status is status)

    @property
    def tally(self) -> str:
        """How many marks fit and how many do not, in words."""
        said = []
        for status, (one, several) in TALLIED.items():
            n = len(self.of(status))
            said.append(f"{n} {one if n == 1 else several}")
        return ", ".join(said)


def finding_summary(record: AnyRecord, tables: Tables) -> tuple[SpeciesView, ...]:
    """For each species: which marks fit, which do not, by the tables the record was made with.

    Species the bird was looked at as come first, then the likeliest.
    """
    judged, photos = record.assessment, record.records
    # On several photos a letter stands for several marks.
    letters = reading_letters(photos[0]) if len(photos) == 1 else {}
    readings = {r.mark: r for one in photos[::-1] for r in one.measurement.readings}

    def view(finding: Finding) -> MarkView:
        mark, species = finding.mark, tables.species.get(finding.species)
        reading, row = readings.get(mark), species.marks.get(mark) if species else None
        kind = tables.relations.get(mark) if finding.relation else None
        span: Span = (None, None)
        if finding.relation and finding.expected:
            wanted = expected_relation(tables, finding.species, mark, judged.variety, judged.age)
            span = (wanted.low, wanted.high)
        names = (tables.swatches[k].name if k in tables.swatches else k for k in finding.expected)
        nearest, pair, shares = tables.swatches.get(finding.nearest or ""), "", ""
        if reading and row and row.mixed and len(reading.populations) > 1:
            shares = strip(reading.populations)
        elif reading and nearest:
            both = (finding.name, nearest.name)
            pair = swatch_pair(reading.lab, tables.lab[nearest.key], both)
        return MarkView(
            finding,
            "+".join(letters[m] for m in (kind.marks if kind else (mark,)) if m in letters),
            ", ".join(names),
            nearest.name if nearest else "",
            distance_bar(finding, span),
            pair,
            shares,
        )

    views = []
    for sheet in judged.sheets:
        telling = tells_from(tables, sheet.species, judged.variety, judged.age)
        marks = sorted(
            sheet.findings,
            key=lambda f: (-telling[f.mark, "always"], -telling[f.mark, "sometimes"]),
        )
        known = tables.species.get(sheet.species)
        subject = sheet.species in judged.conclusion.subjects
        scientific = known.scientific if known else ""
        row = (sheet.species, sheet.name, scientific, subject, tuple(map(view, marks)))
        views.append(SpeciesView(*row))
    order = [row.species for row in judged.conclusion.standing]
    place = {kind[0]: n for n, kind in enumerate(order) if len(kind) == 1}
    return tuple(sorted(views, key=lambda v: (not v.subject, place.get(v.species, len(order)))))
