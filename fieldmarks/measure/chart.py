"""Chart: patches of known colour in the photo, from a small data file to fitted correction.

A chart is a TOML file: a name, where its colours come from, how many columns it has, and its
patches row by row. Regions of mark "chart_patch" say in their note what they show: ``chart24`` is a
whole chart, outlined by its four corners; ``chart24/red`` is one patch of it.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from fieldmarks._util.errors import CardError, first_fault
from fieldmarks._util.resources import PACKAGE
from fieldmarks.measure.calibration import Calibration, calibrate, card_table
from fieldmarks.measure.colour import lightness_to_reflectance, neutral_lab
from fieldmarks.measure.correction import Array, Patches, choose, choose_trial, finish
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import Lab, triple
from fieldmarks.measure.region import Point, Polygon, Rectangle, Region, mask, vertices, window
from fieldmarks.measure.scatter import trimmed_mean

SHIPPED = PACKAGE / "data" / "charts"
PATCH_SHARE = 0.5  # of a chart cell's width; the rest is frame and shadow
MIN_PATCH_PIXELS = 40
MAX_LOST = 0.02
NEUTRAL = 3.0  # C* up to which a card patch counts as grey
FAR_OFF = 25.0  # mean CIEDE2000 of left-out patches beyond which the chart is not believed
# The same beyond which a chart is asked after (our own choice).
DOUBTFUL = 6.5


class Patch(BaseModel):
    """One patch: its key and its colour, as CIELAB (D65, 2 degrees) or as a neutral reflectance."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    key: Annotated[str, Field(pattern=r"^[a-z0-9_]+$")]
    lab: Lab | None = None
    reflectance: Annotated[float, Field(gt=0, le=1)] | None = None
    neutral: bool = False

    @model_validator(mode="after")
    def _one_colour(self) -> Patch:
        if (self.lab is None) == (self.reflectance is None):
            raise ValueError("give either lab or reflectance")
        return self

    @property
    def colour(self) -> Lab:
        """CIELAB, D65, 2 degrees."""
        if self.reflectance is not None:
            return triple(neutral_lab(self.reflectance))
        assert self.lab is not None  # one of the two is given
        return self.lab

    @property
    def grey(self) -> bool:
        """Whether it may set the gains."""
        return self.neutral or self.reflectance is not None


class Chart(BaseModel):
    """A chart as its file describes it; patches row by row."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    source: Annotated[str, Field(min_length=10)]
    columns: Annotated[int, Field(ge=1)]
    patches: tuple[Patch, ...]

    @model_validator(mode="after")
    def _whole_rows(self) -> Chart:
        if not self.patches or len(self.patches) % self.columns:
            raise ValueError("patches must fill whole rows")
        if len({p.key for p in self.patches}) < len(self.patches):
            raise ValueError("two patches have the same key")
        return self

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.patches) // self.columns


def read_chart(path: Path) -> Chart:
    """Read a chart file.

    Raises:
        CardError: The file is missing or a row of it cannot be used.
    """
    try:
        return Chart.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CardError(f"cannot be read ({error})", where=path.name, mend="Mend it") from None
    except ValidationError as error:
        raise CardError(first_fault(error), where=path.name, mend="Mend the row") from None


@lru_cache(maxsize=1)
def load_charts() -> Mapping[str, Chart]:
    """The shipped charts by key, the file's name without ending."""
    return {path.stem: read_chart(path) for path in sorted(SHIPPED.glob("*.toml"))}


@dataclass(frozen=True)
class Placed:
    """A patch with the region of the photo in which it lies."""

    region: Region
    patch: Patch


def place(regions: Sequence[Region], charts: Mapping[str, Chart]) -> list[list[Placed]]:
    """Patches that regions of mark "chart_patch" show, in every way the chart may lie.

    One list per way to lay whole charts into their outlines; one way if only single patches are
    drawn.

    Raises:
        CardError: A note names no chart or no patch of it.
    """
    single: list[Placed] = []
    whole: list[tuple[Region, Chart]] = []
    for region in regions:
        chart, patch = _named(region, charts)
        if patch is None:
            whole.append((region, chart))
        else:
            single.append(Placed(region, patch))
    ways = 8 if whole else 1
    return [
        [*single, *(p for region, chart in whole for p in lay(region, chart, way))]
        for way in range(ways)
    ]


def _named(region: Region, charts: Mapping[str, Chart]) -> tuple[Chart, Patch | None]:
    key, _, name = region.note.strip().partition("/")
    if key not in charts:
        raise CardError(
            f"there is no chart {key!r}" if key else "its note does not say which chart it shows",
            where=f"region {region.id!r}",
            mend=f"Write one of these into its note: {', '.join(charts)}",
        )
    if not name:
        return charts[key], None
    found = next((p for p in charts[key].patches if p.key == name), None)
    if found is None:
        raise CardError(
            f"chart {key} has no patch {name!r}",
            where=f"region {region.id!r}",
            mend=f"It has {', '.join(p.key for p in charts[key].patches)}",
        )
    return charts[key], found


