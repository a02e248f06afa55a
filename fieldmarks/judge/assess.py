"""Assess a bird: compare its readings with every species and say what they come to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.conclusion import Case, Conclusion, conclude
from fieldmarks.judge.findings import Finding, Status, judge_marks, judge_relations
from fieldmarks.judge.signs import SignFinding, SignStatus, look_for_signs
from fieldmarks.measure.quantities import Reading, Relation
from fieldmarks.measure.sampling import draw_colours
from fieldmarks.rules.plumage import check_choice
from fieldmarks.rules.schema import Caution
from fieldmarks.rules.separation import NextMark, next_marks
from fieldmarks.rules.tables import Tables

__all__ = ["Assessment", "SpeciesSheet", "assess", "next_marks"]

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

    Parameters
    ----------
    sheets : tuple of SpeciesSheet
        One per species, in the order of the tables.
    signs : tuple of SignFinding
        Signs of the species the bird was looked at as, side by side.
    conclusion : Conclusion
    next_marks : tuple of NextMark
        Unread marks, those that would tell most of the remaining species apart first.
    cautions : tuple of str
    variety, age, claimed : str
        As given.
    draws, seed : int
        Size and seed of the Monte Carlo.
    table_version, table_fingerprint : str
        Which tables were used.
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
    draws: int = 400,
    seed: int = 0,
) -> Assessment:
    """Compare the readings of one bird with every species.

    Parameters
    ----------
    readings : sequence of Reading
        At most one per mark.
    relations : sequence of Relation
        At most one per key.
    tables : Tables
    variety, age : str
        Keys of the tables.
    claimed : str, optional
        Species the bird is said to be.
    draws : int
        Monte Carlo draws from the readings' uncertainty.
    seed : int

    Returns
    -------
    Assessment
        The same for the same input and seed, whatever the order of the readings.

    Raises
    ------
    TableError
        Unknown variety, age or claimed species.
    FieldmarksError
        A mark or relation is given twice, or there are too few draws.
    """
    check_choice(tables, claimed, variety, age)
    _refuse_twice([r.mark for r in readings], "mark")
    _refuse_twice([r.key for r in relations], "relation")
    if draws < 20:
        raise FieldmarksError(f"{draws} draws are too few", mend="Use 20 or more")
    by_mark = {r.mark: draw_colours(r, draws, seed) for r in readings}
    known = {r.key: r for r in relations if r.key in tables.relations}
    every = list(tables.species)
    judged = judge_marks(tables, every, by_mark, variety, age)
    related, drawn = judge_relations(tables, every, known, variety, age, draws, seed)
    case = Case(
        tables=tables,
        judged={s: judged[s] + related[s] for s in every},
        sightings={s: look_for_signs(tables, s, by_mark, drawn, variety, age) for s in every},
        variety=variety,
        age=age,
        claimed=claimed,
        draws=draws,
    )
    pool = case.candidates if len(case.candidates) > 1 else every
    coming = next_marks(tables, pool, [*by_mark, *known], variety, age)
    conclusion = conclude(case, coming)
    return Assessment(
        sheets=tuple(
            SpeciesSheet(
                s,
                tables.species[s].name,
                tuple(j.finding for j in case.judged[s]),
                tuple(sign.finding for sign in case.sightings[s]),
            )
            for s in every
        ),
        signs=tuple(s.finding for one in case.subjects for s in case.sightings[one]),
        conclusion=conclusion,
        next_marks=coming,
        cautions=_cautions(case, conclusion, coming, [*by_mark, *known]),
        variety=variety,
        age=age,
        claimed=claimed,
        draws=draws,
        seed=seed,
        table_version=tables.version,
        table_fingerprint=tables.fingerprint,
    )


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
    in_play = {*conclusion.candidates, *conclusion.subjects}
    suspected = {
        species
        for one in case.subjects
        for sighting in case.sightings[one]
        if sighting.finding.status in (SignStatus.SEEN, SignStatus.DOUBTFUL)
        for species in sighting.finding.points_to
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
