"""Verdict: what a record comes to, short enough to be read standing up.

Common names, no numbers but counts, each thing once. Colours are CIELAB, D65, 2 degrees.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fieldmarks.judge.assess import Assessment, SpeciesSheet
from fieldmarks.judge.conclusion import LOOKED_AT, Conclusion
from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.scale import TOO_CLOSE, word
from fieldmarks.judge.signs import STRENGTHS, SignFinding, SignStatus
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Lab, Reading
from fieldmarks.record import AnyRecord
from fieldmarks.report.plane import mark_name
from fieldmarks.report.views import against_words
from fieldmarks.rules import Tables

Tone = Literal["good", "bad", "doubt", "soft"]
NAMED = 0.5  # a kind of bird less likely than this is not named
NOTHING_MARKED: tuple[Tone, str] = ("soft", "Nothing marked yet")
REASONS = 2
ENOUGH = 0.5  # of the signs must be looked at before a bird is called free of them
LEAST_SHARE = 0.1  # of a mark's area; a smaller patch of another colour decides nothing


@dataclass(frozen=True)
class Reason:
    """One thing that speaks against the bird.

    Args:
        mark: Key of the mark where it is seen; of a relation its first mark.
        read, wanted ((L*, a*, b*), optional): The deciding colour of the mark and the expected one
            nearest to it.
        photo: Name of the photo it is read on.
    """

    mark: str
    name: str
    text: str
    read: Lab | None = None
    wanted: Lab | None = None
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


def verdict_of(record: AnyRecord, tables: Tables) -> Verdict:
    """The verdict of a photo, or of all photos of a day, by the tables they were judged with."""
    judged = record.assessment
    subject = _subject(judged)
    sheet = judged.sheet(subject)
    readings = [(r, one.photo) for one in record.records for r in one.measurement.readings]
    odd = (f for f in sheet.findings if f.status is Status.DOES_NOT_FIT)
    against = sorted(odd, key=lambda f: (f.relation, f.held or 0.0))  # the surest first
    seen = _seen(judged)
    tone, headline = _headline(judged, subject, seen) if readings else NOTHING_MARKED
    return Verdict(
        tone,
        headline,
        _kind(judged.conclusion, tables),
        _sold_as(judged, tables, against, seen),
        _tally(sheet) if readings else "",
        _reasons(readings, tables, sheet, against, seen),
        tuple(
            f"{_upper(d.name.rstrip('.'))}: {d.told}"
            for d in judged.disagreements
            if d.species == subject
        ),
    )


def _subject(judged: Assessment) -> str:
    """The species whose marks are looked at first."""
    subjects = judged.conclusion.subjects
    alone = (row.species[0] for row in judged.conclusion.standing if len(row.species) == 1)
    return judged.claimed or next((s for s in alone if s in subjects), subjects[0])


def _seen(judged: Assessment) -> list[SignFinding]:
    """Signs that the bird shows whichever of the species left it is; each once."""
    seen = [s for s in judged.signs if s.status is SignStatus.SEEN]
    if {s.species for s in seen} != set(judged.conclusion.subjects):
        return []
    strengths = list(STRENGTHS)
    once = {s.text: s for s in sorted(seen, key=lambda s: strengths.index(s.strength))}
    return list(once.values())


def _headline(judged: Assessment, subject: str, seen: Sequence[SignFinding]) -> tuple[Tone, str]:
    outcome = judged.conclusion.outcome
    if outcome == "mixed":
        return "bad", "A cross, by the marks read"
    if outcome == "none fits":
        return "doubt", "No species fits"
    if seen:
        return "bad", f"Signs of mixed ancestry: {len(seen)}"
    if outcome == "claim contradicted":
        return "bad", "Not what it is sold as"
    count = Counter(s.status for s in judged.signs if s.species == subject)
    looked = sum(count[status] for status in LOOKED_AT)
    if outcome not in ("one species left", "signs") or not looked:
        return "soft", "Cannot tell yet"
    if count[SignStatus.LOOK_AGAIN]:
        return "doubt", "Look again after the moult"
    asked = count.total() - count[SignStatus.SAYS_NOTHING]
    if unclear := count[SignStatus.SEEN] + count[SignStatus.DOUBTFUL]:
        return "doubt", f"{unclear} of {asked} signs too close to call"
    if looked < ENOUGH * asked:
        return "soft", f"No sign seen yet: {looked} of {asked} looked at"
    return "good", f"No sign seen, {looked} of {asked} looked at"


def _kind(conclusion: Conclusion, tables: Tables) -> str:
    """The likeliest kind of bird by its common name, unless it is too unlikely to be named."""
    if conclusion.held is None and conclusion.outcome in ("nothing read", "nothing decided"):
        return ""
    standing = conclusion.standing
    if standing and standing[0].species and standing[0].share >= NAMED:
        first, second = standing[:2]
        names = " x ".join(tables.species[key].name for key in first.species)
        strength = word(math.log(second.behind))
        said = "as a whole " if conclusion.outcome == "signs" else ""
        said += "" if strength == TOO_CLOSE else f"{strength} "
        said += f"a {names}" if len(first.species) == 1 else f"a cross, {names}"
        share = "over 99 %" if first.share > 0.99 else f"{100 * first.share:.0f} %"
        return _upper(f"{said} ({share})")
    left = [tables.species[key].name for key in conclusion.candidates]
    if len(left) == 2:
        return f"{' or '.join(left)}: {TOO_CLOSE}"
    return "No species is likely enough to be named."


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sold_as(
    judged: Assessment, tables: Tables, against: Sequence[Finding], seen: Sequence[SignFinding]
) -> str:
    if judged.claimed is None:
        return ""
    said = f"Sold as {tables.species[judged.claimed].name}:"
    odd = [f for f in against if not f.relation] or against
    names = list(dict.fromkeys(f.name for f in odd))[:2]
    left = judged.conclusion.candidates
    if names or seen or judged.claimed not in left:
        return f"{said} does not match" + (f" ({', '.join(names)})" if names else "")
    if len(left) > 1 or judged.conclusion.held is None:
        return f"{said} {TOO_CLOSE}"
    return f"{said} matches"


def _tally(sheet: SpeciesSheet) -> str:
    fits = sheet.count(Status.FITS) + sheet.count(Status.PROBABLY_FITS)
    unclear = [f.name for f in sheet.findings if f.status is Status.TOO_CLOSE]
    said = [f"{fits} mark fits" if fits == 1 else f"{fits} marks fit"] if fits else []
    if unclear:
        one = "one spot is unclear" if len(unclear) == 1 else f"{len(unclear)} are unclear"
        more = " and more" if len(unclear) > 2 else ""
        said.append(f"{one}: {', '.join(unclear[:2])}{more}")
    return _upper(f"{'; '.join(said)}.") if said else ""


def _reasons(
    readings: Sequence[tuple[Reading, str]],
    tables: Tables,
    sheet: SpeciesSheet,
    against: Sequence[Finding],
    seen: Sequence[SignFinding],
) -> tuple[Reason, ...]:
    """One for each mark: of the signs first, then of what does not fit."""
    nearest = {f.mark: f.nearest for f in sheet.findings}
    found: dict[str, Reason] = {}
    rows: tuple[SignFinding | Finding, ...] = (*seen, *against)
    for row in rows:
        kind = tables.relations.get(row.mark or "")
        mark = kind.marks[0] if kind else row.mark or ""
        if isinstance(row, Finding):
            text, coloured = _upper(against_words(row, tables)), not row.relation
        else:
            text, coloured = row.text.rstrip("."), kind is None or kind.kind == "same"
        # A width or a length has no colour of its own to show.
        shown = [(r, photo) for r, photo in readings if coloured and r.mark == mark]
        colours = _deciding(shown, nearest.get(mark), tables)
        found.setdefault(mark, Reason(mark, mark_name(tables, mark), text, *colours))
    return tuple(found.values())[:REASONS]


def _deciding(
    readings: Sequence[tuple[Reading, str]], nearest: str | None, tables: Tables
) -> tuple[Lab | None, Lab | None, str]:
    """The colour that speaks against, the one expected, and the name of the photo."""
    if not readings:
        return None, None, ""
    if nearest is None:
        reading, photo = readings[0]
        return reading.lab, None, photo
    wanted = tables.lab[nearest]
    patches = [
        (lab, photo)
        for reading, photo in readings
        for lab in [p.lab for p in reading.populations if p.fraction >= LEAST_SHARE]
        or [reading.lab]
    ]
    # The patch that decides, not the colour of most of the mark.
    read, photo = max(patches, key=lambda patch: float(difference(patch[0], wanted)))
    return read, wanted, photo
