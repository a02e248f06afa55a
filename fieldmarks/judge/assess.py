"""Assess a bird: compare its readings with every species and say what they come to."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple, TypeVar

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.conclusion import Case, Conclusion, conclude
from fieldmarks.judge.evidence import gather
from fieldmarks.judge.findings import corrected, draw_relations, judge_marks, judge_relations
from fieldmarks.judge.hypotheses import Hypothesis
from fieldmarks.judge.model import explain, mark_ratios
from fieldmarks.judge.rendering import Array
from fieldmarks.judge.signs import SignFinding, SignStatus, look_for_signs
from fieldmarks.judge.together import (
    Disagreement,
    Question,
    Read,
    SpeciesSheet,
    counted_once,
    disagreements,
)
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.uncertainty import ColourDraws
from fieldmarks.rules.plumage import check_choice
from fieldmarks.rules.schema import Caution
from fieldmarks.rules.separation import NextMark
from fieldmarks.rules.tables import Tables

# Pixels across, as the root of their number. An iris is a thin ring round the pupil: one 9 pixels
# wide is 2 or 3 pixels thick, as much as a camera blurs (our judgement).
LEAST, LEAST_ACROSS = 5.0, {"iris": 9.0}
NEXT_CAUTIONED = 5  # marks to read next that count for a caution about handling
Row = TypeVar("Row")


@dataclass(frozen=True)
class Assessment:
    """What the readings of one bird come to.

    Args:
        sheets: One per species, in the order of the tables.
        signs: Signs of the species the bird was looked at as, side by side.
        next_marks: Unread marks, those that would tell most of the remaining species apart first.
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


def assess_photos(photos: Iterable[Read], tables: Tables, question: Question) -> Assessment:
    """Compare what was read of one bird, on one photo or several, with every species.

    Every photo has its own rendering. What the photos say of a hypothesis adds up; a mark read on
    several of them counts for more than one reading and for less than two. The photos are of one
    day; one that is given twice counts once. The same input and seed come to the same, whatever the
    order of photos and readings.

    Raises:
        TableError: Unknown variety, age or claimed species.
        FieldmarksError: A mark or relation of a photo is given twice, a photo is given twice with
            different readings, or there are too few draws.
    """
    variety, age, draws, seed = question.variety, question.age, question.draws, question.seed
    check_choice(tables, question.claimed, variety, age)
    photos = counted_once(photos)
    if draws < 20:
        raise FieldmarksError(f"{draws} draws are too few", mend="Use 20 or more")
    given = [_in_order(((r.mark, r) for r in p.readings), tables.marks, "mark") for p in photos]
    related = [
        _in_order(((r.key, r) for r in p.relations), tables.relations, "relation") for p in photos
    ]
    read = [[r for r in rows if not _too_small(r, tables)] for rows in given]
    times = Counter(r.mark for rows in read for r in rows)
    small = {r.mark for rows in given for r in rows} - times.keys()
    known = {*times, *small, *(r.key for rows in related for r in rows)}
    gathered = [gather(rows).counting(times) for rows in read]
    photos_read = list(zip(gathered, related, strict=True))
    explained, evidence = explain(tables, photos_read, variety, age)
    sheets, parts = {}, {}
    for row in explained:
        what = row.what
        if what.pure and (what.variety, what.age) == (variety, age):
            seen = []
            for rows, told, kept, fitted in zip(read, related, evidence, row.photos, strict=True):
                ratios = mark_ratios(tables, kept, what, fitted)
                colours = corrected(rows, kept, fitted, draws, seed)
                drawn = draw_relations(tables, told, colours, draws, seed)
                seen.append(_Corrected(ratios, colours, drawn))
            (species,) = what.species
            sheets[species], parts[species] = _sheet(tables, what, seen, small), (what, seen)
    carded = [
        one.without_card is not None for one, rows in zip(evidence, read, strict=True) if rows
    ]
    doubted = any(kept is not one for kept, one in zip(evidence, gathered, strict=True))
    case = Case(tables, explained, sheets, question, carded, doubted, known)
    alone = {}
    for species in dict.fromkeys((*case.subjects, case.likeliest) if len(photos) > 1 else ()):
        what, seen = parts[species]
        alone[species] = [_sheet(tables, what, [one]) for one in seen]
    conclusion = conclude(case)
    return Assessment(
        sheets=tuple(sheets[species] for species in tables.species),
        signs=tuple(sign for one in case.subjects for sign in sheets[one].signs),
        conclusion=conclusion,
        next_marks=case.coming,
        cautions=_cautions(case, conclusion),
        **asdict(question),
        table_version=tables.version,
        table_fingerprint=tables.fingerprint,
        disagreements=disagreements([p.photo for p in photos], alone),
    )


