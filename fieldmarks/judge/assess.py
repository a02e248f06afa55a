"""Assess a bird: compare its readings with every species and say what they come to."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.conclusion import Case, Conclusion, conclude
from fieldmarks.judge.evidence import gather
from fieldmarks.judge.findings import (
    Finding,
    Status,
    corrected,
    draw_relations,
    judge_marks,
    judge_relations,
)
from fieldmarks.judge.model import Explained, explain, mark_ratios
from fieldmarks.judge.rendering import Array
from fieldmarks.judge.signs import SignFinding, SignStatus, look_for_signs
from fieldmarks.judge.together import (
    Disagreement,
    PhotoReadings,
    Read,
    counted_once,
    disagreements,
)
from fieldmarks.measure.quantities import Reading, Relation
from fieldmarks.measure.sampling import ColourDraws
from fieldmarks.rules.plumage import check_choice
from fieldmarks.rules.schema import Caution
from fieldmarks.rules.separation import NextMark, next_marks
from fieldmarks.rules.tables import Tables

__all__ = ["Assessment", "SpeciesSheet", "assess", "assess_photos", "next_marks"]

# Pixels across, as the root of their number. An iris is a thin ring round the pupil: one 9 pixels
# wide is 2 or 3 pixels thick, as much as a camera blurs (our judgement).
LEAST, LEAST_ACROSS = 5.0, {"iris": 9.0}
NEXT_CAUTIONED = 5  # marks to read next that count for a caution about handling


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
class Assessment:
    """What the readings of one bird come to.

    Args:
        sheets: One per species, in the order of the tables.
        signs: Signs of the species the bird was looked at as, side by side.
        next_marks: Unread marks, those that would tell most of the remaining species apart first.
        variety, age, claimed: As given.
        draws, seed: Size and seed of the Monte Carlo.
        table_version, table_fingerprint: Which tables were used.
        disagreements: Where the photos contradict each other about a species the bird is looked at
            as.
    """

    sheets: tuple[SpeciesSheet, ...]
    signs: tuple[SignFinding, ...]
    conclusion: Conclusion
    next_marks: tuple[NextMark, ...]
    cautions: tuple[str, ...]
    variety: str
    age: str
    claimed: str | None
    draws: int
    seed: int
    table_version: str
    table_fingerprint: str
    disagreements: tuple[Disagreement, ...] = ()

    def sheet(self, species: str) -> SpeciesSheet:
        """Sheet of one species."""
        return next(sheet for sheet in self.sheets if sheet.species == species)


def assess(
    readings: Sequence[Reading],
    relations: Sequence[Relation],
    tables: Tables,
    *,
    variety: str = "green",
    age: str = "adult",
    claimed: str | None = None,
    draws: int = 200,
    seed: int = 0,
) -> Assessment:
    """Compare the readings of one photo with every species; see :func:`assess_photos`."""
    photo = PhotoReadings(tuple(readings), tuple(relations))
    return assess_photos(
        [photo], tables, variety=variety, age=age, claimed=claimed, draws=draws, seed=seed
    )


def assess_photos(
    photos: Iterable[Read],
    tables: Tables,
    *,
    variety: str = "green",
    age: str = "adult",
    claimed: str | None = None,
    draws: int = 200,
    seed: int = 0,
) -> Assessment:
    """Compare what was read of one bird, on one photo or several, with every species.

    Every photo has its own rendering. What the photos say of a hypothesis adds up; a mark read on
    several of them counts for more than one reading and for less than two.

    Args:
        photos: Of one day. A photo that is given twice counts once.
        variety, age: Keys of the tables.
        claimed: Species the bird is said to be.
        draws: Monte Carlo draws of the rendering and of what is doubtful about each reading.

    Returns:
        The same for the same input and seed, whatever the order of photos and readings.

    Raises:
        TableError: Unknown variety, age or claimed species.
        FieldmarksError: A mark or relation of a photo is given twice, a photo is given twice with
            different readings, or there are too few draws.
    """
    check_choice(tables, claimed, variety, age)
    photos = counted_once(photos)
    for photo in photos:
        _refuse_twice([r.mark for r in photo.readings], "mark")
        _refuse_twice([r.key for r in photo.relations], "relation")
    if draws < 20:
        raise FieldmarksError(f"{draws} draws are too few", mend="Use 20 or more")
    # In the order of the tables: the order of the readings must not matter.
    given = dict.fromkeys(r.mark for photo in photos for r in photo.readings)
    large = [{r.mark: r for r in p.readings if not too_small(r, tables)} for p in photos]
    read = [[seen[mark] for mark in tables.marks if mark in seen] for seen in large]
    times = {mark: sum(mark in seen for seen in large) for mark in given}
    measured = [{r.key: r for r in photo.relations} for photo in photos]
    related = [[row[key] for key in tables.relations if key in row] for row in measured]
    known = [key for key in tables.relations if any(key in row for row in measured)]
    small = [mark for mark in given if not times[mark]]
    every = list(tables.species)
    gathered = [gather(rows).counting(times) for rows in read]
    photos_read = list(zip(gathered, related, strict=True))
    explained, evidence = explain(tables, photos_read, variety, age)
    findings, signs = {}, {}
    parts: dict[str, tuple[Explained, list[_Corrected]]] = {}
    for row in explained:
        if row.what.pure and (row.what.variety, row.what.age) == (variety, age):
            (species,) = row.what.species
            corrections = []
            for seen, rows, kept, fitted in zip(read, related, evidence, row.photos, strict=True):
                colours = corrected(seen, kept, fitted, draws, seed)
                drawn = draw_relations(tables, rows, colours, draws, seed)
                ratios = mark_ratios(tables, kept, row.what, fitted)
                corrections.append(_Corrected(ratios, colours, drawn))
            findings[species], signs[species] = _sheet(tables, row, corrections, small)
            parts[species] = (row, corrections)
    carded = [
        one.without_card is not None for one, rows in zip(evidence, read, strict=True) if rows
    ]
    doubted = any(kept is not one for kept, one in zip(evidence, gathered, strict=True))
    case = Case(tables, explained, findings, signs, variety, age, claimed, carded, doubted)
    alone = {}
    for species in dict.fromkeys((*case.subjects, case.likeliest) if len(photos) > 1 else ()):
        row, corrections = parts[species]
        alone[species] = [_sheet(tables, row, [one]) for one in corrections]
    pool = case.candidates if len(case.candidates) > 1 else every
    coming = next_marks(tables, pool, [*given, *known], variety, age)
    conclusion = conclude(case, coming)
    return Assessment(
        sheets=tuple(
            SpeciesSheet(
                s,
                tables.species[s].name,
                tuple(findings[s]),
                tuple(signs[s]),
            )
            for s in every
        ),
        signs=tuple(sign for one in case.subjects for sign in signs[one]),
        conclusion=conclusion,
        next_marks=coming,
        cautions=_cautions(case, conclusion, coming, [*given, *known]),
        variety=variety,
        age=age,
        claimed=claimed,
        draws=draws,
        seed=seed,
        table_version=tables.version,
        table_fingerprint=tables.fingerprint,
        disagreements=disagreements([p.photo for p in photos], alone),
    )


_Sheet = tuple[list[Finding], list[SignFinding]]


class _Corrected(NamedTuple):
    """One photo with its rendering under one species undone."""

    ratios: dict[str, float]
    colours: dict[str, ColourDraws]
    relations: dict[str, Array]


def _sheet(
    tables: Tables, row: Explained, photos: Sequence[_Corrected], small: Sequence[str] = ()
) -> _Sheet:
    """Findings and signs of one species on one photo or several together."""
    what = row.what
    ratios: dict[str, float] = {}
    for photo in photos:
        for mark, ratio in photo.ratios.items():
            ratios[mark] = ratios.get(mark, 0.0) + ratio
    shown = (mark for mark in tables.marks if any(mark in p.colours for p in photos))
    colours = {mark: [p.colours[mark] for p in photos if mark in p.colours] for mark in shown}
    told = (key for key in tables.relations if any(key in p.relations for p in photos))
    drawn = {key: [p.relations[key] for p in photos if key in p.relations] for key in told}
    found = judge_marks(tables, row, ratios, colours, small) + judge_relations(tables, row, drawn)
    signs = look_for_signs(tables, what.species[0], colours, drawn, what.variety, what.age)
    return found, signs


def too_small(reading: Reading, tables: Tables) -> bool:
    """Whether a mark was read on so few pixels that its neighbours show in it."""
    least = (
        LEAST_ACROSS.get(tables.marks[reading.mark].kind, LEAST)
        if (reading.mark in tables.marks)
        else LEAST
    )
    return math.sqrt(reading.pixels.total) < least


def _refuse_twice(keys: Sequence[str], what: str) -> None:
    for key in keys:
        if keys.count(key) > 1:
            raise FieldmarksError(f"{what} {key!r} is given twice", mend="Give each once")


def _cautions(
    case: Case, conclusion: Conclusion, coming: Sequence[NextMark], read: Sequence[str]
) -> tuple[str, ...]:
    """Cautions whose every condition holds, each text once.

    ``read`` holds the keys of the marks and relations that were read.
    """
    tables = case.tables
    series = tables.varieties[case.variety].series
    in_play = {*conclusion.candidates, *conclusion.subjects, case.claimed}
    suspected = {
        species
        for one in case.subjects
        for sign in case.signs[one]
        if sign.status in (SignStatus.SEEN, SignStatus.DOUBTFUL)
        for species in sign.points_to
    }
    touched: set[str] = set()
    for key in (*read, *(mark.mark for mark in coming[:NEXT_CAUTIONED])):
        touched.update(tables.relations[key].marks if key in tables.relations else (key,))

    def applies(row: Caution) -> bool:
        return (
            (not row.species or bool(in_play & set(row.species)))
            and (not row.points_to or bool(suspected & set(row.points_to)))
            and (not row.series or series in row.series)
            and (not row.ages or case.age in row.ages)
            and (not row.outcomes or conclusion.outcome in row.outcomes)
            and (not row.marks or bool(touched & set(row.marks)))
            and (not row.claimed or case.claimed is not None)
        )

    return tuple(dict.fromkeys(row.text for row in tables.cautions.values() if applies(row)))