def lay(region: Region, chart: Chart, way: int = 0) -> list[Placed]:
    """Lay a chart into the four corners of its outline.

    Args:
        region: Four corners round the patches.
        way: 0 to 7: which corner is the first patch's, and from 4 on the other way round.

    Raises:
        CardError: The outline has not four corners.
    """
    corners = vertices(region.shape)
    if not isinstance(region.shape, Polygon | Rectangle) or len(corners) != 4:
        raise CardError(
            "a whole chart is outlined by its four corners",
            where=f"region {region.id!r}",
            mend="Draw it with four points",
        )
    corners = np.roll(corners if way < 4 else corners[::-1], -(way % 4), axis=0)
    columns, rows = chart.columns, chart.rows
    own = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    warp = cv2.getPerspectiveTransform(own, corners.astype(np.float32))
    half = PATCH_SHARE / 2
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    placed = []
    for index, patch in enumerate(chart.patches):
        row, column = divmod(index, columns)
        cell = (square + np.array([column + 0.5, row + 0.5])).astype(np.float32)
        outline: tuple[Point, ...] = tuple(
            (float(x), float(y)) for x, y in cv2.perspectiveTransform(cell[None], warp)[0]
        )
        name = f"{region.id}/{patch.key}"
        placed.append(Placed(replace(region, id=name, shape=Polygon(outline)), patch))
    return placed


def read_patch(photo: Photo, region: Region) -> Array | None:
    """Trimmed mean of a patch's linear light (3,), or None if it is too small or clipped."""
    win = window(region.shape, photo.width, photo.height)
    inside = mask(region.shape, win)
    codes = photo.codes(win)
    own = codes[inside]
    if len(own) < MIN_PATCH_PIXELS:
        return None
    if (own >= photo.white - photo.white // 255).any(axis=1).mean() > MAX_LOST:
        return None
    return trimmed_mean(photo.profile.to_linear(codes)[inside]).astype(float)


def calibrate_with_chart(
    photo: Photo, cards: Sequence[Region], chart_regions: Sequence[Region]
) -> Calibration:
    """Calibrate a photo on cards and on patches of known colour.

    Args:
        cards: Marks "card"; may be empty when the chart has a readable grey.
        chart_regions: Marks "chart_patch".

    Returns:
        With ``correction`` set when the patches could carry one. A note that names no chart or no
        patch of it is a warning, and the cards alone are used.
    """
    try:
        ways = place(chart_regions, load_charts())
    except CardError as error:
        return calibrate(photo, cards).warned(f"Chart: {error} It was not used.")
    read = [_read(photo, way) for way in ways]
    readable = [(patches, used) for patches, used in read if len(used) >= 4]
    if not readable:
        problem = "Chart: fewer than 4 patches can be read; the others are too small or clipped."
        return calibrate(photo, cards).warned(problem)
    patches, used = min(
        readable, key=lambda way: choose_trial(way[0], tone=False, colour=False).mean
    )
    calibration = calibrate(photo, cards or _greys(used))
    if not calibration.calibrated:
        return calibration
    patches = _with_cards(patches, calibration)
    trial = choose_trial(patches)
    if trial.mean > FAR_OFF:
        return calibration.warned(
            f"Chart: its patches miss their colours by {trial.mean:.0f} CIEDE2000 whatever is "
            "tried; it was not used. Check which chart it is and where it lies."
        )
    count = len(patches.rgb)
    correction = finish(patches, trial, f"{count} patches in this photo, each left out in turn")
    lost = len(ways[0]) - len(used)
    notes = []
    if lost:
        notes.append(f"Chart: {lost} patches are clipped or too small and were left out.")
    if trial.mean > DOUBTFUL:
        notes.append(
            f"Chart: its patches miss their colours by {trial.mean:.0f} CIEDE2000, more than those "
            "of a bought chart do. Is it a copy? The colours of a chart printed at home or faded "
            "are not known: use a bought one, in even light."
        )
    return replace(calibration, correction=correction).warned(*notes)


def _read(photo: Photo, placed: Sequence[Placed]) -> tuple[Patches, list[Placed]]:
    read = [(p, read_patch(photo, p.region)) for p in placed]
    kept = [(p, rgb) for p, rgb in read if rgb is not None]
    rgb = np.array([rgb for _, rgb in kept]).reshape(-1, 3)
    lab = np.array([p.patch.colour for p, _ in kept]).reshape(-1, 3)
    neutral = np.array([p.patch.grey for p, _ in kept], dtype=bool)
    return Patches(rgb, lab, neutral), [p for p, _ in kept]


def _greys(placed: Sequence[Placed]) -> list[Region]:
    """The chart's grey nearest to middle lightness, as a card."""
    greys = [p for p in placed if p.patch.grey and math.hypot(*p.patch.colour[1:]) < NEUTRAL]
    if not greys:
        return []
    middle = min(greys, key=lambda p: abs(p.patch.colour[0] - 50))
    value = lightness_to_reflectance(middle.patch.colour[0])
    return [replace(middle.region, mark="card", value=value)]


def _with_cards(patches: Patches, calibration: Calibration) -> Patches:
    """The patches and the cards together, cards evened out by the light plane."""
    cards = [p for p in calibration.patches if "/" not in p.region]
    if not cards:
        return patches
    known, rgb, at = card_table(cards)
    rgb = rgb * calibration.factor(*at.T)[:, None]
    return Patches(
        np.vstack([patches.rgb, rgb]),
        np.vstack([patches.lab, neutral_lab(known)]),
        np.concatenate([patches.neutral, np.ones(len(cards), bool)]),
    )


def with_steps(calibration: Calibration) -> Calibration:
    """Add a tone curve to a calibration on several neutral steps, when they ask for one.

    At least three steps of clearly different reflectance are needed; cards of one reflectance
    spread over the photo tell about its light instead.
    """
    known, rgb, _ = card_table(calibration.patches)
    distinct = 1 + sum(b > 1.3 * a for a, b in pairwise(sorted(known)))
    if distinct < 3 or calibration.plane != (0.0, 0.0):
        return calibration
    patches = Patches(rgb, neutral_lab(known), np.ones(len(known), bool))
    correction = choose(
        patches, f"{len(known)} neutral steps in this photo, each left out in turn", colour=False
    )
    if correction.tone == (0.0, 0.0):
        return calibration
    return replace(calibration, correction=correction)
