"""A measured photo: one photo of a bird with its record; and the observation that is kept of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from fieldmarks._util.errors import FieldmarksError, PhotoError
from fieldmarks.birds.archive import digest
from fieldmarks.birds.model import MarkPoint, Observation, SignPoint, new_id
from fieldmarks.judge.signs import SignFinding, tint_fraction
from fieldmarks.measure.location import given_name, without_place
from fieldmarks.measure.quantities import COVERAGE_FACTOR, Relation
from fieldmarks.measure.region import Region
from fieldmarks.measure.region_file import to_annotations
from fieldmarks.measure.uncertainty import ColourDraws, draw_colours
from fieldmarks.record import Record, record_to_json
from fieldmarks.rules import Tables

DARK, ORANGE = "dark", "orange"  # keys of data/tints.toml whose area is followed over the years
DRAWS = 400
SHARE_FLOOR = 0.03  # k = 1; an outline drawn a little differently (our own choice)


@dataclass(frozen=True)
class MeasuredPhoto:
    """A photo of a bird with what was measured on it.

    Args:
        photo: The file; empty where only what was measured counts, as large files fill the memory.
        day: When it was taken.
        tables: The rule tables it was judged by, packed.
        given: Fingerprint of the photo as it is given away, where that is known: by it the copy
            that someone was given is the same picture as the one that was taken.
    """

    photo: bytes
    record: Record
    measured_by: str = ""
    day: date | None = None
    tables: bytes | None = None
    given: str = ""

    def __post_init__(self) -> None:
        if self.photo and digest(self.photo) != self.sha256:
            raise PhotoError(
                "the record was made from another photo",
                where=self.record.measurement.photo,
                mend="Measure this photo again",
            )

    @property
    def sha256(self) -> str:
        """Fingerprint of the photo."""
        return self.record.measurement.sha256

    @property
    def picture(self) -> str:
        """Fingerprint that all copies of one photo share."""
        return self.given or self.sha256

    def drawn(self, mark: str) -> tuple[Region, ...]:
        """Regions of a mark."""
        return self.record.measurement.regions.of(mark)

    @property
    def region_file(self) -> bytes:
        """Its regions as a Web Annotation file."""
        return region_file_of(self.record)

    @property
    def record_file(self) -> bytes:
        """Its record as JSON."""
        return record_to_json(self.record).encode()

    def without_place(self) -> MeasuredPhoto:
        """The same, with a photo that no longer tells where it was taken.

        The photo gets another fingerprint, and where it was no JPEG another name; the record says
        both, and no number changes.

        Raises:
            PhotoError: The place cannot be taken out of a file of this kind.
        """
        photo = without_place(self.photo, self.record.measurement.photo)
        if photo == self.photo:
            return self
        told = with_photo(json.loads(self.record_file), photo)
        return replace(self, photo=photo, record=Record.from_json(json.dumps(told)))


def with_photo(record: dict[str, Any], photo: bytes) -> dict[str, Any]:
    """The JSON of a record of any version, changed to tell of its photo without the place."""
    measured = record["measurement"]
    name = given_name(measured["photo"], photo)
    for part in (measured, measured["regions"]):
        part |= {"photo": name, "sha256": digest(photo)}
    measured["facts"]["has_position"] = False
    if measured["facts"]["format"] != "JPEG":
        measured["facts"]["format"] = "PNG"
    return record


def given_away(photo: Callable[[], bytes], record: Record) -> str:
    """Fingerprint of a photo as it is given away; empty for a file that is lost or cannot be."""
    try:
        return digest(without_place(photo(), record.measurement.photo))
    except FieldmarksError:
        return ""


def region_file_of(record: Record) -> bytes:
    """Regions of a record as a Web Annotation file."""
    page = to_annotations(record.measurement.regions)
    return (json.dumps(page, indent=1, ensure_ascii=False) + "\n").encode()


def observation_of(photo: MeasuredPhoto, tables: Tables) -> Observation:
    """What a moult entry says of a photo; the whole record is kept beside it."""
    record = photo.record
    measured, judged = record.measurement, record.assessment
    drawn = {r.mark: draw_colours(r, DRAWS, record.question.seed) for r in measured.readings}
    relations = {r.key: r for r in measured.relations}
    signs = {s.key: s for s in judged.signs if s.amount is not None}
    return Observation(
        id=new_id(),
        photo=measured.sha256,
        file=Path(measured.photo).name[-200:],
        ending=Path(measured.photo).suffix.lower() or ".jpg",
        outcome=judged.conclusion.outcome,
        sentence=judged.conclusion.sentence,
        variety=record.question.variety,
        age=record.question.age,
        claimed=record.question.claimed,
        program=record.program,
        table_fingerprint=judged.table_fingerprint,
        marks=tuple(mark_point(d, tables) for d in drawn.values()),
        signs=tuple(_sign_point(s, drawn, relations, tables) for s in signs.values()),
    )


def mark_point(drawn: ColourDraws, tables: Tables) -> MarkPoint:
    """A reading with the shares of its area that read dark and orange.

    The uncertainty of a share is its scatter over draws of the colours (JCGM 101), together with
    ``SHARE_FLOOR``.
    """
    reading = drawn.reading
    lightness, a, b = reading.lab
    u_lightness, u_chroma, u_hue = reading.budget.combined
    dark, u_dark = _share(drawn, [DARK], tables)
    orange, u_orange = _share(drawn, [ORANGE], tables)
    return MarkPoint(
        mark=reading.mark,
        lightness=lightness, a=a, b=b,
        u_lightness=u_lightness, u_chroma=u_chroma, u_hue=u_hue,
        expanded=reading.expanded,
        calibrated=reading.calibrated,
        dark=dark, u_dark=u_dark,
        orange=orange, u_orange=u_orange,
    )  # fmt: skip


def _share(drawn: ColourDraws, keys: Iterable[str], tables: Tables) -> tuple[float, float]:
    """Share of a mark's area that shows some tints, and its uncertainty (k = 1)."""
    tints = [tables.tints[key] for key in keys]
    if not len(drawn.fractions):
        return 0.0, 1.0
    over = tint_fraction(tints, drawn.polar, drawn.fractions)
    here = float(tint_fraction(tints, drawn.polar_read, drawn.fractions)[0])
    # Root mean square about the value read, so that draws that all fall to one side count.
    scatter = np.sqrt(np.mean((over - here) ** 2))
    return min(max(here, 0.0), 1.0), float(np.hypot(scatter, SHARE_FLOOR))


def _sign_point(
    sign: SignFinding,
    drawn: dict[str, ColourDraws],
    relations: dict[str, Relation],
    tables: Tables,
) -> SignPoint:
    assert sign.amount is not None
    mark, unsure = sign.mark or "", 1.0
    if mark in relations:
        unsure = relations[mark].expanded / COVERAGE_FACTOR
    elif mark in drawn and sign.key in tables.signs:
        _, unsure = _share(drawn[mark], tables.signs[sign.key].tints, tables)
    return SignPoint(
        sign=sign.key,
        species=sign.species,
        status=sign.status.value,
        strength=sign.strength,
        mark=mark,
        amount=sign.amount,
        u_amount=unsure,
        compared=" ".join(sign.compared),
        there=" ".join(sign.there),
    )
