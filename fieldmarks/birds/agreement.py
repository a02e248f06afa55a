"""Agreement between measurers: statistics, regions and findings.

Limits of agreement and repeatability as in J. M. Bland & D. G. Altman, 1986, Statistical methods
for assessing agreement between two methods of clinical measurement, Lancet 327, 307-310.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Lab
from fieldmarks.measure.region import Line, Region, vertices

COVERAGE = 1.96  # of a normal distribution, 95 %
QUANTITIES = ("L*", "a*", "b*")


@dataclass(frozen=True)
class Limits:
    """Mean difference of ``count`` pairs, first minus second, with its standard deviation (n - 1);
    about 95 % of differences lie between ``low`` and ``high``, ``COVERAGE`` deviations off.
    """

    count: int
    mean: float
    deviation: float
    low: float
    high: float


def limits_of_agreement(
    first: Sequence[float], second: Sequence[float], coverage: float = COVERAGE
) -> Limits:
    """Limits of agreement.

    Args:
        coverage: Standard deviations on either side. The paper of 1986 rounds 1.96 to 2.

    Raises:
        FieldmarksError: There are fewer than two pairs, or the lengths differ.
    """
    if len(first) != len(second) or len(first) < 2:
        problem = "limits of agreement need two or more pairs of values"
        raise FieldmarksError(problem, mend="Measure more marks")
    gaps = np.asarray(first, float) - np.asarray(second, float)
    mean, deviation = float(gaps.mean()), float(gaps.std(ddof=1))
    reach = coverage * deviation
    return Limits(len(gaps), mean, deviation, mean - reach, mean + reach)


def repeatability(groups: Sequence[Sequence[float]], coverage: float = COVERAGE) -> float | None:
    """Repeatability coefficient: two readings of one thing differ by less in about 95 % of cases.

    It is ``coverage`` times the square root of 2 times the within-group standard deviation of a
    one-way analysis of variance; for pairs, ``coverage`` times the root mean square difference.
    None when nothing was read twice.

    Args:
        groups: Repeated readings, one group for each thing read.
    """
    freedom = sum(len(group) - 1 for group in groups if group)
    squares = sum(float(np.var(group)) * len(group) for group in groups if group)
    return coverage * math.sqrt(2 * squares / freedom) if freedom else None


@dataclass(frozen=True)
class MarkAgreement:
    """How well measurers agree on one mark.

    Args:
        readings: How often it was read, by whomever.
        repeatability: "L*", "a*", "b*" -> repeatability coefficient over measurers of the same
            photo, or None.
        largest: Largest CIEDE2000 difference between two measurers of one photo.
        overlap: Least shared share of the regions of two measurers of one photo (intersection over
            union).
        between ((str, str)): The two measurers of that least overlap.
    """

    mark: str
    readings: int
    repeatability: Mapping[str, float | None]
    largest: float | None
    overlap: float | None
    between: tuple[str, str]


FindingStory = Literal["all agree", "depends on who measured", "depends on the photo", "only one"]


@dataclass(frozen=True)
class FindingAgreement:
    """Whether a finding stands, whoever measured."""

    key: str
    name: str
    story: FindingStory
    said: tuple[tuple[str, str, str], ...]  # measurer, photo fingerprint, status


@dataclass(frozen=True)
class Agreement:
    """Everything about a dispute; ``note`` says when not all were judged by one version."""

    marks: tuple[MarkAgreement, ...]
    limits: Mapping[tuple[str, str], Mapping[str, Limits]]
    findings: tuple[FindingAgreement, ...]
    conclusions: tuple[tuple[str, str, str], ...]  # measurer, photo file, sentence
    note: str = ""


def compare_photos(photos: Sequence[MeasuredPhoto]) -> Agreement:
    """Compare what several measurers made of the same bird.

    Raises:
        FieldmarksError: There are fewer than two.
    """
    if len(photos) < 2:
        problem = "two or more measurers are needed to compare"
        raise FieldmarksError(problem, mend="Add another measurer's record")
    by_picture: dict[str, list[MeasuredPhoto]] = {}
    for one in photos:
        by_picture.setdefault(one.picture, []).append(one)
    pictures = list(by_picture.values())
    marks = dict.fromkeys(r.mark for a in photos for r in a.record.measurement.readings)
    return Agreement(
        marks=tuple(_mark(pictures, mark) for mark in marks),
        limits=_limits(pictures, list(dict.fromkeys(a.measured_by for a in photos))),
        findings=tuple(_findings(photos)),
        conclusions=tuple(
            (a.measured_by, a.record.measurement.photo, a.record.assessment.conclusion.sentence)
            for a in photos
        ),
        note=_versions(photos),
    )


def _versions(photos: Sequence[MeasuredPhoto]) -> str:
    versions = sorted({a.record.program for a in photos})
    if len(versions) < 2:
        return ""
    return (
        f"These photos were judged by fieldmarks {' and '.join(versions)}: a finding may differ by "
        "that alone. 'fieldmarks bird measure-again' judges a kept look by this version."
    )


def _labs(one: MeasuredPhoto) -> dict[str, Lab]:
    return {r.mark: r.lab for r in one.record.measurement.readings if r.calibrated}


def _mark(pictures: Sequence[Sequence[MeasuredPhoto]], mark: str) -> MarkAgreement:
    groups = [[_labs(a)[mark] for a in group if mark in _labs(a)] for group in pictures]
    pairs = [pair for labs in groups for pair in itertools.combinations(labs, 2)]
    overlaps = [
        (shared, one.measured_by, other.measured_by)
        for group in pictures
        for one, other in itertools.combinations(group, 2)
        if (shared := region_overlap(one.drawn(mark), other.drawn(mark))) is not None
    ]
    least, one_of, other_of = min(overlaps, default=(None, "", ""))
    return MarkAgreement(
        mark=mark,
        readings=sum(map(len, groups)),
        repeatability={
            q: repeatability([[lab[i] for lab in group] for group in groups])
            for i, q in enumerate(QUANTITIES)
        },
        largest=max((float(difference(*pair)) for pair in pairs), default=None),
        overlap=least,
        between=(one_of, other_of),
    )


def region_overlap(one: Sequence[Region], other: Sequence[Region]) -> float | None:
    """Shared area over joint area of all regions of a mark, 0 to 1; None if one has no area."""
    first, second = (
        shapely.union_all(
            [shapely.Polygon(vertices(r.shape)) for r in drawn if not isinstance(r.shape, Line)]
        )
        for drawn in (one, other)
    )
    if first.is_empty or second.is_empty:
        return None
    return float(first.intersection(second).area / first.union(second).area)


def _limits(
    pictures: Sequence[Sequence[MeasuredPhoto]], people: Sequence[str]
) -> dict[tuple[str, str], dict[str, Limits]]:
    """Limits of agreement of every two measurers over all marks of photos both measured."""
    found: dict[tuple[str, str], dict[str, Limits]] = {}
    for one, other in itertools.combinations(people, 2):
        pairs = []
        for group in pictures:
            labs = {a.measured_by: _labs(a) for a in reversed(group)}  # the first of each counts
            first, second = labs.get(one, {}), labs.get(other, {})
            pairs += [(first[m], second[m]) for m in first if m in second]
        if len(pairs) > 1:
            found[one, other] = {
                q: limits_of_agreement([p[0][i] for p in pairs], [p[1][i] for p in pairs])
                for i, q in enumerate(QUANTITIES)
            }
    return found


def _findings(photos: Sequence[MeasuredPhoto]) -> list[FindingAgreement]:
    """Findings and signs of the species that all of it could be about."""
    subjects = dict.fromkeys(s for a in photos for s in a.record.assessment.conclusion.subjects)
    said: dict[str, list[tuple[MeasuredPhoto, str]]] = {}
    names: dict[str, str] = {}
    for one in photos:
        sheets = {s.species: s for s in one.record.assessment.sheets}
        for sheet in (sheets[s] for s in subjects if s in sheets):  # some tables do not know it
            rows = [(f.mark, f"{f.name} as {sheet.name}", f.status.value)
                    for f in sheet.findings if f.held is not None]  # fmt: skip
            rows += [(s.key, s.text.rstrip("."), s.status.value)
                     for s in sheet.signs if s.amount is not None]  # fmt: skip
            for of, name, status in rows:
                key = f"{sheet.species}: {of}"
                names[key] = name
                said.setdefault(key, []).append((one, status))
    return [
        FindingAgreement(
            key,
            names[key],
            finding_story([(a.measured_by, a.picture, status) for a, status in rows]),
            tuple((a.measured_by, a.sha256, status) for a, status in rows),
        )
        for key, rows in said.items()
    ]


def finding_story(said: Sequence[tuple[str, str, str]]) -> FindingStory:
    """Whether statuses agree, and if not, on what they depend; of (measurer, picture, status)."""
    if len(said) < 2:
        return "only one"
    if len({status for _, _, status in said}) == 1:
        return "all agree"
    photos, ways = {photo for _, photo, _ in said}, {(photo, status) for _, photo, status in said}
    return "depends on the photo" if len(ways) == len(photos) else "depends on who measured"
