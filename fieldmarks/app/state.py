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
import numpy.typing as npt

from fieldmarks._util.errors import FieldmarksError, PhotoError, RegionError
from fieldmarks.app.marker import MarkerEvent, Offer, photo_key, reduced_jpeg, suggest_outline
from fieldmarks.app.proposed import look_unlike, offer
from fieldmarks.birds.model import EARLIEST
from fieldmarks.measure.card_places import FoundCard, find_card
from fieldmarks.measure.measure import check_for_photo
from fieldmarks.measure.outlines import Taps, propose
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import CORE, Point, Region, RegionSet, letters
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.pipeline import demo_question, examine, make_record, region_file_of
from fieldmarks.record import Examination, Question, Record
from fieldmarks.report.verdict import Verdict, verdict_of
from fieldmarks.rules import Tables

SCREEN_PIXELS = 1600  # longest side of the picture sent to the browser
FIRST_MARK = "card"
WHITE_CARD = 0.9  # reflectance of a usual white card


@dataclass(eq=False)
class Day:
    """All photos of one bird on one day, and what they say together."""

    photos: list[Work] = field(default_factory=list)
    judged: Record | Examination | None = None
    verdict: Verdict | None = None

    def judge(self, tables: Tables) -> None:
        """Judge what the photos show, all of them together."""
        for work in self.photos:
            if work.record and work.record.question != work.question:
                work.measure()
        records = [work.record for work in self.photos if work.record is not None]
        self.judged = self.verdict = None
        if records:
            self.judged = records[0] if len(records) == 1 else examine(records, tables)
            self.verdict = verdict_of(self.judged, tables)

    def free_name(self, name: str) -> str:
        """A name that no photo has: phones like to call every photo the same."""
        taken = {work.photo.name for work in self.photos if work.photo}
        path = Path(name)
        names = (f"{path.stem} ({number}){path.suffix}" for number in count(2))
        return next(free for free in chain([name], names) if free not in taken)


