"""What is kept about a bird: the bird itself, its moult entries with observations, and its pairs.

Ids are random and never reused. ``number`` grows with every save of its kind, whatever the clock
says; ``saved_at`` is UTC in ISO 8601. Both are given by the store.
"""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import AfterValidator, AliasChoices, Field, TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError

from fieldmarks._util.errors import FieldmarksError, first_fault
from fieldmarks._util.sanitize import harmless, one_line
from fieldmarks.measure.suffixes import ENDING

RingKind = Literal["closed", "open", "not known", "none"]
HatchKnown = Literal["exact", "estimate"]
Sex = Literal["cock", "hen", "unknown"]
Status = Literal["here", "given away", "dead"]
Stage = Literal["young plumage", "in first moult", "after first moult", "later moult"]
Purpose = Literal["breeding", "test mating"]
YoungFinding = Literal["clean", "sign", "unclear"]

Event = Literal["laid", "hatched", "ringed", "fledged"]

EVENTS: dict[Event, str] = {  # of a young, in their order
    "laid": "was laid", "hatched": "hatched", "ringed": "was ringed", "fledged": "left the nest",
}  # fmt: skip
STAGES: tuple[Stage, ...] = get_args(Stage)
SEXES: tuple[Sex, ...] = get_args(Sex)
RING_KINDS: tuple[RingKind, ...] = get_args(RingKind)
STATUSES: tuple[Status, ...] = get_args(Status)
YOUNG_FINDINGS: tuple[YoungFinding, ...] = get_args(YoungFinding)

Id = Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Text = Annotated[str, Field(max_length=4000), AfterValidator(lambda t: harmless(t).strip())]
Short = Annotated[str, Field(max_length=200), AfterValidator(lambda t: one_line(t).strip())]
Share = Annotated[float, Field(ge=0, le=1)]
Ending = Annotated[str, Field(pattern=rf"^\.({ENDING})$")]


EARLIEST = date(1950, 1, 1)  # of any day a keeper may give


def new_id() -> str:
    """A random id."""
    return uuid.uuid4().hex


