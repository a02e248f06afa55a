"""What a row of each rule table must hold; nothing more is accepted.

Every row a keeper may doubt says where it comes from in ``evidence``: "common practice, no
published source", "from memory", or the name of a standard.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Literal, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from fieldmarks.rules import keys
from fieldmarks.rules.swatches import munsell_to_lab

if TYPE_CHECKING:  # numpy takes longer to import than all tables to read
    from fieldmarks.measure.quantities import Lab


def _rising(span: Span) -> Span:
    if span[0] > span[1]:
        raise ValueError(f"the lower number comes first, not {span[0]:g} before {span[1]:g}")
    return span


Notation = Annotated[str, AfterValidator(lambda n: munsell_to_lab(n) and n)]  # Munsell
Sentence = Annotated[str, Field(min_length=3)]
Span = tuple[float, float]
Range = Annotated[Span, AfterValidator(_rising)]

Ground = Literal["feather", "skin", "leg", "horn", "iris", "pupil"]
Psittacin = Literal[
    "none", "pale_yellow", "yellow", "pale_orange", "salmon", "orange", "red_orange", "red"
]
Eumelanin = Literal["none", "trace", "some", "much", "full"]
Structure = Literal["none", "weak", "sky", "deep", "mauve", "violet"]
Series = Literal["green", "blue", "ino", "blue_ino"]
Strength = Literal["always", "usually", "hint"]
Reach = Literal["missing black"]
# Parts of a bird in the order in which one reads it; what is no part of it comes last.
Part = Literal["head", "neck", "body", "rump and tail", "bare parts", "beside the bird"]
PARTS: tuple[Part, ...] = get_args(Part)
Outcome = Literal[
    "nothing read",
    "nothing decided",
    "cannot be told",
    "claim contradicted",
    "none fits",
    "mixed",
    "signs",
    "one species left",
    "several species left",
]

LEVELS: dict[str, tuple[str, ...]] = {
    "psittacin": get_args(Psittacin),
    "eumelanin": get_args(Eumelanin),
    "structure": get_args(Structure),
}


class Row(BaseModel):
    """Base of all rows: immutable, and no unknown words."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Keyed(Row):
    """A row of a table."""

    key: keys.Own
    name: Sentence


class Named(Keyed):
    """What keepers call by several names."""

    aliases: tuple[Sentence, ...] = ()

    @property
    def called(self) -> str:
        """Its name with what else keepers call it, for lists one searches by typing."""
        return f"{self.name} ({', '.join(self.aliases)})" if self.aliases else self.name


class Doubted(Row):
    """What a keeper may doubt: it says where it comes from."""

    evidence: Sentence


class Reasoned(Doubted):
    """What changes an expectation: it says why, too."""

    reason: Sentence


class Mark(Keyed):
    """A place on the bird that can be marked on a photo."""

    kind: Literal["feather", "skin", "horn", "iris", "pupil", "size", "card", "scale"]
    shape: Literal["area", "line"] = "area"
    part: Part = "body"
    look: Sentence
    without: tuple[keys.Mark, ...] = ()
    whole: bool = False


class Provenance(Row):
    """Where a learned swatch comes from."""

    birds: int
    photos: int
    cameras: tuple[str, ...]
    learned_on: str


class Swatch(Keyed):
    """A named colour with the natural variation of the birds that show it.

    ``tolerance`` is in CIEDE2000 units and holds no measuring uncertainty. The colour is a Munsell
    notation, or, for a learned swatch, CIELAB (D65, 2 degrees).
    """

    munsell: Notation | None = None
    lab: tuple[float, float, float] | None = None
    tolerance: float = Field(gt=0, le=40)
    source: Sentence
    learned: Provenance | None = None

    @model_validator(mode="after")
    def _one_colour(self) -> Swatch:
        if (self.munsell is None) == (self.lab is None):
            raise ValueError("give either 'munsell' or 'lab', and not both")
        return self

    @property
    def colour(self) -> Lab:
        """CIELAB (D65, 2 degrees)."""
        return self.lab or munsell_to_lab(str(self.munsell))


class MakeUp(Row):
    """What gives a mark its colour.

    Args:
        psittacin (str): The parrots' own yellow, orange and red pigments, from least to most red.
        eumelanin (str): Black pigment, from none to full.
        structure (str): Colour made by the build of the feather, not by pigment: "weak" gives
            grey-blue, "sky" sky blue (green under yellow), "deep" deep blue; "mauve" and "violet"
            come with dark and violet factors. In an iris any structure stands for the pale
            reflecting layer.
    """

    psittacin: Psittacin = "none"
    eumelanin: Eumelanin = "none"
    structure: Structure = "none"


