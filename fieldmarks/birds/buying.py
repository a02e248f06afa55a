"""Buying: what to look at, what to ask and what a photo in a shop cannot tell; and one sheet for a
visit where there is no line.
"""

from dataclasses import dataclass, replace

from fieldmarks import __version__
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.standing import showing_signs
from fieldmarks.judge.assess import Assessment
from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.record import Question
from fieldmarks.report.blocks import Block, Bullets, Content, Figure, Para, Section, texts
from fieldmarks.report.glossary import words_in
from fieldmarks.report.guide import guide_rows, where_are
from fieldmarks.report.page import content_page
from fieldmarks.report.pdf import write_pdf
from fieldmarks.report.views import against_words
from fieldmarks.rules import Tables
from fieldmarks.rules.separation import next_marks

MARKS_SHOWN = 5
MARKS_ON_SHEET = 6
SHEET_TITLE = "A bird for sale: photograph, ask, check"
AT_HOME = (
    "At home choose all photos of one bird at once, on the page Look at a bird: they are read as "
    "one visit and give one verdict. Photos of another bird are another visit."
)


@dataclass(frozen=True)
class BuyingCheck:
    """What a keeper needs in a shop."""

    sentence: str
    speaks_against: tuple[str, ...]  # marks that contradict the species, and signs seen
    fits: tuple[str, ...]
    look_at: tuple[tuple[str, str], ...]  # marks not read that decide most, each with its look
    ask: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    cautions: tuple[str, ...]


def buying_check(assessment: Assessment, tables: Tables) -> BuyingCheck:
    """Boil an assessment, best made with the species it is sold as, down to what decides."""
    advice = advice_table()
    sold_as = assessment.claimed or next(iter(assessment.conclusion.subjects), None)
    sheets = [s for s in assessment.sheets if s.species == sold_as]
    found = [f for sheet in sheets for f in sheet.findings]
    against = [against_words(f, tables) for f in found if f.status is Status.DOES_NOT_FIT]
    against += [
        f"{s.text} {s.status.value.capitalize()}."
        for s in assessment.signs
        if s.status in (SignStatus.SEEN, SignStatus.LOOK_AGAIN)
    ]
    variety = tables.varieties[assessment.variety]
    hides = [f"This variety hides marks: {variety.reason}"] if variety.says_nothing else []
    return BuyingCheck(
        sentence=assessment.conclusion.sentence,
        speaks_against=tuple(against),
        fits=tuple(f.name for f in found if f.status in (Status.FITS, Status.PROBABLY_FITS)),
        look_at=tuple((m.name, m.look) for m in assessment.next_marks[:MARKS_SHOWN]),
        ask=tuple(row.text for row in advice.ask),
        cannot_tell=(*hides, *(row.text for row in advice.cannot_tell)),
        cautions=advice.cautions("buying"),
    )


def possible_signs(tables: Tables, question: Question) -> tuple[str, ...]:
    """Signs of mixed ancestry that a bird sold as some species could show in its variety."""
    return tuple(
        sign.text + (" Look again after its first moult." if question.age in sign.juvenile else "")
        for sign in showing_signs(question.claimed, question.variety, tables)
    )


def shop_sheet(tables: Tables, question: Question | None = None) -> Content:
    """What to do about a bird for sale, for paper or a phone without a line.

    Without a species it shows the marks that tell all apart.

    Raises:
        TableError: Unknown species, variety or age.
    """
    asked = question or Question()
    advice = advice_table()
    sold_as = f"sold as {tables.species[asked.claimed].name}" if asked.claimed else "any lovebird"
    views = tuple(f"{row.name}. {row.text}" for row in advice.view)
    ask, check = (tuple(row.text for row in rows) for rows in (advice.ask, advice.check))
    later = (Para(f"Ring number: {'. ' * 20}  Day: {'. ' * 12}"), Para(AT_HOME))
    sections = (
        Section("first", "First", (Bullets(advice.cautions("shop")),)),
        Section("photograph", "Photograph", (
            Para("Each with a plain grey card beside the bird, in the same light."),
            Bullets(views, to_tick=True),
        )),
        Section("decide", "The marks that decide", _marks(tables, asked)),
        Section("ask", "Ask the seller", (Bullets(ask, to_tick=True),)),
        Section("check", "Check and write down", (Bullets(check, to_tick=True), *later)),
        Section("cannot", "What looks cannot tell",
                (Bullets(tuple(row.text for row in advice.cannot_tell)),)),
        Section("cautions", "Keep in mind", (Bullets(advice.cautions("buying")),)),
    )  # fmt: skip
    words = words_in("\n".join(texts(block for row in sections for block in row.blocks)))
    about = f"{sold_as}, {tables.varieties[asked.variety].name}, {tables.ages[asked.age].name}"
    return Content(SHEET_TITLE, about, f"fieldmarks {__version__}", sections, words)


def shop_sheet_pdf(tables: Tables, question: Question | None = None) -> bytes:
    """The sheet to print, A4."""
    content = replace(shop_sheet(tables, question), words=())  # paper has no links to them
    return write_pdf(content, "What to do about a bird for sale", __version__)


def shop_sheet_page(tables: Tables, question: Question | None = None) -> str:
    """The sheet as one HTML page that needs no line: nothing in it is fetched."""
    return content_page(shop_sheet(tables, question))


def _marks(tables: Tables, asked: Question) -> tuple[Block, ...]:
    """The marks that tell most species apart, worked out from the tables."""
    given = (asked.variety, asked.age)
    looks = {s: {r.mark: r for r in guide_rows(tables, s, *given)} for s in tables.species}
    claimed = asked.claimed
    if claimed:
        telling = (r.mark for r in looks[claimed].values() if not r.relation and r.always)
    else:
        found = next_marks(tables, list(tables.species), (), *given)
        telling = (row.mark for row in found if not row.relation)
    marks = list(telling)[:MARKS_ON_SHEET]
    if not marks:
        return (Para("In this variety no mark tells the species apart. Ask for the parents."),)
    items = []
    for number, mark in enumerate(marks, 1):
        said: dict[str, list[str]] = {}
        for key in (claimed,) if claimed else tables.species:
            if mark in looks[key]:
                name = tables.species[key].name.removesuffix(" lovebird")
                said.setdefault(looks[key][mark].look.rstrip("."), []).append(name)
        told = "; ".join(
            look if claimed else f"{', '.join(names)}: {look[:1].lower()}{look[1:]}"
            for look, names in said.items()
        )
        items.append(f"{number} {tables.marks[mark].name}: {told}.")
    blocks: list[Block] = [Figure(where_are(tables, marks)), Bullets(tuple(items))]
    if signs := possible_signs(tables, asked):
        blocks += [Para("These would be signs of mixed ancestry:"), Bullets(signs)]
    return tuple(blocks)
