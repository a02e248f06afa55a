"""What one keeper is working on, and what each of their actions does to it.

Everything lives in the browser session: two people on one server never see each other's photo.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from fieldmarks._util.errors import FieldmarksError, RegionError
from fieldmarks.app.marker import MarkerEvent, Offer, reduced_jpeg, suggest_outline
from fieldmarks.birds.model import EARLIEST
from fieldmarks.measure.card_places import FoundCard, find_card
from fieldmarks.measure.colour import decode_srgb, difference, linear_to_lab
from fieldmarks.measure.outlines import Taps, propose
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import CORE, Point, Region, RegionSet, letters, vertices
from fieldmarks.pipeline import demo_question, make_record, region_file_of
from fieldmarks.record import Question, Record
from fieldmarks.report.verdict import Verdict, verdict_of
from fieldmarks.rules import Tables

SCREEN_PIXELS = 1600  # longest side of the picture sent to the browser
FIRST_MARK = "card"
WHITE_CARD = 0.9  # reflectance of a usual white card
# How sure a proposed outline is (benchmarks/results/taps.md). Less than likely is asked about.
SURE, LIKELY = 0.75, 0.6
UNLIKE = 20.0  # CIEDE2000 from all others at which an outline is asked about (our judgement)


@dataclass
class Work:
    """One keeper's work: a photo, its regions, the question, and what was found."""

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
    record: Record | None = None
    verdict: Verdict | None = None
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

    def open_photo(self, data: bytes, name: str, asked: Question | None = None) -> None:
        """Take a photo, and what is asked of it; nothing changes when it cannot be read.

        Raises
        ------
        PhotoError
        """
        photo = decode_photo(data, Path(name).name)
        preview = photo.preview(SCREEN_PIXELS)
        self.photo, self.data = photo, data
        self.screen_jpeg = reduced_jpeg(preview, SCREEN_PIXELS)
        self.screen_pixels = np.asarray(preview)
        self.regions = RegionSet(photo.name, photo.width, photo.height, (), photo.sha256)
        self.question = self.first_asked = asked or Question()
        self.mark, self.story, self.skipped = FIRST_MARK, "", ()
        self.suggestion, self.note = None, ""
        self.taps_asked, self.offers = True, ()
        self.remembered.clear()
        self._look_for_card()
        self.assess()
        self.mark = next(iter(self.coming), FIRST_MARK)

    def open_demo(self, path: Path, with_regions: bool) -> None:
        """Take an invented demo bird, with or without the regions that come with it."""
        self.open_photo(path.read_bytes(), path.name)
        self.question, self.story = demo_question(path)
        self.first_asked = self.question
        if with_regions:
            self.open_regions(region_file_of(path).read_text(encoding="utf-8"), path.name)
        self.assess()

    def open_regions(self, text: str, name: str) -> None:
        """Take the regions of a region file; nothing changes when they cannot be used.

        Raises
        ------
        RegionError
            The file cannot be read, or belongs to another photo.
        """
        from fieldmarks.measure.measure import check_for_photo
        from fieldmarks.measure.region_file import region_set_from_text

        assert self.photo is not None
        loaded = region_set_from_text(text, name, mend="Choose a region file saved by this app")
        if loaded.sha256 and loaded.sha256 != self.photo.sha256:
            raise RegionError(
                "it was drawn on another photo", where=name, mend=f"Open {loaded.photo} first"
            )
        self.regions = check_for_photo(loaded, self.photo, self.tables)
        self.turn += 1
        self.taps_asked, self.offers = False, ()
        self.suggestion, self.note = None, ""
        self.assess()
        self.mark = next(iter(self.coming), FIRST_MARK)

    def handle(self, event: MarkerEvent) -> None:
        """Act on something done on the photo."""
        self.suggestion, self.note = None, ""
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
            self.regions = self.regions.with_regions(
                dataclasses.replace(r, note="") if r.id == event.region and r.note == CORE else r
                for r in self.regions.regions
            )
            changed = True
        if event.kind == "kept" and event.mark == FIRST_MARK:
            changed |= self._keep_card(event.region)
        if event.kind == "tap" and event.at is not None:
            self._suggest(event)
        if event.kind == "recalled":
            self._put_back(event.aside)
        if changed:
            self.assess()
        if event.kind == "recalled":
            self.taps_asked = False
            self.mark = next(iter(self.coming), self.mark)
        if event.kind == "drawn" and self._unlike(event.mark):
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

    def _put_back(self, said: Mapping[str, str]) -> None:
        """Take the question the browser remembered, unless another one was asked since."""
        known = {
            "claimed": self.tables.species,
            "variety": self.tables.varieties,
            "age": self.tables.ages,
        }
        found = {name: said[name] for name in known if said.get(name) in known[name]}
        self.turn += 1
        if self.question == self.first_asked:
            self.question = dataclasses.replace(self.question, **found)  # type: ignore[arg-type]

    def _look_for_card(self) -> None:
        """Show the card found in the photo, to be asked about; without one, none is asked for."""
        assert self.photo is not None
        self.found_card = find_card(self.photo)
        if self.found_card is None:
            self.skipped = (FIRST_MARK,)
            return
        shape = self.found_card.regions[0].shape
        self.suggestion = Region("suggestion", FIRST_MARK, shape)

    def _keep_card(self, region: str) -> bool:
        """Give the card what its frame, or its brightness, tells; whether that changed anything."""
        found, self.found_card = self.found_card, None
        if found is None:
            return False
        value = found.regions[0].value or (WHITE_CARD if found.white else None)
        names = letters(self.regions.regions)
        more = [one for one in found.regions[1:] if one.mark in self.tables.marks]
        free = (name for name in "ZYXWV" if name not in names.values())
        self.regions = self.regions.with_regions(
            [
                *(dataclasses.replace(r, value=value) if r.id == region else r
                  for r in self.regions.regions),
                *(dataclasses.replace(one, id=next(free)) for one in more),
            ]
        )  # fmt: skip
        if found.white:
            self.note = (
                "Taken for a white card (90 %). If it is another, say so under Card and light."
            )
        return True

    def _propose(self, taps: Mapping[str, Point]) -> None:
        """Offer outlines of the marks in sight, from where the keeper tapped."""
        assert self.photo is not None
        self.taps_asked = False
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
        drawn = {region.mark for region in self.regions.regions}
        self.offers = tuple(
            Offer(
                one.mark,
                one.shape,
                _how_sure(one.certainty),
                one.certainty >= LIKELY,
                "" if one.whole else CORE,
            )
            for one in found
            if one.mark not in drawn
        )
        if not self.offers:
            self.note = "No mark was made out. Draw them yourself."

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
        self.question = dataclasses.replace(self.question, **changes)  # type: ignore[arg-type]
        self.assess()

    def say(self, **changes: object) -> None:
        """Change the question from elsewhere than its own fields, which then start anew."""
        self.turn += 1
        self.ask(**changes)

    def assess(self) -> None:
        """Measure and assess afresh; a fault is kept as a sentence to show."""
        self.problem, self.record, self.verdict = "", None, None
        if self.photo is None:
            return
        try:
            self.record = make_record(
                self.photo,
                self.regions,
                self.tables,
                self.question,
                self.remembered,
                self.phone,
            )
            self.verdict = verdict_of(self.record, self.tables)
        except FieldmarksError as error:
            self.problem = str(error)

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
        for one in self.record.assessment.next_marks if self.record else ():
            wanted += self.tables.relations[one.mark].marks if one.relation else (one.mark,)
        return tuple(
            mark
            for mark in dict.fromkeys(wanted)
            if mark not in drawn
            and mark not in self.skipped
            # No length is read without a scale.
            and (self.tables.marks[mark].kind != "size" or "scale" in drawn)
        )

    def _unlike(self, mark: str) -> bool:
        """Whether the outlines drawn of a mark differ so much that one may be of another mark."""
        shown = [r.shape for r in self.regions.of(mark)]
        if len(shown) < 2 or self.tables.marks[mark].shape == "line":
            return False
        small = self.screen_pixels
        factor = small.shape[1] / self.regions.width
        colours = []
        for shape in shown:
            drawn = Image.new("1", (small.shape[1], small.shape[0]))
            ImageDraw.Draw(drawn).polygon([tuple(p) for p in vertices(shape) * factor], fill=1)
            inside = small[np.asarray(drawn)]
            if not len(inside):
                return False
            colours.append(linear_to_lab(decode_srgb(np.median(inside, axis=0) / 255)))
        return bool(difference(colours[-1], np.array(colours[:-1])).min() > UNLIKE)


def _how_sure(certainty: float) -> str:
    return "sure" if certainty >= SURE else "fairly sure" if certainty >= LIKELY else "unsure"