class MakeUpRule(Reasoned):
    """The swatches that a combination of pigments and structure gives."""

    ground: Ground
    psittacin: tuple[Psittacin, ...]
    eumelanin: tuple[Eumelanin, ...]
    structure: tuple[Structure, ...]
    swatches: tuple[keys.Swatch, ...] = Field(min_length=1)

    def cells(self) -> Iterator[tuple[str, str, str, str]]:
        """Every (ground, psittacin, eumelanin, structure) the rule covers."""
        return itertools.product((self.ground,), self.psittacin, self.eumelanin, self.structure)


class Limited(Reasoned):
    """What holds in ``varieties`` and all of ``series``, and at ``ages``; none given: in all."""

    varieties: tuple[keys.Variety, ...] = ()
    series: tuple[Series, ...] = ()
    ages: tuple[keys.Age, ...] = ()


class Override(Limited):
    """An exception to the derived colour; no swatches means the mark says nothing there.

    ``mixed`` replaces that of the mark's own row where it is given.
    """

    swatches: tuple[keys.Swatch, ...] = ()
    mixed: bool | None = None


class Extra(Limited):
    """Further make-ups that a pure bird may show; a variety is meant as part of another, too."""

    makeup: tuple[MakeUp, ...] = Field(min_length=1)


class SpeciesMark(Doubted):
    """One mark of one species in green adult plumage.

    ``mixed`` marks hold several colours side by side: each must be one of the swatches. An ``edge``
    is so thin that its colours blend in a photo: signs are looked for there and nothing else.
    ``differs`` explains a stated swatch that the make-up does not give.
    """

    look: Sentence
    swatches: tuple[keys.Swatch, ...] = Field(min_length=1)
    makeup: tuple[MakeUp, ...] = Field(min_length=1)
    ground: Ground | None = None
    mixed: bool = False
    edge: bool = False
    extra: tuple[Extra, ...] = ()
    overrides: tuple[Override, ...] = ()
    differs: str = ""


class SpeciesRelation(Doubted):
    """What a species shows in a relation that no make-up gives: a range, ends included."""

    low: float | None = None
    high: float | None = None
    look: Sentence

    @model_validator(mode="after")
    def _some_end(self) -> SpeciesRelation:
        if self.low is None and self.high is None:
            raise ValueError("give 'low', 'high' or both")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError("'low' is above 'high'")
        return self


class Facts(Doubted):
    """Facts of a species that no photo decides.

    ``clutch`` in eggs; ``hatch_days`` from laying; ``ring_days`` (when the leg ring goes on) and
    ``fledge_weeks`` from hatching; ``breed_from_months`` the age from which birds are bred.
    """

    body_length_mm: Range
    mass_g: Range
    leg_ring_mm: Range
    first_moult_months: Range
    mature_months: float
    sexes: Sentence = "not known"
    clutch: Range | None = None
    hatch_days: float | None = None
    ring_days: Range | None = None
    fledge_weeks: float | None = None
    breed_from_months: Range | None = None
    iucn: Sentence
    cites: Sentence


class Species(Named):
    """One species file."""

    scientific: Sentence
    look: Sentence
    order: int = 100
    facts: Facts
    marks: dict[keys.Mark, SpeciesMark]
    relations: dict[keys.Relation, SpeciesRelation] = {}


class Operation(Row):
    """A change to a make-up: ``to`` a level, by ``steps``, or by a ``map`` of levels."""

    on: Literal["psittacin", "eumelanin", "structure"]
    to: str | None = None
    steps: int | None = None
    map: dict[str, str] | None = None
    grounds: tuple[Ground, ...] = ()

    @model_validator(mode="after")
    def _one_change(self) -> Operation:
        if sum(way is not None for way in (self.to, self.steps, self.map)) != 1:
            raise ValueError("give exactly one of 'to', 'steps' and 'map'")
        named = [self.to] if self.to else [*(self.map or {}), *(self.map or {}).values()]
        for level in named:
            if level not in LEVELS[self.on]:
                raise ValueError(f"{level!r} is no level of {self.on}")
        return self


