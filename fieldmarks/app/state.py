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

from fieldmarks._util.errors import FieldmarksError, RegionError
from fieldmarks.app.marker import MarkerEvent, reduced_jpeg, suggest_outline
from fieldmarks.birds.model import EARLIEST
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import Region, RegionSet
from fieldmarks.pipeline import demo_question, make_record, region_file_of
from fieldmarks.record import Question, Record
from fieldmarks.rules import Tables

SCREEN_PIXELS = 1600  # longest side of the picture sent to the browser
FIRST_MARK = "card"


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
    # Readings already made of this photo, so that one new outline costs one new reading.
    remembered: dict[Hashable, Reading | None] = field(default_factory=dict)
    phone: PhoneProfile | None = None
    first_asked: Question = field(default_factory=Question)  # what the photo was opened with
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
        self.mark, self.story = FIRST_MARK, ""
        self.suggestion, self.note = None, ""
        self.remembered.clear()
        self.assess()

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
        self.suggestion, self.note = None, ""
        self.assess()
        self.mark = self.best_next or FIRST_MARK

    def handle(self, event: MarkerEvent) -> None:
        """Act on something done on the photo."""
        self.suggestion, self.note = None, ""
        changed = event.regions.regions != self.regions.regions
        self.regions = self.regions.with_regions(event.regions.regions)
        if event.kind == "picked":
            self.mark = event.mark
        if event.kind == "tap" and event.at is not None:
            self._suggest(event)
        if event.kind == "recalled":
            self._put_back(event.aside)
        if changed:
            self.assess()
        card_drawn = event.kind in ("drawn", "kept") and event.mark == FIRST_MARK
        if (card_drawn or event.kind == "recalled") and self.has_card:
            # The card comes first; once it is read, go on to the mark that tells most.
            self.mark = self.best_next or self.mark

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
        self.problem, self.record = "", None
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

    @property
    def best_next(self) -> str:
        """The unread mark that would tell most, or empty."""
        coming = self.record.assessment.next_marks if self.record else ()
        for one in coming:
            if one.relation:
                drawn = {r.mark for r in self.regions.regions}
                missing = [m for m in self.tables.relations[one.mark].marks if m not in drawn]
                if missing:
                    return missing[0]
            else:
                return one.mark
        return ""
