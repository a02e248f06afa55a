"""Several photos of one bird on one day: which of them count, and where they disagree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignFinding, SignStatus
from fieldmarks.measure.quantities import Reading, Relation

# Findings that contradict each other, and signs that do.
FOR, AGAINST = (Status.FITS, Status.PROBABLY_FITS), (Status.DOES_NOT_FIT,)
THERE, ABSENT = (SignStatus.SEEN, SignStatus.LOOK_AGAIN), (SignStatus.NOT_SEEN,)


class Read(Protocol):
    """What judging needs of one photo; a :class:`Measurement` has it."""

    @property
    def photo(self) -> str:
        """Name of the photo file."""

    @property
    def sha256(self) -> str:
        """Fingerprint of the photo; empty where there is none."""

    @property
    def readings(self) -> tuple[Reading, ...]:
        """At most one per mark."""

    @property
    def relations(self) -> tuple[Relation, ...]:
        """At most one per key."""


@dataclass(frozen=True)
class PhotoReadings:
    """Readings and relations of one photo, without the rest of its measurement."""

    readings: tuple[Reading, ...]
    relations: tuple[Relation, ...] = ()
    photo: str = ""
    sha256: str = ""


@dataclass(frozen=True)
class Disagreement:
    """A mark or sign of one species of which the photos say different things.

    Args:
        species, mark: Keys; ``mark`` is that of a mark, relation or sign.
        name: In plain words.
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
    photos: Sequence[str],
    alone: Mapping[str, Sequence[tuple[Sequence[Finding], Sequence[SignFinding]]]],
) -> tuple[Disagreement, ...]:
    """What one photo says for a species and another against it.

    Args:
        photos: Names.
        alone: Species -> the findings and the signs of each photo by itself.
    """
    found = []
    for one in alone:
        rows = [{f.mark: (f.name, f.status) for f in marks} for marks, _ in alone[one]]
        found += _apart(one, photos, rows, FOR, AGAINST)
        looks = [{s.key: (s.text, s.status) for s in signs} for _, signs in alone[one]]
        found += _apart(one, photos, looks, THERE, ABSENT)
    return tuple(found)


def _apart(
    species: str,
    photos: Sequence[str],
    rows: Sequence[Mapping[str, tuple[str, Status | SignStatus]]],
    one: tuple[Status | SignStatus, ...],
    other: tuple[Status | SignStatus, ...],
) -> list[Disagreement]:
    found = []
    for mark in dict.fromkeys(key for row in rows for key in row):
        said = [(p, *row[mark]) for p, row in zip(photos, rows, strict=True) if mark in row]
        decided = [(p, status) for p, _, status in said if status in (*one, *other)]
        if any(s in one for _, s in decided) and any(s in other for _, s in decided):
            told = tuple((p, status.value) for p, status in decided)
            found.append(Disagreement(species, mark, said[0][1], told))
    return found