@dataclass(eq=False)
class Work:
    """One photo of a keeper's bird, its regions, the question, and what was found."""

    tables: Tables
    photo: Photo | None = None
    data: bytes = b""  # the photo file itself, to be kept in a bird's record
    screen_jpeg: bytes = b""
    screen_pixels: npt.NDArray[np.uint8] = field(default_factory=lambda: np.zeros((0, 0, 3), "u1"))
    regions: RegionSet = field(default_factory=lambda: RegionSet("", 0, 0))
    question: Question = field(default_factory=Question)
    mark: str = FIRST_MARK
    suggestion: Region | None = None
    note: str = ""
    problem: str = ""
    story: str = ""
    record: Record | None = None  # of this photo by itself
    day: Day = field(default_factory=Day)
    given: str = ""  # the name the photo file came with
    # Readings already made of this photo, so that one new outline costs one new reading.
    remembered: dict[Hashable, Reading | None] = field(default_factory=dict)
    phone: PhoneProfile | None = None
    first_asked: Question = field(default_factory=Question)  # what the photo was opened with
    skipped: tuple[str, ...] = ()  # marks the keeper passed over: not in sight
    taps_asked: bool = False  # eye, beak tip and tail end are still to be tapped
    found_card: FoundCard | None = None
    offers: tuple[Offer, ...] = ()
    looks: int = 0  # times the photo is to be brought back into sight
    turn: int = 0  # times regions or question came from elsewhere than the fields

    def __post_init__(self) -> None:
        self.day.photos.append(self)

    def open_photo(self, data: bytes, name: str, asked: Question | None = None) -> None:
        """Take a photo, and what is asked of it; nothing changes when it cannot be read.

        Raises:
            PhotoError
        """
        given = Path(name).name
        photo = decode_photo(data, given)
        self.day = Day([self])
        self._take(photo, data, given, asked or Question())

    def add_photo(self, data: bytes, name: str) -> Work:
        """Take one more photo of the same bird on the same day; gives the work on it.

        Raises:
            PhotoError: It cannot be read, or is among the photos already.
        """
        given = Path(name).name
        photo = decode_photo(data, self.day.free_name(given))
        if any(work.photo and work.photo.sha256 == photo.sha256 for work in self.day.photos):
            raise PhotoError("this photo is here already", where=given, mend="Choose another one")
        new = Work(self.tables, phone=self.phone, day=self.day)
        new._take(photo, data, given, self.question)
        return new

    def take_out(self) -> Work:
        """Leave this photo out; gives the work on one of the others."""
        self.day.photos.remove(self)
        self.day.judge(self.tables)
        return self.day.photos[0]

    def _take(self, photo: Photo, data: bytes, given: str, asked: Question) -> None:
        preview = photo.preview(SCREEN_PIXELS)
        self.photo, self.data, self.given = photo, data, given
        self.screen_jpeg = reduced_jpeg(preview, SCREEN_PIXELS)
        self.screen_pixels = np.asarray(preview)
        self.regions = RegionSet(photo.name, photo.width, photo.height, (), photo.sha256)
        self.question = self.first_asked = asked
        self.story = ""
        self.remembered.clear()
        # Asked about with the marks proposed from the taps, or when the drawing begins without any.
        self.found_card = find_card(photo)
        self.skipped = () if self.found_card else (FIRST_MARK,)
        self._begin(taps_asked=True)

    def _begin(self, *, taps_asked: bool) -> None:
        """Measure what is drawn, and ask for what comes next."""
        self.taps_asked, self.offers = taps_asked, ()
        self.suggestion, self.note = None, ""
        self.assess()
        self.mark = next(iter(self.coming), FIRST_MARK)

    def open_demo(self, path: Path, with_regions: bool) -> None:
        """Take an invented demo bird, with or without the regions that come with it."""
        question, story = demo_question(path)
        self.open_photo(path.read_bytes(), path.name, question)
        self.story = story
        if with_regions:
            self.open_regions(region_file_of(path).read_text(encoding="utf-8"), path.name)

    def open_regions(self, text: str, name: str) -> None:
        """Take the regions of a region file; nothing changes when they cannot be used.

        Raises:
            RegionError: The file cannot be read, or belongs to another photo.
        """
        assert self.photo is not None
        loaded = region_set_from_text(text, name, mend="Choose a region file saved by this app")
        if loaded.sha256 and loaded.sha256 != self.photo.sha256:
            raise RegionError(
                "it was drawn on another photo", where=name, mend=f"Open {loaded.photo} first"
            )
        self.regions = check_for_photo(loaded, self.photo, self.tables)
        self.turn += 1
        self._begin(taps_asked=False)

    def handle(self, event: MarkerEvent) -> None:
        """Act on something done on the photo."""
        self.suggestion, self.note = None, ""
        offered = bool(self.offers)
        changed = event.regions.regions != self.regions.regions
        self.regions = self.regions.with_regions(event.regions.regions)
        if event.next in self.tables.marks:
            self.mark = event.next
        if event.kind == "skipped":
            self.skipped += (event.mark,)
        if event.kind == "taps":
            self._propose(event.taps)
        elif event.kind in ("kept", "dropped", "recalled"):
            self.offers = ()
        if event.kind == "reshaped":
            # Whose border the keeper has drawn, that is no mere core any more.
            changed = True
            if any(r.id == event.region and r.note == CORE for r in self.regions.regions):
                self.change_region(event.region, note="")
        if event.kind == "kept" and event.mark == FIRST_MARK:
            changed |= self._keep_card(event.region)
        if event.kind == "tap" and event.at is not None:
            self._suggest(event)
        if event.kind == "recalled":
            self._put_back(event.aside, event.others)
        if changed:
            self.assess()
        if event.kind == "kept" and offered:
            self._say_what_is_left()
        if event.kind == "recalled":
            self.taps_asked = False
            self.mark = next(iter(self.coming), self.mark)
        if event.kind == "drawn" and look_unlike(
            self.screen_pixels, self.regions, self.tables.marks[event.mark]
        ):
            name = self.tables.marks[event.mark].name
            self.note = (
                f"The outlines of the {name} look unlike. Is one of another mark? Rename it."
            )

    @property
    def own(self) -> str:
        """End of the keys of fields: they start anew with a photo, and with what was put back."""
        return f"{self.photo.sha256[:12]}_{self.turn}" if self.photo else ""

    @property
    def said(self) -> dict[str, str]:
        """Species, variety and age as far as they are given, for the browser to remember."""
        asked = self.question
        return {"claimed": asked.claimed or "", "variety": asked.variety, "age": asked.age}

    def _put_back(self, said: Mapping[str, str], drawn: Mapping[str, RegionSet]) -> None:
        """Take what the browser remembered: the question, unless another one was asked since, and
        what was drawn on other photos of the day, where nothing is drawn yet.
        """
        rows = self.tables
        known = {"claimed": rows.species, "variety": rows.varieties, "age": rows.ages}
        found = {name: said[name] for name in known if said.get(name) in known[name]}
        self.turn += 1
        if self.question == self.first_asked:
            for work in self.day.photos:
                work.question = dataclasses.replace(self.question, **found)  # type: ignore[arg-type]
        for work in self.day.photos:
            regions = drawn.get(photo_key(work.screen_jpeg))
            if regions is not None and work is not self and not work.regions.regions:
                work.regions = work.regions.with_regions(regions.regions)
                work.suggestion, work.found_card, work.taps_asked = None, None, False
                work.measure()

    def change_region(self, region: str, **changes: object) -> None:
        """Give a region, named by its id, another value or note."""
        self.regions = self.regions.with_regions(
            dataclasses.replace(r, **changes) if r.id == region else r  # type: ignore[arg-type]
            for r in self.regions.regions
        )

    def _keep_card(self, region: str) -> bool:
        """Give the card what its frame, or its brightness, tells; whether that changed anything."""
        found, self.found_card = self.found_card, None
        if found is None:
            return False
        value = found.regions[0].value or (WHITE_CARD if found.white else None)
        names = letters(self.regions.regions)
        more = [one for one in found.regions[1:] if one.mark in self.tables.marks]
        free = (name for name in "ZYXWV" if name not in names.values())
        self.change_region(region, value=value)
        added = [dataclasses.replace(one, id=next(free)) for one in more]
        self.regions = self.regions.with_regions([*self.regions.regions, *added])
        if found.white:
            self.note = (
                "Taken for a white card (90 %). If it is another, say so under Card and light."
            )
        return True

    def _propose(self, taps: Mapping[str, Point]) -> None:
        """Offer outlines of the marks in sight, from where the keeper tapped."""
        assert self.photo is not None
        self.taps_asked = False
        card = self.found_card.regions[0].shape if self.found_card else None
        if card is not None:
            self.suggestion = Region("suggestion", FIRST_MARK, card)
        if "eye" not in taps:
            return
        try:
            found = propose(
                self.photo,
                Taps(taps["eye"], taps.get("beak_tip"), taps.get("tail_end")),
                self.tables.marks,
            )
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

    def _suggest(self, event: MarkerEvent) -> None:
        assert self.photo is not None
        assert event.at is not None
        if self.tables.marks[event.mark].shape == "line":
            self.note = "A length cannot be guessed. Draw it as a line."
            return
        scale = self.photo.width / self.screen_pixels.shape[1]
        try:
            outline = suggest_outline(self.screen_pixels, event.at, scale=scale, reach=event.reach)
            self.suggestion = Region("suggestion", event.mark, outline)
        except FieldmarksError as error:
            self.note = str(error)

    def ask(self, **changes: object) -> None:
        """Change the question (variety, age, claimed species)."""
        for work in self.day.photos:
            work.question = dataclasses.replace(work.question, **changes)  # type: ignore[arg-type]
        self.assess()

    def say(self, **changes: object) -> None:
        """Change the question from elsewhere than its own fields, which then start anew."""
        self.turn += 1
        self.ask(**changes)

    def assess(self) -> None:
        """Measure this photo afresh and judge all of the day."""
        self.measure()
        self.day.judge(self.tables)

    def measure(self) -> None:
        """Measure and judge this photo by itself; a fault is kept as a sentence to show."""
        self.problem, self.record = "", None
        try:
            self.record = self.record_as(self.question) if self.photo else None
        except FieldmarksError as error:
            self.problem = str(error)

    def record_as(self, question: Question) -> Record:
        """The record of this photo for a question.

        Raises:
            FieldmarksError
        """
        assert self.photo is not None
        given = (self.photo, self.regions, self.tables, question)
        return make_record(*given, self.remembered, self.phone)

    @property
    def judged(self) -> Record | Examination | None:
        """What the photos of the day say together."""
        return self.day.judged

    @property
    def is_read(self) -> bool:
        """Whether a mark was read on any photo of the day."""
        return any(work.record and work.record.readings for work in self.day.photos)

    @property
    def verdict(self) -> Verdict | None:
        """The verdict of all photos of the day."""
        return self.day.verdict

    @property
    def has_card(self) -> bool:
        """Whether a usable card is marked."""
        return bool(self.record and self.record.measurement.calibration.calibrated)

    @property
    def taken(self) -> date:
        """Day the photo was taken, as its file says; today where it says nothing usable."""
        said = self.photo.facts.taken if self.photo else ""
        try:
            day = date.fromisoformat(said[:10].replace(":", "-"))
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
        wanted = [FIRST_MARK]
        for one in self.judged.assessment.next_marks if self.judged else ():
            wanted += self.tables.relations[one.mark].marks if one.relation else (one.mark,)
        return tuple(
            mark
            for mark in dict.fromkeys(wanted)
            if mark not in drawn
            and mark not in self.skipped
            # No length is read without a scale.
            and (self.tables.marks[mark].kind != "size" or "scale" in drawn)
        )
