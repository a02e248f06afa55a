"""Answers about a bird's life as text for the terminal."""

from collections.abc import Sequence
from datetime import date

from rich.console import Console
from rich.text import Text

from fieldmarks.birds import moult
from fieldmarks.birds.agreement import QUANTITIES, Agreement
from fieldmarks.birds.carried import Hidden
from fieldmarks.birds.collection import BirdPage, CollectionPage
from fieldmarks.birds.model import Entry
from fieldmarks.birds.papers import bird_facts
from fieldmarks.cli.answers import heading, print_lists, print_table
from fieldmarks.report.plane import mark_name
from fieldmarks.rules import Tables

# Story of a finding that several measured -> its heading, and whether each is quoted.
STORIES = {
    "all agree": ("Stands for all", False),
    "depends on who measured": ("Depends on who measured", True),
    "depends on the photo": ("Depends on the photo", True),
    "only one": ("Said by one only", False),
}


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
    print_table(console, headings, rows)
    console.print(f"{page.total} birds")


def print_bird(
    page: BirdPage, tables: Tables, console: Console, hidden: Sequence[Hidden] = ()
) -> None:
    """Everything on record about a bird."""
    bird = page.bird
    console.print(heading(bird.label))
    rows = (
        ("Id", bird.id[:8]), *bird_facts(bird, tables), ("Sex known by", bird.sex_by),
        ("From", bird.source), ("Promised", bird.promised), ("Notes", bird.notes),
    )  # fmt: skip
    for title, text in rows:
        if text:
            console.print(Text(f"{title}: {text}"))
    looks = [
        f"entry {e.number}, {e.day}, {e.stage}, by {e.measured_by or 'someone'}: "
        + " ".join(look.sentence for look in e.observations)
        for e in page.entries
    ]
    parents = [page.family[p].label for p in (bird.father, bird.mother) if p in page.family]
    print_lists(
        console,
        ("Parents", parents),
        ("Young", [b.label for b in page.young]),
        ("Colours it may carry unseen (split)", hidden),
        ("Moult record", looks),
    )


def print_moults(
    entries: Sequence[Entry],
    stories: Sequence[moult.SignStory],
    tables: Tables,
    mark: str | None,
    console: Console,
) -> None:
    """Timelines, changes and what became of signs."""
    lines = {k: v for k, v in moult.timelines(entries).items() if mark in (None, k)}
    for key, line in lines.items():
        rows = ((s.day, s.stage, *(_measured(s, what) for what in moult.QUANTITIES)) for s in line)
        print_table(console, ("day", "stage", *moult.QUANTITIES), rows, mark_name(tables, key))
    changes = moult.changes(lines)
    said = [moult.change_sentence(c, mark_name(tables, c.mark)) for c in changes]
    print_lists(console, ("From the first to the last look (± holds 95 times in 100)", said))
    if changes:
        chance = moult.expected_by_chance(len(changes))
        console.print(
            f"{len(changes)} comparisons: about {chance:.1f} would stand out by chance alone."
        )
    told = [s.sentence for s in stories if s.story != "never"]
    print_lists(console, ("Signs over time", told))


def _measured(spot: moult.TimePoint, quantity: moult.Quantity) -> str:
    found = spot.measured(quantity)
    if found is None:
        return "-"
    _, _, factor, unit = moult.SCALES[quantity]
    return f"{found.value * factor:.0f} ± {2 * found.u * factor:.0f}{unit}"


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
        cells = (m.largest, *(m.repeatability[q] for q in QUANTITIES))
        shown = ("" if cell is None else f"{cell:.1f}" for cell in cells)
        shared = "" if m.overlap is None else f"{m.overlap:.0%} ({' / '.join(m.between)})"
        rows.append((mark_name(tables, m.mark), m.readings, *shown, shared))
    print_table(console, headings, rows)
    for (one, other), limits in found.limits.items():
        said = ", ".join(f"{q} {v.low:+.1f} to {v.high:+.1f}" for q, v in limits.items())
        console.print(Text(f"Limits of agreement, {one} less {other}: {said}"))
    console.print()
    for story, (title, quoted) in STORIES.items():
        told = [
            f"{f.name}: "
            + ("; ".join(f"{w}: {s}" for w, _, s in f.said) if quoted else f.said[0][2])
            for f in found.findings
            if f.story == story
        ]
        print_lists(console, (title, told))
