"""What one keeper is working on, and what each of their actions does to it.

Everything lives in the browser session: two people on one server never see each other's photo.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from datetime import date
from itertools import chain, count
from pathlib import Path

import numpy as np

from fieldmarks._util.errors import FieldmarksError, PhotoError
from fieldmarks.app.marker.component import photo_key, reduced_jpeg
from fieldmarks.app.marker.wire import MarkerEvent, Offer
from fieldmarks.app.proposed import look_unlike, offer
from fieldmarks.birds.model import EARLIEST
from fieldmarks.measure.card_places import find_card
from fieldmarks.measure.measure import check_drawn_on, check_for_photo
from fieldmarks.measure.outlines import Taps, propose
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import CORE, Point, Region, RegionSet, letters
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.measure.suggest import suggest_outline
from fieldmarks.pipeline import demo_question, examine, make_record, region_file_of
from fieldmarks.record import AnyRecord, Question, Record
from fieldmarks.report.verdict import Verdict, verdict_of
from fieldmarks.rules import Tables

FIRST_MARK = "card"
WHITE_CARD = 0.9  # reflectance of a usual white card


@dataclass(eq=False)
class Day:
    """All photos of one bird on one day, what is asked of it, and what they say together."""

    tables: Tables
    question: Question = field(default_factory=Question)
    photos: list[Work] = field(default_factory=list)
    judged: AnyRecord | None = None
    verdict: Verdict | None = None

    def __post_init__(self) -> None:
        self.first_asked = self.question

    def open(self, data: bytes, name: str, phone: PhoneProfile | None = None) -> Work:
        """Take one more photo file; gives the work on it.

        Raises:
            PhotoError: It cannot be read, or is among the photos already.
        """
        given = Path(name).name
        photo = decode_photo(data, self._free_name(given))
        if any(work.photo.sha256 == photo.sha256 for work in self.photos):
            raise PhotoError("this photo is here already", where=given, mend="Choose another one")
        return Work(self, photo, data, given, phone)

    def _free_name(self, name: str) -> str:
        """A name that no photo has: phones like to call every photo the same."""
        taken = {work.photo.name for work in self.photos}
        path = Path(name)
        names = (f"{path.stem} ({number}){path.suffix}" for number in count(2))
        return next(free for free in chain([name], names) if free not in taken)

    @property
    def is_read(self) -> bool:
        """Whether a mark was read on any of the photos."""
        return any(work.record and work.record.readings for work in self.photos)

    def ask(self, **changes: object) -> None:
        """Change the question (variety, age, claimed species) and answer it."""
        self.question = dataclasses.replace(self.question, **changes)  # type: ignore[arg-type]
        for work in self.photos:
            work.measure()
        self.judge()

    def judge(self) -> None:
        """Judge what the photos show, all of them together."""
        records = [work.record for work in self.photos if work.record is not None]
        self.judged = self.verdict = None
        if records:
            self.judged = records[0] if len(records) == 1 else examine(records, self.tables)
            self.verdict = verdict_of(self.judged, self.tables)


@dataclass(eq=False)
class Work:
    """One photo of a keeper's bird, its regions, and what was found on it."""

    day: Day
    photo: Photo
    data: bytes  # the photo file itself, to be kept in a bird's record
    given: str  # the name it came with
    phone: PhoneProfile | None = None
    mark: str = FIRST_MARK
    suggestion: Region | None = None
    note: str = ""
    problem: str = ""
    story: str = ""
    record: Record | None = None  # of this photo by itself
    # Readings already made of this photo, so that one new outline costs one new reading.
    remembered: dict[Hashable, Reading | None] = field(default_factory=dict)
    taps_asked: bool = False  # eye, beak tip and tail end are still to be tapped
    offers: tuple[Offer, ...] = ()
    looks: int = 0  # times the photo is to be brought back into sight
    turn: int = 0  # times regions or question came from elsewhere than the fields

    def __post_init__(self) -> None:
        photo, self.tables = self.photo, self.day.tables
        preview = photo.preview()
        self.screen_jpeg = reduced_jpeg(preview)
        self.screen_pixels = np.asarray(preview)
        self.regions = RegionSet(photo.name, photo.width, photo.height, (), photo.sha256)
        # Asked about with the marks proposed from the taps, or when the drawing begins without any.
        self.found_card = find_card(photo)
        # Marks the keeper passed over: not in sight.
        self.skipped: tuple[str, ...] = () if self.found_card else (FIRST_MARK,)
        self.day.photos.append(self)
        self._begin(taps_asked=True)

    def _begin(self, *, taps_asked: bool) -> None:
        """Measure what is drawn, and ask for what comes next."""
        self.taps_asked, self.offers = taps_asked, ()
        self.suggestion, self.note = None, ""
        self.assess()
        self.mark = next(iter(self.coming), FIRST_MARK)

    def take_out(self) -> Work:
        """Leave this photo out; gives the work on one of the others."""
        self.day.photos.remove(self)
        self.day.judge()
        return self.day.photos[0]

    def open_regions(self, text: str, name: str) -> None:
        """Take the regions of a region file; nothing changes when they cannot be used.

        Raises:
            RegionError: The file cannot be read, or belongs to another photo.
        """
        loaded = region_set_from_text(text, name, mend="Choose a region file saved by this app")
        check_drawn_on(loaded, self.photo, name)
        self.regions = check_for_photo(loaded, self.photo, self.tables)
        self.turn += 1
        self._begin(taps_asked=False)

    def handle(self, event: MarkerEvent) -> None:
        """Act on something done on the photo."""
        before, offered = self.regions.regions, bool(self.offers)
        self.suggestion, self.note = None, ""
        self.regions = self.regions.with_regions(event.regions.regions)
        if event.next in self.tables.marks:
            self.mark = event.next
        if event.kind in ("kept", "dropped", "recalled"):
            self.offers = ()
        match event.kind:
            case "skipped":
                self.skipped += (event.mark,)
            case "taps":
                self._propose(event.taps)
            case "tap" if event.at is not None:
                self._suggest(event.mark, event.at, event.reach)
            case "kept" if event.mark == FIRST_MARK:
                self._keep_card(event.region)
            case "reshaped":
                # Whose border the keeper has drawn, that is no mere core any more.
                if any(r.id == event.region and r.note == CORE for r in self.regions.regions):
                    self.change_region(event.region, note="")
        if event.kind == "recalled":
            self._put_back(event.aside, event.others)
            self.mark = next(iter(self.coming), self.mark)
        elif self.regions.regions != before:
            self.assess()
        if event.kind == "kept" and offered:
            self._say_what_is_left()
        if event.kind == "drawn":
            row = self.tables.marks[event.mark]
            if look_unlike(self.screen_pixels, self.regions, row):
                self.note = (
                    f"The outlines of the {row.name} look unlike. Is one of another mark? "
                    "Rename it."
                )

    @property
    def own(self) -> str:
        """End of the keys of fields: they start anew with a photo, and with what was put back."""
        return f"{self.photo.sha256[:12]}_{self.turn}"

    @property
    def said(self) -> dict[str, str]:
        """Species, variety and age as far as they are given, for the browser to remember."""
        asked = self.day.question
        return {"claimed": asked.claimed or "", "variety": asked.variety, "age": asked.age}

    def _put_back(self, said: Mapping[str, str], drawn: Mapping[str, RegionSet]) -> None:
        """Take what the browser remembered: the question, unless another one was asked since, and
        what was drawn on other photos of the day, where nothing is drawn yet.
        """
        self.turn += 1
        self.taps_asked = False
        for work in self.day.photos:
            regions = drawn.get(photo_key(work.screen_jpeg))
            if regions is not None and work is not self and not work.regions.regions:
                work.regions = work.regions.with_regions(regions.regions)
                work.suggestion, work.found_card, work.taps_asked = None, None, False
        rows = self.tables
        known = {"claimed": rows.species, "variety": rows.varieties, "age": rows.ages}
        found = {name: said[name] for name in known if said.get(name) in known[name]}
        self.day.ask(**(found if self.day.question == self.day.first_asked else {}))

    def change_region(self, region: str, **changes: object) -> None:
        """Give a region, named by its id, another value or note."""
        self.regions = self.regions.with_regions(
            dataclasses.replace(r, **changes) if r.id == region else r  # type: ignore[arg-type]
            for r in self.regions.regions
        )

    def _keep_card(self, region: str) -> None:
        """Give the card what its frame, or its brightness, tells."""
        found, self.found_card = self.found_card, None
        if found is None:
            return
        value = found.regions[0].value or (WHITE_CARD if found.white else None)
        self.change_region(region, value=value)
        taken = letters(self.regions.regions).values()
        free = (name for name in "ZYXWV" if name not in taken)
        more = [one for one in found.regions[1:] if one.mark in self.tables.marks]
        added = [dataclasses.replace(one, id=next(free)) for one in more]
        self.regions = self.regions.with_regions([*self.regions.regions, *added])
        if found.white:
            self.note = (
                "Taken for a white card (90 %). If it is another, say so under Card and light."
            )

    def _propose(self, taps: Mapping[str, Point]) -> None:
        """Offer outlines of the marks in sight, from where the keeper tapped."""
        self.taps_asked = False
        card = self.found_card.regions[0].shape if self.found_card else None
        if card is not None:
            self.suggestion = Region("suggestion", FIRST_MARK, card)
        if "eye" not in taps:
            return
        places = Taps(taps["eye"], taps.get("beak_tip"), taps.get("tail_end"))
        try:
            found = propose(self.photo, places, self.tables.marks)
        except FieldmarksError as error:
            self.note = str(error)
            return
        self.suggestion = None
        drawn = {region.mark for region in self.regions.regions}
        cards = () if card is None else (Offer(FIRST_MARK, card, "is this it?", True),)
        self.offers = cards + tuple(offer(one) for one in found if one.mark not in drawn)
        if not self.offers:
            self.note = "No mark was made out. Draw them yourself."

    def _say_what_is_left(self) -> None:
        """Name the marks that would tell most and were not taken from the proposed ones."""
        left = [self.tables.marks[mark].name for mark in self.coming if mark != FIRST_MARK][:3]
        if left:
            said = f"Kept. Draw by hand what is in sight: {', '.join(left)}."
            self.note = f"{said} {self.note}".strip()

    def _suggest(self, mark: str, at: Point, reach: float | None) -> None:
        """Outline what was tapped, to be kept or dropped."""
        if self.tables.marks[mark].shape == "line":
            self.note = "A length cannot be guessed. Draw it as a line."
            return
        scale = self.photo.width / self.screen_pixels.shape[1]
        try:
            outline = suggest_outline(self.screen_pixels, at, scale=scale, reach=reach)
            self.suggestion = Region("suggestion", mark, outline)
        except FieldmarksError as error:
            self.note = str(error)

    def say(self, **changes: object) -> None:
        """Change the question from elsewhere than its own fields, which then start anew."""
        self.turn += 1
        self.day.ask(**changes)

    def assess(self) -> None:
        """Measure this photo afresh and judge all of the day."""
        self.measure()
        self.day.judge()

    def measure(self) -> None:
        """Measure and judge this photo by itself; a fault is kept as a sentence to show."""
        self.problem, self.record = "", None
        try:
            self.record = self.record_as(self.day.question)
        except FieldmarksError as error:
            self.problem = str(error)

    def record_as(self, question: Question) -> Record:
        """The record of this photo for a question.

        Raises:
            FieldmarksError
        """
        given = (self.photo, self.regions, self.tables, question)
        return make_record(*given, self.remembered, self.phone)

    @property
    def has_card(self) -> bool:
        """Whether a usable card is marked."""
        return bool(self.record and self.record.measurement.calibration.calibrated)

    @property
    def taken(self) -> date:
        """Day the photo was taken, as its file says; today where it says nothing usable."""
        try:
            day = date.fromisoformat(self.photo.facts.taken[:10].replace(":", "-"))
        except ValueError:
            return date.today()
        return day if EARLIEST <= day <= date.today() else date.today()

    def turn_to(self, mark: str) -> None:
        """Ask for a mark, and show the photo to draw it on."""
        self.mark = mark
        self.looks += 1

    @property
    def coming(self) -> tuple[str, ...]:
        """Marks still to draw, the card first and then those that tell most."""
        drawn = {region.mark for region in self.regions.regions}
        wanted, judged = [FIRST_MARK], self.day.judged
        for one in judged.assessment.next_marks if judged else ():
            wanted += self.tables.relations[one.mark].marks if one.relation else (one.mark,)
        return tuple(
            mark
            for mark in dict.fromkeys(wanted)
            if mark not in drawn
            and mark not in self.skipped
            # No length is read without a scale.
            and (self.tables.marks[mark].kind != "size" or "scale" in drawn)
        )


def open_demo(tables: Tables, path: Path, *, with_regions: bool) -> Work:
    """Take an invented demo bird, with or without the regions that come with it."""
    question, story = demo_question(path)
    work = Day(tables, question).open(path.read_bytes(), path.name)
    work.story = story
    if with_regions:
        work.open_regions(region_file_of(path).read_text(encoding="utf-8"), path.name)
    return work
