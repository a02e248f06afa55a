"""Several photos of one bird on one day: which of them count, and where they disagree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignFinding, SignStatus
from fieldmarks.measure.quantities import Reading, Relation

if TYPE_CHECKING:
    from fieldmarks.measure.measure import Measurement

# Findings and signs that contradict each other: the first of a mark or sign, and the second.
ONE = {Status.FITS, Status.PROBABLY_FITS, SignStatus.SEEN, SignStatus.LOOK_AGAIN}
OTHER = {Status.DOES_NOT_FIT, SignStatus.NOT_SEEN}


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
    def told(self) -> str:
        """What is said on which photo."""
        return "; ".join(f"{status} on {photo}" for photo, status in self.photos)

    @property
    def sentence(self) -> str:
        """In words."""
        return f"{self.name.rstrip('.')} ({self.species}): {self.told}."


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
    photos: Sequence[str], alone: Mapping[str, Sequence[SpeciesSheet]]
) -> tuple[Disagreement, ...]:
    """What one photo says for a species and another against it.

    ``photos`` are their names, ``alone`` the sheets of each photo by itself, by species.
    """
    found: list[Disagreement] = []
    for species, sheets in alone.items():
        rows: dict[tuple[str, str], list[tuple[str, Status | SignStatus]]] = {}
        for photo, sheet in zip(photos, sheets, strict=True):
            for f in sheet.findings:
                rows.setdefault((f.mark, f.name), []).append((photo, f.status))
            for s in sheet.signs:
                rows.setdefault((s.key, s.text), []).append((photo, s.status))
        for (key, name), told in rows.items():
            statuses = {status for _, status in told}
            if statuses & ONE and statuses & OTHER:
                decided = tuple((p, s.value) for p, s in told if s in ONE | OTHER)
                found.append(Disagreement(species, key, name, decided))
    return tuple(found)
