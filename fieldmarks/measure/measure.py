"""Measure: photo and regions in, readings and relations out. The whole optical half of the job."""

from __future__ import annotations

import unicodedata
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import unquote

from fieldmarks._util.errors import RegionError
from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.comparison import read_relations, untold
from fieldmarks.measure.light_checks import bird_doubts, card_doubts, cards_among_marks, widen
from fieldmarks.measure.photo import Photo, PhotoFacts
from fieldmarks.measure.photo_quality import file_facts, measuring_advice
from fieldmarks.measure.quantities import Reading, Relation
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import RegionSet, check_regions

if TYPE_CHECKING:
    from fieldmarks.measure.phone_profile import PhoneProfile

COLOUR_KINDS = ("feather", "skin", "horn", "iris")


class Measurable(Protocol):
    """What can be measured; the rule tables say it."""

    @property
    def marks(self) -> Mapping[str, Any]:
        """Key -> mark: its ``name``, ``kind``, ``shape`` and the marks inside it, ``without``."""

    @property
    def relations(self) -> Mapping[str, Any]:
        """Key -> comparison: its ``name`` and ``kind``, and the ``marks`` compared."""


@dataclass(frozen=True)
class Measurement:
    """Everything read from one photo.

    Args:
        photo, sha256: File name and fingerprint of the photo.
        readings: One per mark, in the order of the marks table.
        warnings: Plain sentences; those of one mark start with its name.
    """

    photo: str
    sha256: str
    width: int
    height: int
    facts: PhotoFacts
    regions: RegionSet
    calibration: Calibration
    readings: tuple[Reading, ...]
    relations: tuple[Relation, ...]
    warnings: tuple[str, ...]


def measure(
    photo: Photo,
    regions: RegionSet,
    tables: Measurable,
    profile: PhoneProfile | None = None,
    remembered: dict[Hashable, Reading | None] | None = None,
) -> Measurement:
    """Measure every marked region of a photo.

    Args:
        tables: Its marks and relations say what can be measured.
        profile: What is known of the phone; used when the photo itself holds no patches of known
            colour.
        remembered: Readings of this photo made before: marks whose regions and calibration have not
            changed are taken from it, new ones are put into it.

    Raises:
        RegionError: A region cannot be used; nothing is measured then.
    """
    remembered = {} if remembered is None else remembered
    regions = check_for_photo(regions, photo, tables)
    parts = [r for r in regions.regions if tables.marks[r.mark].kind in COLOUR_KINDS]
    misplaced = cards_among_marks(regions.of("card"), parts)
    calibration = calibrate_photo(photo, regions, profile).warned(*misplaced)
    warnings = [*photo.warnings, *measuring_advice(file_facts(photo))]
    warnings += [*calibration.refusals, *calibration.warnings]
    if not (regions.of("card") or regions.of("chart_patch")):
        warnings.append("No grey card is marked: colours are not calibrated.")
    readings: dict[str, Reading] = {}
    for key, mark in tables.marks.items():
        drawn = regions.of(key)
        if not drawn or mark.kind not in COLOUR_KINDS:
            continue
        without = [r.shape for other in mark.without for r in regions.of(other)]
        same = (photo.sha256, key, drawn, tuple(without), calibration)
        if same not in remembered:
            remembered[same] = read_mark(photo, key, drawn, calibration, without)
        reading = remembered[same]
        if reading is None:
            warnings.append(f"{mark.name}: no usable pixels are left in this region.")
            continue
        readings[key] = reading
        warnings.extend(f"{mark.name}: {text}" for text in reading.warnings)
    names = {key: mark.name for key, mark in tables.marks.items()}
    doubts = [*card_doubts(calibration), *bird_doubts(readings, names)]
    warnings.extend(doubt.text for doubt in doubts)
    readings = {key: widen(reading, doubts) for key, reading in readings.items()}
    relations = read_relations(photo, regions, readings, calibration, tables.relations)
    for key, why in untold(regions, relations, tables.relations).items():
        warnings.append(f"{tables.relations[key].name}: {why}")
    return Measurement(
        photo=photo.name,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        facts=photo.facts,
        regions=regions,
        calibration=calibration,
        readings=tuple(readings.values()),
        relations=relations,
        warnings=tuple(warnings),
    )


def calibrate_photo(
    photo: Photo, regions: RegionSet, profile: PhoneProfile | None = None
) -> Calibration:
    """Calibrate on whatever of known colour is marked: cards, neutral steps, chart patches.

    Patches in the photo come before a phone's profile, a profile before neutral steps.

    Raises:
        CardError: The note of a chart patch names no chart or patch.
    """
    cards, patches = regions.of("card"), regions.of("chart_patch")
    if not patches and len(cards) < 3 and profile is None:
        return calibrate(photo, cards)
    from fieldmarks.measure.chart import calibrate_with_chart, with_steps
    from fieldmarks.measure.phone_profile import with_profile

    if patches:
        return calibrate_with_chart(photo, cards, patches)
    calibration = calibrate(photo, cards)
    if profile is not None:
        calibration = with_profile(photo, calibration, profile)
    return calibration if calibration.correction else with_steps(calibration)


def check_drawn_on(regions: RegionSet, photo: Photo, where: str) -> None:
    """Refuse regions that belong to another photo; ``where`` is what holds them.

    The fingerprint tells it, else size and name: the file of a photo may be renamed.

    Raises:
        RegionError
    """
    mend = "Use the photo it was drawn on, or draw the regions again"
    size, own_size = (regions.width, regions.height), (photo.width, photo.height)
    problem = ""
    if regions.sha256 and regions.sha256 != photo.sha256:
        problem = f"it was not drawn on this {photo.name}, but on another photo or a changed copy"
    elif all(size) and size != own_size:
        has = "{} x {} pixels".format
        problem = f"it was drawn on a photo of {has(*size)}, and {photo.name} has {has(*own_size)}"
    elif regions.photo and not regions.sha256 and _stem(regions.photo) != _stem(photo.name):
        problem = f"it belongs to {regions.photo}, not to {photo.name}"
        mend = "If both are one photo, write this name as the id of each source in the file"
    if problem:
        raise RegionError(problem, where=where, mend=mend)


def _stem(name: str) -> str:
    """A photo's name without folders, address and ending, however it is written."""
    return PurePosixPath(unicodedata.normalize("NFC", unquote(name)).casefold()).stem


def check_for_photo(regions: RegionSet, photo: Photo, tables: Measurable) -> RegionSet:
    """The regions with the photo's own name, size and fingerprint, once they are all usable.

    Raises:
        RegionError: Names the first region that cannot be measured on this photo.
    """
    own = RegionSet(photo.name, photo.width, photo.height, regions.regions, photo.sha256)
    check_regions(own, {key: mark.shape for key, mark in tables.marks.items()})
    return own