class Variety(Named, Reasoned):
    """A colour variety as operations on the make-up of the green bird.

    ``patches`` change the bird in places only: what is left stands beside what they give. ``turns``
    names swatches that come out as others where no blue layer is: black that stays brown. Signs are
    silent at the marks that say nothing, unless ``silences`` says which kind of sign is silent
    instead. ``species`` are the only ones that have it; none given means all. ``also_in`` are
    varieties it is combined with: each makes a variety more, of these two ``parts``.
    """

    series: Series
    look: Sentence
    operations: tuple[Operation, ...] = ()
    patches: tuple[Operation, ...] = ()
    turns: dict[keys.Swatch, keys.Swatch] = {}
    says_nothing: tuple[keys.Mark, ...] = ()
    silences: tuple[Reach, ...] | None = None
    species: tuple[keys.Species, ...] = ()
    also_in: tuple[keys.Single, ...] = ()
    parts: tuple[keys.Variety, ...] = ()
    order: int = 100


class Age(Keyed, Reasoned):
    """An age class; its operations add to what adults may show."""

    look: Sentence
    from_months: float = Field(ge=0)
    to_months: float | None = None
    operations: tuple[Operation, ...] = ()


class RelationKind(Keyed, Doubted):
    """A comparison inside one photo.

    ``limit``: where "same" ends or fading begins. ``margin``: how far two ranges must lie apart
    before an ordinary photo can tell them apart; when it is not stated, ranges that touch or
    overlap are not told apart for certain. ``decimals``: of a value when it is printed.
    """

    kind: Literal["same", "fade", "dark", "ring", "size"]
    marks: tuple[keys.Mark, ...] = Field(min_length=1)
    limit: float | None = None
    margin: float | None = Field(default=None, gt=0)
    decimals: int = Field(default=0, ge=0, le=4)
    unit: str
    look: Sentence


class Tint(Keyed, Doubted):
    """A region of CIELCh (D65, 2 degrees); a hue span may run through 0 degrees."""

    lightness: Range = (0, 100)
    chroma: Range = (0, 200)
    hue: Span = (0, 360)


class Sign(Doubted):
    """A sign of mixed ancestry on a bird taken for ``species``.

    It holds in varieties of ``series``, except those in ``not_in``. It is seen when one of
    ``tints`` covers at least ``min_fraction`` of one of ``marks``, or when a ``relation`` lies
    above ``above`` and below ``below``. At the ``juvenile`` ages it is to be looked at again, as
    far as it covers no more than ``juvenile_up_to`` where that is given. ``missing_black``: it may
    come from black that a variety leaves out in places.
    """

    key: keys.Own
    species: keys.Species
    text: Sentence
    marks: tuple[keys.Mark, ...] = ()
    tints: tuple[keys.Tint, ...] = ()
    min_fraction: float = Field(default=0.1, gt=0, le=1)
    relation: keys.Relation | None = None
    above: float | None = None
    below: float | None = None
    series: tuple[Series, ...] = ("green",)
    not_in: tuple[keys.Variety, ...] = ()
    juvenile: tuple[keys.Age, ...] = ()
    juvenile_up_to: float | None = Field(default=None, gt=0, le=1)
    missing_black: bool = False
    points_to: tuple[keys.Species, ...]
    strength: Strength

    @model_validator(mode="after")
    def _one_way(self) -> Sign:
        if self.relation is None and not (self.marks and self.tints):
            raise ValueError("give 'marks' and 'tints', or a 'relation'")
        if self.relation is not None and (self.marks or self.tints):
            raise ValueError("give either 'marks' and 'tints' or a 'relation', and not both")
        if self.relation is not None and self.above is None and self.below is None:
            raise ValueError("a sign on a relation needs 'above' or 'below'")
        return self


class Caution(Doubted):
    """A sentence shown with a result; everything that is given must match.

    ``species``: still possible, or what the bird was looked at as. ``points_to``: a seen or
    doubtful sign suggests their ancestry. ``marks``: read, or to be read next. ``claimed``: shown
    only where the bird is said to be some species.
    """

    key: keys.Own
    text: Sentence
    species: tuple[keys.Species, ...] = ()
    points_to: tuple[keys.Species, ...] = ()
    claimed: bool = False
    series: tuple[Series, ...] = ()
    ages: tuple[keys.Age, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    marks: tuple[keys.Mark, ...] = ()
    order: int = 100
