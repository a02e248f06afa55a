"""Verdict: what a record comes to, short enough to be read standing up.

Common names, no numbers but counts, each thing once. Colours are CIELAB, D65, 2 degrees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fieldmarks.judge.conclusion import LOOKED_AT, Conclusion
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.scale import TOO_CLOSE, word
from fieldmarks.judge.signs import SignFinding, SignStatus
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Lab, Reading
from fieldmarks.record import Examination, Record
from fieldmarks.report.plane import mark_name
from fieldmarks.report.views import against_words
from fieldmarks.rules import Tables

Tone = Literal["good", "bad", "doubt", "soft"]
NAMED = 0.5  # a kind of bird less likely than this is not named
REASONS = 2
ENOUGH = 0.5  # of the signs must be looked at before a bird is called free of them
LEAST_SHARE = 0.1  # of a mark's area; a smaller patch of another colour decides nothing


@dataclass(frozen=True)
class Reason:
    """One thing that speaks against the bird.

    Args:
        mark: Key of the mark where it is seen; of a relation its first mark.
        name: That mark in plain words.
        read, wanted ((L*, a*, b*), optional): The deciding colour of the mark and the expected one
            nearest to it.
        photo: Name of the photo it is read on.
    """

    mark: str
    name: str
    text: str
    read: Lab | None = None
    wanted: Lab | None = None
    wanted_name: str = ""
    photo: str = ""


@dataclass(frozen=True)
class Verdict:
    """What to read first.

    Args:
        tone (str): "good", "bad", "doubt" or "soft" (nothing said): never shown by colour alone.
        kind: What the bird is, and how strongly the marks speak for it.
        sold_as: Whether it is what it is sold as; empty when nobody said.
        tally: How many marks fit, and which are unclear.
        reasons: The strongest ones against it.
        apart: What the photos of the day disagree on.
    """

    tone: Tone
    headline: str
    kind: str
    sold_as: str
    tally: str
    reasons: tuple[Reason, ...]
    apart: tuple[str, ...] = ()


def verdict_of(record: Record | Examination, tables: Tables) -> Verdict:
    """The verdict of a photo, or of all photos of a day.

    Args:
        tables: The tables the record was made with.
    """
    judged = record.assessment
    conclusion = judged.conclusion
    against = _against(record)
    tone, headline = _headline(record)
    return Verdict(
        tone,
        headline,
        _kind(conclusion, tables),
        _sold_as(record, tables, against),
        _tally(record),
        _reasons(record, tables, against),
        tuple(
            f"{_upper(d.name.rstrip('.'))}: "
            + "; ".join(f"{status} on {photo}" for photo, status in d.photos)
            for d in judged.disagreements
            if d.species == subject_of(record)
        ),
    )


def nature_of(conclusion: Conclusion, tables: Tables) -> str:
    """The likeliest kind of bird by its common name; empty when it is too unlikely to be named."""
    first = conclusion.standing[0] if conclusion.standing else None
    if first is None or first.share < NAMED or not first.species:
        return ""
    names = [tables.species[key].name for key in first.species]
    return f"a {names[0]}" if len(names) == 1 else f"a cross, {' x '.join(names)}"


def subject_of(record: Record | Examination) -> str:
    """The species whose marks are looked at first."""
    subjects = record.assessment.conclusion.subjects
    likely = [row.species[0] for row in record.assessment.conclusion.standing
              if len(row.species) == 1 and row.species[0] in subjects]  # fmt: skip
    claimed = record.assessment.claimed
    return claimed or (likely or list(subjects))[0]


def _seen(record: Record | Examination) -> list[SignFinding]:
    """Signs that the bird shows whichever of the species left it is; each once."""
    conclusion = record.assessment.conclusion
    seen = [s for s in record.assessment.signs if s.status is SignStatus.SEEN]
    if {s.species for s in seen} != set(conclusion.subjects):
        return []
    strengths = ("always", "usually", "hint")
    once = {s.text: s for s in sorted(seen, key=lambda s: strengths.index(s.strength))}
    return list(once.values())


def _headline(record: Record | Examination) -> tuple[Tone, str]:
    judged = record.assessment
    if not any(one.measurement.readings for one in record.records):
        return "soft", "Nothing marked yet"
    outcome, seen = judged.conclusion.outcome, _seen(record)
    if outcome == "mixed":
        return "bad", "A cross, by the marks read"
    if outcome == "none fits":
        return "doubt", "No species fits"
    if seen:
        return "bad", f"Signs of mixed ancestry: {len(seen)}"
    if outcome == "claim contradicted":
        return "bad", "Not what it is sold as"
    own = [s for s in judged.signs if s.species == subject_of(record)]
    count = {status: sum(s.status is status for s in own) for status in SignStatus}
    looked = sum(count[status] for status in LOOKED_AT)
    if outcome not in ("one species left", "signs") or not looked:
        return "soft", "Cannot tell yet"
    if count[SignStatus.LOOK_AGAIN]:
        return "doubt", "Look again after the moult"
    asked = len(own) - count[SignStatus.SAYS_NOTHING]
    if count[SignStatus.SEEN] or count[SignStatus.DOUBTFUL]:
        unclear = count[SignStatus.SEEN] + count[SignStatus.DOUBTFUL]
        return "doubt", f"{unclear} of {asked} signs too close to call"
    if looked < ENOUGH * asked:
        return "soft", f"No sign seen yet: {looked} of {asked} looked at"
    return "good", f"No sign seen, {looked} of {asked} looked at"


def _kind(conclusion: Conclusion, tables: Tables) -> str:
    if conclusion.held is None and conclusion.outcome in ("nothing read", "nothing decided"):
        return ""
    named = nature_of(conclusion, tables)
    if named:
        first, second = conclusion.standing[:2]
        strength = word(math.log(second.behind))
        how = "" if strength == TOO_CLOSE else f"{strength} "
        whole = "as a whole " if conclusion.outcome == "signs" else ""
        return _upper(f"{whole}{how}{named} ({_percent(first.share)})")
    left = [tables.species[key].name for key in conclusion.candidates]
    if len(left) == 2:
        return f"{' or '.join(left)}: {TOO_CLOSE}"
    return "No species is likely enough to be named."


def _percent(share: float) -> str:
    return "over 99 %" if share > 0.99 else f"{share:.0%}".replace("%", " %")


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _against(record: Record | Examination) -> list[Finding]:
    """Marks that do not fit the species looked at, the surest first."""
    sheet = record.assessment.sheet(subject_of(record))
    odd = [f for f in sheet.findings if f.status is Status.DOES_NOT_FIT]
    return sorted(odd, key=lambda f: (f.relation, f.held or 0.0))


def _sold_as(record: Record | Examination, tables: Tables, against: Sequence[Finding]) -> str:
    judged = record.assessment
    if judged.claimed is None:
        return ""
    said = f"Sold as {tables.species[judged.claimed].name}:"
    odd = [f for f in against if not f.relation] or against
    names = list(dict.fromkeys(f.name for f in odd))[:2]
    where = f" ({', '.join(names)})" if names else ""
    if names or judged.claimed not in judged.conclusion.candidates or _seen(record):
        return f"{said} does not match{where}"
    if len(judged.conclusion.candidates) > 1 or judged.conclusion.held is None:
        return f"{said} {TOO_CLOSE}"
    return f"{said} matches"


def _tally(record: Record | Examination) -> str:
    if not any(one.measurement.readings for one in record.records):
        return ""
    sheet = record.assessment.sheet(subject_of(record))
    fits = sheet.count(Status.FITS) + sheet.count(Status.PROBABLY_FITS)
    unclear = [f.name for f in sheet.findings if f.status is Status.TOO_CLOSE]
    said = [f"{fits} mark fits" if fits == 1 else f"{fits} marks fit"] if fits else []
    if unclear:
        one = "one spot is unclear" if len(unclear) == 1 else f"{len(unclear)} are unclear"
        more = " and more" if len(unclear) > 2 else ""
        said.append(f"{one}: {', '.join(unclear[:2])}{more}")
    return _upper(f"{'; '.join(said)}.") if said else ""


def _reasons(
    record: Record | Examination, tables: Tables, against: Sequence[Finding]
) -> tuple[Reason, ...]:
    readings = [(r, one.photo) for one in record.records for r in one.measurement.readings]
    findings = {f.mark: f for f in record.assessment.sheet(subject_of(record)).findings}
    found: dict[str, Reason] = {}
    said: list[tuple[str, str, bool]] = []  # mark or relation, words, whether it has a colour
    for sign in _seen(record):
        relation = tables.relations.get(sign.mark or "")
        coloured = relation is None or relation.kind == "same"
        said.append((sign.mark or "", sign.text.rstrip("."), coloured))
    said += [(f.mark, _upper(against_words(f, tables)), not f.relation) for f in against]
    for key, text, coloured in said:
        mark = tables.relations[key].marks[0] if key in tables.relations else key
        # A width or a length has no colour of its own to show.
        own, shown = (findings, readings) if coloured else ({}, [])
        found.setdefault(mark, _reason(mark, text, shown, own, tables))
    return tuple(found.values())[:REASONS]


def _reason(
    mark: str,
    text: str,
    readings: Sequence[tuple[Reading, str]],
    findings: dict[str, Finding],
    tables: Tables,
) -> Reason:
    name = mark_name(tables, mark)
    finding = findings.get(mark)
    nearest = finding.nearest if finding else None
    own = [(reading, photo) for reading, photo in readings if reading.mark == mark]
    if not own or nearest is None:
        read, photo = (own[0][0].lab, own[0][1]) if own else (None, "")
        return Reason(mark, name, text, read, photo=photo)
    wanted = tables.lab[nearest]
    patches = [
        (lab, photo)
        for reading, photo in own
        for lab in [p.lab for p in reading.populations if p.fraction >= LEAST_SHARE]
        or [reading.lab]
    ]
    # The patch that decides, not the colour of most of the mark.
    read, photo = max(patches, key=lambda patch: float(difference(patch[0], wanted)))
    return Reason(mark, name, text, read, wanted, tables.swatches[nearest].name, photo)