def now() -> str:
    """This moment, UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True)
class Bird:
    """A bird and what is known about it.

    Args:
        name (str): What the keeper calls it.
        ring (str): Ring number as it reads, or empty.
        hatch_known (str): Whether ``hatched`` is "exact" or an "estimate".
        species (str, optional): Key of the species it is said to be.
        variety (str): Key of the colour variety.
        split_for (tuple of str): Keys of varieties it is known to carry without showing them.
        sex_by (str): How the sex is known.
        source, promised (str): Breeder or seller, and what was promised.
        father, mother (str, optional): Ids.
        withdrawn (str): Why this record no longer counts; empty while it does. Nothing is ever
            erased.
    """

    id: Id
    name: Short
    ring: Short = ""
    ring_kind: RingKind = "none"
    ring_year: Annotated[int, Field(ge=1950, le=2200)] | None = None
    hatched: date | None = None
    hatch_known: HatchKnown = "exact"
    species: Short | None = None
    variety: Short = "green"
    sex: Sex = "unknown"
    sex_by: Short = ""
    source: Short = ""
    promised: Text = ""
    father: Id | None = None
    mother: Id | None = None
    status: Status = "here"
    notes: Text = ""
    withdrawn: Text = ""
    number: int = 0
    revision: int = 0
    saved_at: Short = ""
    split_for: tuple[Short, ...] = ()

    @property
    def label(self) -> str:
        """Name and ring, as a keeper would say it."""
        return f"{self.name} ({self.ring})" if self.ring else self.name


@dataclass(frozen=True)
class MarkPoint:
    """One mark as read in one photo. CIELAB, D65, 2 degrees; all ``u_`` are k = 1.

    Args:
        lightness, a, b: L*, a*, b*.
        u_lightness, u_chroma, u_hue: Along L*, along C*, and along Delta H* (not degrees).
        expanded: 95 %, in CIEDE2000 units (until 0.4.0 k = 2, a tenth wider).
        calibrated: Whether a usable grey card was in the photo.
        dark, orange (float): Share of the mark's area, 0 to 1, that reads dark or orange, with
            ``u_dark``, ``u_orange``.
    """

    mark: Short
    lightness: float
    a: float
    b: float
    u_lightness: float
    u_chroma: float
    u_hue: float
    expanded: float
    calibrated: bool
    dark: Share
    u_dark: float
    orange: Share
    u_orange: float


@dataclass(frozen=True)
class SignPoint:
    """One sign of mixed ancestry as it stood in one photo.

    ``amount`` is the share of the area with the tint, or the value of the relation; ``u_amount`` is
    its standard uncertainty (k = 1). ``compared`` are the marks that were compared, ``there`` those
    that were not clearly free of it; keys with a space between, empty in version 0.1.
    """

    sign: Short
    species: Short
    status: Short
    strength: Short
    mark: Short
    amount: float
    u_amount: float
    compared: Short = ""
    there: Short = ""

    @property
    def places(self) -> list[str]:
        """Marks in which it was; in version 0.1 the strongest alone."""
        return (self.there or self.mark).split()


@dataclass(frozen=True)
class Observation:
    """One photo of a bird, measured. The store keeps the whole record and the photo beside it.

    Args:
        photo (str): SHA-256 of the photo file.
        file (str): The photo's name as given.
        ending (str): Ending of the kept file, such as ".jpg".
        outcome, sentence (str): The conclusion.
        variety, age, claimed (str): What was asked.
        program, table_fingerprint (str): What it was measured with.
    """

    id: Id
    photo: Sha256
    file: Short
    ending: Ending
    outcome: Short
    sentence: Text
    variety: Short
    age: Short
    claimed: Short | None
    program: Short
    table_fingerprint: Sha256
    marks: tuple[MarkPoint, ...] = ()
    signs: tuple[SignPoint, ...] = ()


@dataclass(frozen=True)
class Entry:
    """A dated entry in a bird's moult record.

    Args:
        day: When the photos were taken.
        stage (str): Where the bird stood in its moults.
        observations: Called looks before version 0.3.
        outcome, sentence (str): The conclusion of all its photos together; empty where there is
            only one.
    """

    id: Id
    bird: Id
    day: date
    stage: Stage
    measured_by: Short = ""
    observations: Annotated[
        tuple[Observation, ...], Field(validation_alias=AliasChoices("observations", "looks"))
    ] = ()
    outcome: Short = ""
    sentence: Text = ""
    note: Text = ""
    withdrawn: Text = ""
    number: int = 0
    revision: int = 0
    saved_at: Short = ""

    @property
    def measurer(self) -> str:
        """Who measured, or its number where nobody said."""
        return self.measured_by or f"entry {self.number}"

    @property
    def said(self) -> str:
        """The conclusion of all its photos together, or that of its only one."""
        return self.sentence or " ".join(one.sentence for one in self.observations)

    @property
    def conclusions(self) -> list[tuple[str, str, str | None]]:
        """Outcome, sentence and stated species: of all its photos together where they were judged
        so, else of each photo."""
        each = [(one.outcome, one.sentence, one.claimed) for one in self.observations]
        return [(self.outcome, self.sentence, each[0][2])] if self.outcome and each else each


@dataclass(frozen=True)
class Young:
    """One young of a pair, from its egg on, and what was found on it after its first moult.

    ``shows`` is the key of the colour variety it shows, empty where nobody said; ``note`` holds its
    marks in words. ``fledged`` is the day it left the nest.
    """

    label: Short
    hatched: date | None = None
    finding: YoungFinding = "unclear"
    bird: Id | None = None
    note: Text = ""
    shows: Short = ""
    laid: date | None = None
    ringed: date | None = None
    fledged: date | None = None


@dataclass(frozen=True)
class Pair:
    """Two birds put together, and their young.

    For a test mating ``first`` is the bird in question and ``second`` its mate of known species.
    """

    id: Id
    first: Id
    second: Id
    purpose: Purpose = "breeding"
    started: date | None = None
    young: tuple[Young, ...] = ()
    note: Text = ""
    withdrawn: Text = ""
    number: int = 0
    revision: int = 0
    saved_at: Short = ""


Kept = Bird | Entry | Pair
K = TypeVar("K", bound="Bird | Entry | Pair")
# In an export and in the database; birds first: the other kinds name birds.
FOLDERS: dict[str, type] = {"birds": Bird, "entries": Entry, "pairs": Pair}
GIVEN = ("number", "revision", "saved_at")  # by the store


_adapter: Callable[[Any], TypeAdapter[Any]] = lru_cache(maxsize=8)(TypeAdapter)


def to_json(thing: Kept) -> bytes:
    """Everything about one bird, entry or pair, as JSON in one line."""
    return bytes(_adapter(type(thing)).dump_json(thing))


def from_json(
    kind: type[K],
    text: str | bytes,
    where: str = "file",
    mend: str = "Take the file from a fresh export",
) -> K:
    """Read a bird, entry or pair.

    Raises:
        FieldmarksError: It does not keep to the schema.
    """
    try:
        read: K = _adapter(kind).validate_json(text)
    except ValidationError as error:
        raise FieldmarksError(first_fault(error), where=where, mend=mend) from None
    return read


def checked(thing: K) -> K:
    """The same thing with its words made harmless; refused if a value is out of bounds.

    Raises:
        FieldmarksError: A value is out of bounds, a bird has no name, or a day cannot be.
    """
    try:
        kept = from_json(type(thing), to_json(thing), "", "Correct it")
    except PydanticSerializationError:
        raise FieldmarksError("it holds signs that are no text", mend="Write it again") from None
    if kept.withdrawn:  # what was entered wrongly can always be taken off
        return kept
    if isinstance(kept, Bird) and not kept.name:
        raise FieldmarksError("the bird has no name", where=kept.ring, mend="Give it one")
    for said, day in _days(kept):
        if day is not None and not EARLIEST <= day <= date.today():
            wrong = "is yet to come" if day > EARLIEST else "cannot be right"
            raise FieldmarksError(
                f"the {said} {day.isoformat()} {wrong}",
                where=getattr(kept, "label", ""),
                mend="Correct it, or this computer's clock",
            )
    return kept


def _days(thing: Kept) -> list[tuple[str, date | None]]:
    if isinstance(thing, Bird):
        return [("hatch date", thing.hatched)]
    if isinstance(thing, Entry):
        return [("day", thing.day)]
    days = [(f"day on which {y.label} {told}", getattr(y, event))
            for y in thing.young for event, told in EVENTS.items()]  # fmt: skip
    return [("start", thing.started), *days]


def keys_of_birds(thing: Kept) -> list[str]:
    """Ids of the birds that something names, itself if it is one."""
    if isinstance(thing, Bird):
        keys = [thing.id, thing.father, thing.mother]
    elif isinstance(thing, Entry):
        keys = [thing.bird]
    else:
        keys = [thing.first, thing.second, *(y.bird for y in thing.young)]
    return [key for key in keys if key]


def contents(thing: Kept) -> dict[str, Any]:
    """What a keeper said or measured, without what the store gives."""
    return {name: value for name, value in vars(thing).items() if name not in GIVEN}
