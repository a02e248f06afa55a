"""The a*b* plane: colours read beside the swatches expected, each with its true outline.

An expected swatch is outlined where CIEDE2000 from it equals its tolerance, at its own L*. A
reading is outlined by its own uncertainty, 95 %. Lightness is not in the picture, so the legend
gives it. All colours are CIELAB, D65, 2 degrees.
"""

import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import COVERAGE, Lab, Reading
from fieldmarks.measure.region import letters
from fieldmarks.record import Record
from fieldmarks.report.svg import Look, hexadecimal, number, shape, svg, text, unique
from fieldmarks.rules import Tables

Points = npt.NDArray[np.float64]
DIRECTIONS = 72
FARTHEST = 600.0  # a* or b*; farther than any tolerance of the tables reaches
STEPS = 150
HALVINGS = 40
ROUNDS = 200  # of moving labels apart
SIDE = 300.0  # of the plot, drawing units
MARGIN = 46.0
WIDE, MIDDLE = SIDE + 2 * MARGIN, MARGIN + SIDE / 2
LINE = 17.0  # of the legend
DOT = 9.0
# Where the trade's colour words lie on the hue circle, degrees (from memory).
HUES = {
    "red": 30, "orange": 62, "yellow": 92, "green": 140, "blue-green": 212, "blue": 265,
    "purple": 315, "pink": 355,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Shown:
    """A colour in the plane.

    Args:
        label: Letter of a reading, number of an expected swatch.
        outline ((n, 2) array): a*, b*: the 95 % ellipse of a reading; where CIEDE2000 from a
            swatch, at its own L*, equals its tolerance.
        tolerance: CIEDE2000, of a swatch; 0 for a reading.
        species: Species that should show a swatch.
    """

    label: str
    key: str
    name: str
    lab: Lab
    outline: Points
    tolerance: float = 0.0
    species: tuple[str, ...] = ()


@functools.lru_cache(maxsize=512)
def tolerance_outline(lab: Lab, tolerance: float, directions: int = DIRECTIONS) -> Points:
    """Where CIEDE2000 from a colour equals a tolerance above 0, at the same L*.

    Solved along each direction: the first crossing is bracketed on a grid of distances and then
    halved. A tolerance so wide that CIEDE2000 never reaches it in some direction (it can happen
    among dark blues) ends FARTHEST away there. (directions, 2) array of a*, b*.
    """
    angle = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    way = np.column_stack([np.cos(angle), np.sin(angle)])

    def distance(radius: Points) -> Points:
        """CIEDE2000 at (..., directions) radii."""
        colours = np.empty((*radius.shape, 3))
        colours[..., 0] = lab[0]
        colours[..., 1:] = np.array(lab[1:]) + radius[..., None] * way
        return np.asarray(difference(colours, np.array(lab)))

    # Finer near the swatch, where most tolerances end.
    grid = FARTHEST * np.linspace(0, 1, STEPS) ** 2
    beyond = distance(np.repeat(grid[:, None], directions, axis=1)) >= tolerance
    first = np.maximum(beyond.argmax(axis=0), 1)
    first[~beyond.any(axis=0)] = STEPS - 1
    low, high = grid[first - 1], grid[first]
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        outside = distance(middle) >= tolerance
        low, high = np.where(outside, low, middle), np.where(outside, middle, high)
    return np.array(lab[1:]) + high[:, None] * way


def reading_outline(reading: Reading, directions: int = DIRECTIONS) -> Points:
    """The 95 % ellipse of a reading from the covariance of its budget; a*, b*, (directions, 2)."""
    values, vectors = np.linalg.eigh(reading.budget.covariance(reading.lab)[1:, 1:])
    angle = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    axes = vectors * np.sqrt(np.maximum(values, 0))
    return np.array(reading.lab[1:]) + math.sqrt(chdtri(2, 1 - COVERAGE)) * circle @ axes.T


def plane_of(record: Record, tables: Tables) -> tuple[list[Shown], list[Shown]]:
    """Every reading, and the nearest swatches of the species the bird was looked at as."""
    letters = reading_letters(record)
    readings = [
        Shown(letters[r.mark], r.mark, mark_name(tables, r.mark), r.lab, reading_outline(r))
        for r in record.measurement.readings
    ]
    owners: dict[str, list[str]] = {}
    for sheet in record.assessment.sheets:
        if sheet.species in record.assessment.conclusion.subjects:
            for finding in sheet.findings:
                if finding.nearest and finding.nearest in tables.swatches:
                    owners.setdefault(finding.nearest, []).append(sheet.species)
    swatches = [
        Shown(str(place), key, row.name, tables.lab[key],
              tolerance_outline(tables.lab[key], row.tolerance), row.tolerance,
              tuple(dict.fromkeys(species)))
        for place, (key, species) in enumerate(owners.items(), start=1)
        for row in [tables.swatches[key]]
    ]  # fmt: skip
    return readings, swatches


def mark_name(tables: Tables, mark: str) -> str:
    """A mark or relation in plain words; its key when a record was made with other tables."""
    row = tables.marks.get(mark) or tables.relations.get(mark)
    return row.name if row else mark


def reading_letters(record: Record) -> dict[str, str]:
    """Mark -> the letter of its first region, as on the annotated photo."""
    regions = record.measurement.regions.regions
    named = letters(regions)
    return {region.mark: named[region.id] for region in reversed(regions)}


def colour_plane(record: Record, tables: Tables) -> str:
    """Readings and expected swatches in the a*b* plane, as SVG."""
    readings, swatches = plane_of(record, tables)
    # A wide tolerance may run off the plot, where it is cut; readings and swatches may not.
    kept = [s.outline for s in readings] + [np.array([s.lab[1:]]) * 1.3 for s in swatches]
    farthest = max((float(np.hypot(*o.T).max()) for o in kept), default=0.0)
    reach = max(10 * math.ceil(farthest / 10), 40.0)  # the largest C* on it
    lines, short = _legend(readings, swatches, tables)
    key = unique("plane", lines, short)
    rows = -(-len(short) // 2)
    circle = shape("circle", cx=MIDDLE, cy=MIDDLE, r=SIDE / 2)
    body = [f'<defs><clipPath id="{key}c">{circle}</clipPath></defs>', *_axes(reach)]
    body += [_outline(s, reach, key) for s in (*swatches, *readings)]
    body += _points((*swatches, *readings), reach)
    top = WIDE + 4
    body += [text(6, top + LINE * n, line, size=12) for n, line in enumerate(lines)]
    for n, line in enumerate(short):
        column, row = divmod(n, rows)
        body.append(text(6 + column * WIDE / 2, top + LINE * (len(lines) + row), line, size=12))
    return svg(
        WIDE,
        WIDE + LINE * (len(lines) + rows),
        body,
        title="Colours read and expected: all marks read",
        description="; ".join([*lines, *short]),
    )


def _legend(
    readings: Sequence[Shown], swatches: Sequence[Shown], tables: Tables
) -> tuple[list[str], list[str]]:
    """Lines over the full width, and short ones that may stand in two columns."""
    lines = [
        "Round, letter: read; solid line: its uncertainty, 95 %.",
        "Square, number: expected; dashed: its tolerance (in brackets).",
        "Lightness (L*) is not in the picture: it is given here.",
    ]
    owners = {swatch.species for swatch in swatches}
    if len(owners) == 1:
        lines.append(f"All expected of {_owners(owners.pop(), tables)}.")
        owners = set()
    short = [f"{r.label} {r.name}: L* {number(r.lab[0])}" for r in readings]
    for swatch in swatches:
        lightness = number(swatch.lab[0])
        said = f"{swatch.label} {swatch.name}: L* {lightness} ({swatch.tolerance:g})"
        if owners:
            lines.append(f"{said}, for {_owners(swatch.species, tables)}")
        else:
            short.append(said)
    return lines, short


def _owners(species: Sequence[str], tables: Tables) -> str:
    return "all species" if len(species) == len(tables.species) else ", ".join(species)


def to_plot(points: npt.ArrayLike, reach: float) -> Points:
    """a*, b* (..., 2) to drawing units; b* goes up."""
    scaled = np.asarray(points, float) / reach * (SIDE / 2 - DOT)
    return MIDDLE + scaled * np.array([1, -1])


def _axes(reach: float) -> Iterable[str]:
    radius = SIDE / 2
    look: Look = {"fill": "panel", "stroke": "line", "stroke_width": 1}
    yield shape("circle", cx=MIDDLE, cy=MIDDLE, r=radius, **look)
    for x, y in ((radius, 0), (0, radius)):
        start, end = f"{MIDDLE - x:.1f} {MIDDLE - y:.1f}", f"{MIDDLE + x:.1f} {MIDDLE + y:.1f}"
        yield shape("path", d=f"M {start} L {end}", stroke="line", stroke_width=0.8)
    step = 20 if reach <= 80 else 50
    for value in range(step, int(reach), step):
        x, y = to_plot((value, value), reach)
        yield text(x, MIDDLE + 12, value, size=9, fill="soft", anchor="middle")
        yield text(MIDDLE - 3, y + 3, value, size=9, fill="soft", anchor="end")
    yield text(MIDDLE + radius - 4, MIDDLE - 4, "a*", size=11, fill="soft", anchor="end")
    yield text(MIDDLE + 4, MIDDLE - radius + 12, "b*", size=11, fill="soft")
    for name, degrees in HUES.items():
        across, up = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        x, y = MIDDLE + (radius + 5) * across, MIDDLE - (radius + 10) * up + 4
        anchor = "middle" if abs(across) < 0.3 else "start" if across > 0 else "end"
        yield text(x, y, name, size=11, fill="soft", anchor=anchor)


def _outline(shown: Shown, reach: float, key: str) -> str:
    """Solid for a reading; dashed and filled for a swatch."""
    path = " L ".join(f"{x:.1f} {y:.1f}" for x, y in to_plot(shown.outline, reach))
    look: Look = {"fill": "none", "stroke": "ink", "stroke_width": 1.6}
    if shown.tolerance:
        look = {"fill": hexadecimal(shown.lab), "fill_opacity": 0.18, "stroke": "ink",
                "stroke_width": 1.1, "stroke_dasharray": "4 3"}  # fmt: skip
    return shape("path", d=f"M {path} Z", clip_path=f"url(#{key}c)", **look)


def _points(every: Sequence[Shown], reach: float) -> Iterable[str]:
    """A dot for every colour, and its label beside it, moved apart from the others."""
    if not every:
        return
    places = to_plot([shown.lab[1:] for shown in every], reach)
    labels = spread_labels(places, 2 * DOT + 1)
    for (x, y), (x2, y2) in zip(places, labels, strict=True):
        yield shape("line", x1=x, y1=y, x2=x2, y2=y2, stroke="ink", stroke_width=0.9)
    edge: Look = {"stroke": "ink", "stroke_width": 1}
    for shown, (x, y), (left, top) in zip(every, places, labels - DOT, strict=True):
        fill = hexadecimal(shown.lab)
        if shown.tolerance:
            yield shape("rect", x=x - 3.5, y=y - 3.5, width=7, height=7, fill=fill, **edge)
        else:
            yield shape("circle", cx=x, cy=y, r=4, fill=fill, **edge)
        box = {"x": left, "y": top, "width": 2 * DOT, "height": 2 * DOT}
        yield shape("rect", **box, rx=1.5 if shown.tolerance else DOT, fill="paper", **edge)
        yield text(left + DOT, top + DOT + 4, shown.label, size=11, anchor="middle", bold=True)


def spread_labels(places: Points, gap: float) -> Points:
    """Places for labels: beside their points, a gap apart from each other and from all points.

    Points and labels are (n, 2) arrays in drawing units.
    """
    away = places - MIDDLE
    away /= np.maximum(np.hypot(*away.T), 1e-6)[:, None]
    # Points on one spot still need different ways to go.
    turn = np.arange(len(places)) * 2.4
    away += 0.3 * np.column_stack([np.cos(turn), np.sin(turn)])
    labels = places + gap * away
    least = gap * np.repeat([1.0, 0.8], len(places))  # from the other labels, and from the points
    for _ in range(ROUNDS):
        apart = labels[:, None] - np.concatenate([labels, places])
        length = np.hypot(apart[..., 0], apart[..., 1])
        short = np.maximum(least - length, 0) / np.maximum(length, 1e-6)
        push = (0.5 * short[..., None] * apart).sum(axis=1)
        if not push.any():
            break
        labels = np.clip(labels + push, DOT + 1, WIDE - DOT - 1)
    return labels