def _in_order(rows: Iterable[tuple[str, Row]], table: Iterable[str], what: str) -> list[Row]:
    """Rows in the order of their table, by key: the order they are given in must not matter."""
    found: dict[str, Row] = {}
    for key, row in rows:
        if key in found:
            raise FieldmarksError(f"{what} {key!r} is given twice", mend="Give each once")
        found[key] = row
    return [found[key] for key in table if key in found]


class _Corrected(NamedTuple):
    """One photo with its rendering under one species undone."""

    ratios: Mapping[str, float]
    colours: Mapping[str, ColourDraws]
    relations: Mapping[str, Array]


def _sheet(
    tables: Tables, what: Hypothesis, photos: Sequence[_Corrected], small: Iterable[str] = ()
) -> SpeciesSheet:
    """Findings and signs of one species on one photo or several together."""
    (species,) = what.species
    ratios = {mark: 0.0 for photo in photos for mark in photo.ratios}
    for photo in photos:
        for mark, ratio in photo.ratios.items():
            ratios[mark] += ratio
    colours = _by_key(tables.marks, [photo.colours for photo in photos])
    drawn = _by_key(tables.relations, [photo.relations for photo in photos])
    findings = judge_marks(tables, what, ratios, colours, small)
    findings += judge_relations(tables, what, drawn)
    signs = look_for_signs(tables, species, colours, drawn, what.variety, what.age)
    return SpeciesSheet(species, tables.species[species].name, tuple(findings), tuple(signs))


def _by_key(order: Iterable[str], photos: Sequence[Mapping[str, Row]]) -> dict[str, list[Row]]:
    """Key -> what each photo that has it says."""
    found = {key: [photo[key] for photo in photos if key in photo] for key in order}
    return {key: rows for key, rows in found.items() if rows}


def _too_small(reading: Reading, tables: Tables) -> bool:
    """Whether a mark was read on so few pixels that its neighbours show in it."""
    least = LEAST_ACROSS.get(tables.marks[reading.mark].kind, LEAST)
    return math.sqrt(reading.pixels.total) < least


def _cautions(case: Case, conclusion: Conclusion) -> tuple[str, ...]:
    """Cautions whose every condition holds, each text once."""
    tables, asked = case.tables, case.question
    suspected = {
        species
        for one in case.subjects
        for sign in case.sheets[one].signs
        if sign.status in (SignStatus.SEEN, SignStatus.DOUBTFUL)
        for species in sign.points_to
    }
    touched = {
        mark
        for key in (*case.read, *(row.mark for row in case.coming[:NEXT_CAUTIONED]))
        for mark in (tables.relations[key].marks if key in tables.relations else (key,))
    }
    here: dict[str, set[Any]] = {
        "species": {*conclusion.candidates, *conclusion.subjects, asked.claimed},
        "points_to": suspected,
        "series": {tables.varieties[asked.variety].series},
        "ages": {asked.age},
        "outcomes": {conclusion.outcome},
        "marks": touched,
    }

    def applies(row: Caution) -> bool:
        return (asked.claimed is not None or not row.claimed) and all(
            not getattr(row, name) or bool(found.intersection(getattr(row, name)))
            for name, found in here.items()
        )

    return tuple(dict.fromkeys(row.text for row in tables.cautions.values() if applies(row)))
