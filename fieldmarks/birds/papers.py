"""A bird's papers: its sheet, the card for its cage, and the sheet that goes with it when it goes.

Nothing personal is printed but what the keeper wrote as name and ring; who gives and who takes is
filled in by hand.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.store import Store
from fieldmarks.birds.timeline import in_neutral_light
from fieldmarks.measure.photo import decode_photo
from fieldmarks.report.blocks import Block, Bullets, Content, Facts, Figure, Para, Picture, Section
from fieldmarks.report.page import content_page
from fieldmarks.report.pdf import write_pdf
from fieldmarks.report.qr import qr_svg
from fieldmarks.rules import Tables

Paper = Literal["sheet", "card", "transfer"]
NAMES: dict[Paper, str] = {
    "sheet": "Bird sheet", "card": "Cage card", "transfer": "Sale and transfer sheet",
}  # fmt: skip
TOLD = (
    "Told by whoever keeps the bird, as of now. It cannot show that a bird before you is this one."
)
LINE = ". " * 34
BY_HAND = tuple(  # each by itself, so that there is room to write
    Facts(((name, LINE),))
    for name in ("Given by", "Taken by", "Day", "Price, if sold", "Papers handed over",
                 "Food and habits", "Signed, giver", "Signed, taker")
)  # fmt: skip
QR_WIDE = 34.0  # mm


@dataclass(frozen=True)
class Told:
    """A bird and what of it goes on paper."""

    bird: Bird
    entries: Sequence[Entry] = ()
    address: str = ""  # what its QR code opens; empty for none
    picture: bytes | None = None  # JPEG without metadata


def check_address(address: str) -> None:
    """Refuse what no QR code is to open.

    Raises:
        FieldmarksError: It is neither empty nor the address of a page.
    """
    parts = urlsplit(address)
    if address and (parts.scheme not in ("http", "https") or not parts.netloc or parts.username):
        raise FieldmarksError("this is no address", where=address[:60], mend="Write https://...")
    if address:
        qr_svg(address, "")


def told_of(store: Store, bird: Bird, address: str = "") -> Told:
    """What is on record of a bird, with the newest photo that can be opened."""
    entries, picture = store.entries(bird.id), None
    for look in (o for e in reversed(entries) for o in reversed(e.observations)):
        try:
            photo = decode_photo(store.photo(look), look.file)
            picture = in_neutral_light(photo, store.record(look).measurement.calibration, 900)
            break
        except FieldmarksError:  # an older one may still be whole
            continue
    return Told(bird, entries, address, picture)


def bird_facts(bird: Bird, tables: Tables) -> tuple[tuple[str, str], ...]:
    """Name and value of what is known of a bird."""
    species, variety = tables.species.get(bird.species or ""), tables.varieties.get(bird.variety)
    split = (tables.varieties[k].name if k in tables.varieties else k for k in bird.split_for)
    about = "about " if bird.hatch_known == "estimate" else ""
    ring = (bird.ring, bird.ring_kind, str(bird.ring_year or "")) if bird.ring else ()
    rows = (
        ("Ring", ", ".join(filter(None, ring))),
        ("Said to be", f"{species.name} ({species.scientific})" if species else "not known"),
        ("Colour variety", variety.name if variety else bird.variety),
        ("Split for", ", ".join(split)),
        ("Sex", "not known" if bird.sex == "unknown" else bird.sex),
        ("Hatched", f"{about}{bird.hatched.isoformat()}" if bird.hatched else "not known"),
    )
    return tuple(row for row in rows if row[1])


def paper(kind: Paper, told: Told, tables: Tables) -> Content:
    """What a paper says.

    Raises:
        FieldmarksError: The address makes no QR code.
    """
    bird = told.bird
    facts: list[Block] = [Facts(bird_facts(bird, tables))]
    if told.address:
        opens = qr_svg(told.address, f"QR code that opens {bird.name}")
        facts.append(Figure(opens, "Opens the bird", wide=QR_WIDE))
    sections = [Section("bird", "The bird", tuple(facts))]
    if kind != "card":
        looks = tuple(f"{e.day}, {e.stage}: {e.said}" for e in told.entries if e.observations)
        said = Bullets(looks) if looks else Para("None is kept yet.")
        sections.append(Section("looks", "Looks", (said, Para(TOLD))))
    if kind == "transfer":
        advice = advice_table()
        cannot = tuple(row.text for row in advice.cannot_tell)
        no_paper = "This sheet is no proof of lawful origin and no CITES paper."
        sections += [
            Section("hand", "To fill in by hand", (*BY_HAND, Para(no_paper))),
            Section("cannot", "What looks cannot tell", (Bullets(cannot),)),
            Section("cautions", "Keep in mind", (Bullets(advice.cautions("handing over")),)),
        ]
    if told.picture and kind != "card":
        shown = Picture(told.picture, f"{bird.label}, newest photo")
        sections.append(Section("photo", "Its newest photo", (shown,)))
    return Content(bird.name, NAMES[kind], f"fieldmarks {__version__}", tuple(sections))


def paper_pdf(kind: Paper, told: Told, tables: Tables) -> bytes:
    """A paper to print, A4; the cage card A6."""
    content = paper(kind, told, tables)
    return write_pdf(content, content.about, __version__, size="A6" if kind == "card" else "A4")


def sheet_page(bird: Bird, entries: Sequence[Entry], tables: Tables) -> str:
    """A bird's sheet as one HTML page, without a photo."""
    return content_page(paper("sheet", Told(bird, entries), tables))
