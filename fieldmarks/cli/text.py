"""A record or an examination as readable text for the terminal."""

from __future__ import annotations

from rich.console import Console, Group, RenderableType
from rich.measure import Measurement
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import STRENGTHS, SignStatus
from fieldmarks.measure.colour import lab_to_srgb8
from fieldmarks.measure.quantities import Lab, Reading
from fieldmarks.record import Examination, Record
from fieldmarks.report.content import SHOWN_SIGNS
from fieldmarks.report.plane import mark_name
from fieldmarks.report.views import asked_note, likelier_variety, sign_words
from fieldmarks.rules import Tables

# A mark in front of each word, so that a printout without colour says the same.
STATUS_MARKS = {
    Status.FITS: ("+", "green"),
    Status.PROBABLY_FITS: ("+", "green"),
    Status.TOO_CLOSE: ("?", "yellow"),
    Status.DOES_NOT_FIT: ("x", "red"),
    Status.NOT_READ: ("", "dim"),
    Status.SAYS_NOTHING: ("-", "dim"),
}
INDENT = 2


def print_record(judged: Record | Examination, tables: Tables, console: Console) -> None:
    """Print a record, or an examination: what each photo gave and one conclusion."""
    found, records = judged.assessment, judged.records
    console.print(
        Panel(Text(found.conclusion.sentence), title=Text(judged.photo), title_align="left")
    )
    said = [asked_note(judged, tables)]
    likelier = likelier_variety(judged, tables)
    if likelier is not None:
        said.append(f"{likelier[1]} Look at it so with: --variety {likelier[0]}")
    colours, marks = [_readings(record, tables) for record in records], _findings(judged)
    fit(console, *colours, marks)
    console.print(_section("The bird", _bullets(said)))
    if found.disagreements:
        lines = [row.sentence for row in found.disagreements]
        console.print(_section("Where the photos disagree", _bullets(lines)))
    for record, table in zip(records, colours, strict=True):
        measured = record.measurement
        of = f": {measured.photo}" if len(records) > 1 else ""
        lines = [measured.calibration.summary, *measured.warnings]
        console.print(_section(f"Light and photo{of}", _bullets(lines)))
        if measured.readings:
            console.print(_section(f"Colours read{of}", table))
    console.print(_section("Marks against each species", marks))
    console.print(_section("Signs of mixed ancestry", _signs(judged, tables)))
    if found.next_marks:
        coming = [f"{m.name}: {m.look}" for m in found.next_marks[:4]]
        console.print(_section("Mark these next", _bullets(coming)))
    console.print(_section("Keep in mind", _bullets(found.cautions)))
    prints = ", ".join(record.measurement.sha256[:12] for record in records)
    console.print(
        Text(
            f"fieldmarks {records[0].program}, tables {found.table_version} "
            f"({found.table_fingerprint[:12]}), photo SHA-256 {prints}, "
            f"{records[0].colour_space}",
            style="dim",
        )
    )


def fit(console: Console, *tables: Table) -> None:
    """In a pipe or a file nothing is cut or broken: the page is as wide as its widest table."""
    if not console.is_terminal:
        endless = console.options.update(max_width=10_000)
        widest = max(Measurement.get(console, endless, table).maximum for table in tables)
        console.width = max(console.width, widest + INDENT)


def _section(title: str, body: RenderableType) -> Group:
    return Group(Text(title, style="bold"), Padding(body, (0, 0, 1, INDENT)))


def _bullets(lines: object) -> Text:
    return Text("\n".join(f"* {line}" for line in lines))  # type: ignore[attr-defined]


def _readings(record: Record, tables: Tables) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("mark", no_wrap=True)
    table.add_column("", no_wrap=True)
    for column in ("L*", "a*", "b*", "C*", "h", "+/- (95 %)"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("made of")
    for reading in record.measurement.readings:
        table.add_row(
            mark_name(tables, reading.mark),
            _patch(reading.lab),
            *(f"{v:.0f}" for v in (*reading.lab, reading.chroma, reading.hue)),
            f"{reading.expanded:.1f}",
            _populations(reading),
        )
    return table


def _patch(lab: Lab) -> Text:
    red, green, blue = (int(v) for v in lab_to_srgb8(lab))
    return Text("    ", style=f"on rgb({red},{green},{blue})")


def _populations(reading: Reading) -> str:
    if len(reading.populations) == 1:
        return "one colour"
    return ", ".join(f"{p.fraction:.0%} L{p.lab[0]:.0f} a{p.lab[1]:.0f} b{p.lab[2]:.0f}"
                     for p in reading.populations[:3])  # fmt: skip


def _findings(judged: Record | Examination) -> Table:
    """Rows are marks, columns species: what was read is compared across."""
    sheets = judged.assessment.sheets
    table = Table(box=None, pad_edge=False)
    table.add_column("mark", no_wrap=True)
    for sheet in sheets:
        table.add_column(sheet.species, overflow="fold")
    cells: dict[str, dict[str, Finding]] = {}
    names: dict[str, str] = {}
    for sheet in sheets:
        for finding in sheet.findings:
            names[finding.mark] = finding.name
            cells.setdefault(finding.mark, {})[sheet.species] = finding
    unread = []
    for mark, row in cells.items():
        if all(f.status in (Status.NOT_READ, Status.SAYS_NOTHING) for f in row.values()):
            if any(f.status is Status.NOT_READ for f in row.values()):
                unread.append(names[mark])
            continue
        table.add_row(names[mark], *(_cell(row.get(sheet.species)) for sheet in sheets))
    if unread:
        table.caption = "Not read: " + ", ".join(unread)
        table.caption_justify = "left"
    return table


def _cell(finding: Finding | None) -> Text:
    if finding is None:
        return Text("")
    sign, style = STATUS_MARKS[finding.status]
    word = finding.status.value
    if finding.value is not None and finding.tolerance is not None:
        word += f" {finding.value:.0f}/{finding.tolerance:.0f}"
    elif finding.value is not None:
        word += f" {finding.value:.3g}"
    return Text(f"{sign} {word}".strip(), style=style)


def _signs(judged: Record | Examination, tables: Tables) -> RenderableType:
    shown = [s for s in judged.signs if s.status in SHOWN_SIGNS]
    counts = [s.status for s in judged.signs]
    lines = [
        f"{s.status.value.upper()}: {sign_words(s, tables)} Points to "
        f"{' or '.join(s.points_to)} ({STRENGTHS.get(s.strength, s.strength)})."
        for s in shown
    ]
    tail = [
        f"{counts.count(status)} {status.value}"
        for status in SignStatus
        if status not in SHOWN_SIGNS and status in counts
    ]
    if tail:
        lines.append("Others: " + ", ".join(tail) + ".")
    return _bullets(lines or ["None was looked for."])
