"""A record or an examination as readable text for the terminal."""

from collections import Counter

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from fieldmarks.cli.answers import fit, print_lists, section
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import STRENGTHS, SignStatus
from fieldmarks.measure.quantities import Reading
from fieldmarks.record import AnyRecord, Record
from fieldmarks.report.content import SHOWN_SIGNS
from fieldmarks.report.plane import mark_name
from fieldmarks.report.svg import hexadecimal
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


def print_record(judged: AnyRecord, tables: Tables, console: Console) -> None:
    """Print a record, or an examination: what each photo gave and one conclusion."""
    found, records = judged.assessment, judged.records
    console.print(
        Panel(Text(found.conclusion.sentence), title=Text(judged.photo), title_align="left")
    )
    said = [asked_note(judged, tables)]
    if likelier := likelier_variety(judged, tables):
        said.append(f"{likelier[1]} Look at it so with: --variety {likelier[0]}")
    colours, marks = [_readings(record, tables) for record in records], _findings(judged)
    fit(console, *colours, marks)
    disagreements = [row.sentence for row in found.disagreements]
    print_lists(console, ("The bird", said), ("Where the photos disagree", disagreements))
    for record, table in zip(records, colours, strict=True):
        measured = record.measurement
        of = f": {measured.photo}" if len(records) > 1 else ""
        light = (measured.calibration.summary, *measured.warnings)
        print_lists(console, (f"Light and photo{of}", light))
        if measured.readings:
            console.print(section(f"Colours read{of}", table))
    console.print(section("Marks against each species", marks))
    print_lists(
        console,
        ("Signs of mixed ancestry", _signs(judged, tables)),
        ("Mark these next", [f"{m.name}: {m.look}" for m in found.next_marks[:4]]),
        ("Keep in mind", found.cautions),
    )
    prints = ", ".join(record.measurement.sha256[:12] for record in records)
    made = (
        f"fieldmarks {records[0].program}, tables {found.table_version} "
        f"({found.table_fingerprint[:12]}), photo SHA-256 {prints}, {records[0].colour_space}"
    )
    console.print(Text(made, style="dim"))


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
            Text("    ", style=f"on {hexadecimal(reading.lab)}"),
            *(f"{v:.0f}" for v in (*reading.lab, reading.chroma, reading.hue)),
            f"{reading.expanded:.1f}",
            _populations(reading),
        )
    return table


def _populations(reading: Reading) -> str:
    if len(reading.populations) == 1:
        return "one colour"
    return ", ".join(f"{p.fraction:.0%} L{p.lab[0]:.0f} a{p.lab[1]:.0f} b{p.lab[2]:.0f}"
                     for p in reading.populations[:3])  # fmt: skip


def _findings(judged: AnyRecord) -> Table:
    """Rows are marks, columns species: what was read is compared across."""
    sheets = judged.assessment.sheets
    table = Table(box=None, pad_edge=False)
    table.add_column("mark", no_wrap=True)
    marks: dict[str, dict[str, Finding]] = {}
    for sheet in sheets:
        table.add_column(sheet.species, overflow="fold")
        for finding in sheet.findings:
            marks.setdefault(finding.mark, {})[sheet.species] = finding
    unread = []
    for row in marks.values():
        name, statuses = next(iter(row.values())).name, {f.status for f in row.values()}
        if statuses - {Status.NOT_READ, Status.SAYS_NOTHING}:
            table.add_row(name, *(_cell(row.get(sheet.species)) for sheet in sheets))
        elif Status.NOT_READ in statuses:
            unread.append(name)
    if unread:
        table.caption = "Not read: " + ", ".join(unread)
        table.caption_justify = "left"
    return table


def _cell(finding: Finding | None) -> Text:
    if finding is None:
        return Text("")
    sign, style = STATUS_MARKS[finding.status]
    word = finding.status.value
    if (value := finding.value) is not None:
        limit = finding.tolerance
        word += f" {value:.3g}" if limit is None else f" {value:.0f}/{limit:.0f}"
    return Text(f"{sign} {word}".strip(), style=style)


def _signs(judged: AnyRecord, tables: Tables) -> list[str]:
    counts = Counter(s.status for s in judged.signs)
    lines = [
        f"{s.status.value.upper()}: {sign_words(s, tables)} Points to "
        f"{' or '.join(s.points_to)} ({STRENGTHS.get(s.strength, s.strength)})."
        for s in judged.signs
        if s.status in SHOWN_SIGNS
    ]
    tail = [f"{counts[s]} {s.value}" for s in SignStatus if counts[s] and s not in SHOWN_SIGNS]
    if tail:
        lines.append(f"Others: {', '.join(tail)}.")
    return lines or ["None was looked for."]
