"""Several photos of one bird on one day: which of them count, and where they disagree."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignFinding, SignStatus
from fieldmarks.measure.quantities import Reading, Relation

if TYPE_CHECKING:
    from fieldmarks.measure.measure import Measurement

# Findings that contradict each other, and signs that do.
FOR, AGAINST = (Status.FITS, Status.PROBABLY_FITS), (Status.DOES_NOT_FIT,)
THERE, ABSENT = (SignStatus.SEEN, SignStatus.LOOK_AGAIN), (SignStatus.NOT_SEEN,)


@dataclass(frozen=True)
class Question:
    """What the keeper asked.

    Args:
        variety, age: Keys of the tables.
        claimed: Species the bird is said to be.
        draws: Monte Carlo draws of the rendering and of what is doubtful about each reading.
    """

    variety: str = "green"
    age: str = "adult"
    claimed: str | None = None
    draws: int = 200
    seed: int = 0


@dataclass(frozen=True)
class PhotoReadings:
    """Readings and relations of one photo, without the rest of its measurement.

    At most one reading per mark and one relation per key; ``photo`` is the name of its file,
    ``sha256`` its fingerprint, empty where there is none.
    """

    readings: tuple[Reading, ...]
    relations: tuple[Relation, ...] = ()
    photo: str = ""
    sha256: str = ""


Read: TypeAlias = "Measurement | PhotoReadings"


@dataclass(frozen=True)
class SpeciesSheet:
    """All findings and signs of one species."""

    species: str
    name: str
    findings: tuple[Finding, ...]
    signs: tuple[SignFinding, ...]

    def count(self, status: Status) -> int:
        """How many findings have a status."""
        return sum(finding.status is status for finding in self.findings)


@dataclass(frozen=True)
class Disagreement:
    """A mark or sign of one species of which the photos say different things.

    Args:
        species, mark: Keys; ``mark`` is that of a mark, relation or sign.
        photos (tuple of (str, str)): Name of each photo that shows it, and the status it has there.
    """

    species: str
    mark: str
    name: str
    photos: tuple[tuple[str, str], ...]

    @property
    def sentence(self) -> str:
        """In words."""
        said = "; ".join(f"{status} on {photo}" for photo, status in self.photos)
        return f"{self.name.rstrip('.')} ({self.species}): {said}."


AnyRead = TypeVar("AnyRead", bound=Read)
AnyStatus = TypeVar("AnyStatus", Status, SignStatus)


def counted_once(photos: Iterable[AnyRead]) -> tuple[AnyRead, ...]:
    """The photos in an order of their own, a photo that was given twice only once.

    Raises:
        FieldmarksError: There is no photo, or one was given twice with different readings.
    """
    kept: dict[str, AnyRead] = {}
    ordered = sorted(photos, key=lambda p: (p.photo, p.sha256, repr((p.readings, p.relations))))
    for number, photo in enumerate(ordered):
        first = kept.setdefault(photo.sha256 or f"#{number}", photo)
        if (first.readings, first.relations) != (photo.readings, photo.relations):
            raise FieldmarksError(
                f"it is the same photo as {first.photo}, with other regions",
                where=photo.photo,
                mend="Draw all marks of one bird into one region file",
            )
    if not kept:
        raise FieldmarksError("no photo was given", mend="Name one or more")
    return tuple(kept.values())


def disagreements(
    photos: Sequence[str], alone: Mapping[str, Sequence[SpeciesSheet]]
) -> tuple[Disagreement, ...]:
    """What one photo says for a species and another against it.

    ``photos`` are their names, ``alone`` the sheets of each photo by itself, by species.
    """
    found: list[Disagreement] = []
    for species, sheets in alone.items():
        marks = [{f.mark: (f.name, f.status) for f in sheet.findings} for sheet in sheets]
        found += _apart(species, photos, marks, FOR, AGAINST)
        signs = [{s.key: (s.text, s.status) for s in sheet.signs} for sheet in sheets]
        found += _apart(species, photos, signs, THERE, ABSENT)
    return tuple(found)


def _apart(
    species: str,
    photos: Sequence[str],
    rows: Sequence[Mapping[str, tuple[str, AnyStatus]]],
    one: Collection[AnyStatus],
    other: Collection[AnyStatus],
) -> Iterator[Disagreement]:
    for mark in dict.fromkeys(key for row in rows for key in row):
        said = [(p, row[mark]) for p, row in zip(photos, rows, strict=True) if mark in row]
        decided = [(p, status) for p, (_, status) in said if status in (*one, *other)]
        if any(s in one for _, s in decided) and any(s in other for _, s in decided):
            told = tuple((p, status.value) for p, status in decided)
            yield Disagreement(species, mark, said[0][1][0], told)
