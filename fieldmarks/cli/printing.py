"""Answers about a bird's life as text for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from rich.console import Console
from rich.text import Text

from fieldmarks.birds.agreement import Agreement
from fieldmarks.birds.buying import BuyingCheck
from fieldmarks.birds.carried import Hidden
from fieldmarks.birds.collection import BirdPage, CollectionPage
from fieldmarks.birds.compare import Verified
from fieldmarks.birds.listfile import Preview
from fieldmarks.birds.mating import MatingResult
from fieldmarks.birds.model import Entry, Pair
from fieldmarks.birds.moult import (
    QUANTITIES,
    SCALES,
    Quantity,
    SignStory,
    TimePoint,
    change_sentence,
    changes,
    expected_by_chance,
    timelines,
)
from fieldmarks.birds.pairing import PairAdvice
from fieldmarks.birds.papers import bird_facts
from fieldmarks.cli.shared import table_of
from fieldmarks.cli.text import fit
from fieldmarks.report.plane import mark_name
from fieldmarks.rules import Tables


def _title(console: Console, text: str) -> None:
    console.print(Text(text, style="bold"))


def _lines(console: Console, title: str, lines: Sequence[str]) -> None:
    if lines:
        _title(console, title)
        for line in lines:
            console.print(Text(f"  * {line}"))
        console.print()


def _table(
    console: Console,
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    title: str | None = None,
) -> None:
    table = table_of(headings, rows, title)
    fit(console, table)
    console.print(table)


def print_list(page: CollectionPage, today: date, console: Console) -> None:
    """A list of birds."""
    headings = (
        "name", "ring", "species", "variety", "sex", "hatched", "last look", "signs", "doubts", "",
        "id",
    )  # fmt: skip
    rows = (
        (b.name, b.ring, b.species, b.variety, b.sex, b.hatched, row.last_day,
         row.signs_seen or "", row.doubts or "",
         "look now" if row.look_due is not None and row.look_due <= today else "", b.id[:8])
        for row in page.rows for b in (row.bird,)
    )  # fmt: skip
    _table(console, headings, rows)
    console.print(f"{page.total} birds")


def print_bird(
    page: BirdPage, tables: Tables, console: Console, hidden: Sequence[Hidden] = ()
) -> None:
    """Everything on record about a bird."""
    bird = page.bird
    _title(console, bird.label)
    rows = (
        ("Id", bird.id[:8]), *bird_facts(bird, tables), ("Sex known by", bird.sex_by),
        ("From", bird.source), ("Promised", bird.promised), ("Notes", bird.notes),
    )  # fmt: skip
    for title, text in rows:
        if text:
            console.print(Text(f"{title}: {text}"))
    parents = [page.family[p].label for p in (bird.father, bird.mother) if p in page.family]
    _lines(console, "Parents", parents)
    _lines(console, "Young", [b.label for b in page.young])
    _lines(console, "Colours it may carry unseen (split)", [str(one) for one in hidden])
    _lines(
        console,
        "Moult record",
        [
            f"entry {e.number}, {e.day}, {e.stage}, by {e.measured_by or 'someone'}: "
            + " ".join(look.sentence for look in e.observations)
            for e in page.entries
        ],
    )


def print_moults(
    entries: Sequence[Entry],
    stories: Sequence[SignStory],
    tables: Tables,
    mark: str | None,
    console: Console,
) -> None:
    """Timelines, changes and what became of signs."""
    lines = timelines(entries)
    if mark is not None:
        lines = {k: v for k, v in lines.items() if k == mark}
    for key, line in lines.items():
        rows = ((s.day, s.stage, *(_measured(s, what) for what in QUANTITIES)) for s in line)
        _table(console, ("day", "stage", *QUANTITIES), rows, mark_name(tables, key))
    found_changes = changes(lines)
    names = {k: m.name for k, m in tables.marks.items()}
    said = [change_sentence(c, names.get(c.mark, c.mark)) for c in found_changes]
    _lines(console, "From the first to the last look (± holds 95 times in 100)", said)
    if found_changes:
        chance = expected_by_chance(len(found_changes))
        console.print(
            f"{len(found_changes)} comparisons: about {chance:.1f} would stand out by chance alone."
        )
    _lines(console, "Signs over time", [s.sentence for s in stories if s.story != "never"])


def _measured(spot: TimePoint, quantity: Quantity) -> str:
    found = spot.measured(quantity)
    if found is None:
        return "-"
    _, _, factor, unit = SCALES[quantity]
    return f"{found.value * factor:.0f} ± {2 * found.u * factor:.0f}{unit}"


def print_advice(advice: PairAdvice, console: Console) -> None:
    """Advice on a pair."""
    _title(console, advice.sentence)
    marks = {"against": "x", "wait": "~", "not known": "?", "for": "+"}
    for reason in advice.reasons:
        console.print(Text(f"  {marks[reason.weight]} {reason.text}"))
    console.print()
    _lines(console, "Keep in mind", advice.cautions)


def print_mating(result: MatingResult, dates: Sequence[str], console: Console) -> None:
    """What a test mating tells, and when its young are to be looked after."""
    from fieldmarks.birds.advice import advice_table

    _title(console, result.sentence)
    strong = "How strong that is, if ... (assumptions)"
    _lines(console, strong, [str(s) for s in result.strengths])
    _lines(console, "What does not count, and was not looked at", result.gaps)
    _lines(console, "Dates", dates)
    _lines(console, "Keep in mind", advice_table().cautions("testing"))


def print_pairs(pairs: Sequence[Pair], names: Mapping[str, str], console: Console) -> None:
    """All pairs."""
    rows = (
        (pair.id[:8], names.get(pair.first, "?"), names.get(pair.second, "?"), pair.purpose,
         pair.started, len(pair.young))
        for pair in pairs
    )  # fmt: skip
    _table(console, ("pair", "first", "second", "for", "started", "young"), rows)


def print_buying(check: BuyingCheck, console: Console) -> None:
    """What a keeper needs in a shop."""
    _title(console, check.sentence)
    console.print()
    _lines(console, "Speaks against it", check.speaks_against)
    _lines(console, "Fits", check.fits)
    _lines(console, "Look at these too", [f"{name}: {look}" for name, look in check.look_at])
    _lines(console, "Ask the breeder", check.ask)
    _lines(console, "What this can't tell you", check.cannot_tell)
    _lines(console, "Keep in mind", check.cautions)


def print_agreement(found: Agreement, tables: Tables, console: Console) -> None:
    """How well measurers agree."""
    for measurer, photo, sentence in found.conclusions:
        console.print(Text(f"{measurer}, {photo}: {sentence}"))
    console.print(Text(found.note))
    headings = (
        "mark", "readings", "largest difference", "repeatability L*", "a*", "b*",
        "least shared region",
    )  # fmt: skip
    rows = []
    for m in found.marks:
        repeated = [m.repeatability[q] for q in ("L*", "a*", "b*")]
        shared = "" if m.overlap is None else f"{m.overlap:.0%} ({' / '.join(m.between)})"
        cells = [m.largest, *repeated]
        shown = ("" if cell is None else f"{cell:.1f}" for cell in cells)
        rows.append((mark_name(tables, m.mark), m.readings, *shown, shared))
    _table(console, headings, rows)
    for (one, other), limits in found.limits.items():
        said = ", ".join(f"{q} {v.low:+.1f} to {v.high:+.1f}" for q, v in limits.items())
        console.print(Text(f"Limits of agreement, {one} less {other}: {said}"))
    console.print()
    for story, title in (
        ("all agree", "Stands for all"),
        ("depends on who measured", "Depends on who measured"),
        ("depends on the photo", "Depends on the photo"),
        ("only one", "Said by one only"),
    ):
        ones = [f for f in found.findings if f.story == story]
        if story in ("all agree", "only one"):
            told = [f"{f.name}: {f.said[0][2]}" for f in ones]
        else:
            told = [f"{f.name}: " + "; ".join(f"{w}: {s}" for w, _, s in f.said) for f in ones]
        _lines(console, title, told)


def print_verified(result: Verified, console: Console) -> None:
    """What came of re-running a dossier."""
    _title(console, result.sentence)
    for check in result.checks:
        detail = f": {check.detail}" if check.detail else ""
        console.print(Text(f"  {check.outcome:<9} {check.where}: {check.what}{detail}"))
    console.print(Text(f"Seal: {result.seal}"))
    console.print(Text(f"Signed with the key: {result.key or 'none'}"))
    console.print("A dossier cannot show who took a photo, or which bird is on it.")


def print_preview(preview: Preview, console: Console) -> None:
    """A list looked through."""
    console.print(f"{len(preview.birds)} birds can be imported.")
    _lines(console, "Rows with problems", [str(p) for p in preview.problems])
    if preview.unknown:
        console.print(Text(f"Nothing is done with these columns: {', '.join(preview.unknown)}"))
