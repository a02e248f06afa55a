"""What goes over the wire between Python and the drawing in the browser.

Everything is in upright photo pixels, as in :mod:`fieldmarks.measure.region`, so that an outline
keeps its place whatever the zoom or the size of the picture sent. What the browser sends is never
trusted: shapes are read number by number.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, get_args

from fieldmarks._util.errors import RegionError
from fieldmarks._util.sanitize import harmless, one_line
from fieldmarks.measure.region import (
    Ellipse,
    Line,
    Point,
    Polygon,
    Rectangle,
    Region,
    RegionSet,
    Shape,
)

# A region was "drawn", "moved", "reshaped", "renamed" or "deleted"; the photo was tapped to have an
# outline suggested ("tap"), or at the places that were asked for ("taps"); what was suggested or
# offered is "kept" (already among the regions) or "dropped"; another mark was "picked" to be drawn
# next, or "skipped": not wanted. After "undo" and "redo" the regions are those of an earlier or
# later state, after "recalled" those drawn in this browser before the page was loaded anew.
Kind = Literal[
    "drawn", "moved", "reshaped", "renamed", "deleted", "tap", "picked", "kept", "dropped",
    "undo", "redo", "recalled", "skipped", "taps",
]  # fmt: skip
KINDS: frozenset[str] = frozenset(get_args(Kind))
MAX_REGIONS = 200
MAX_POINTS = 2000
MAX_PHOTOS = 12
MAX_ASIDE, LONGEST_ASIDE = 8, 80


@dataclass(frozen=True)
class MarkerEvent:
    """One thing the keeper did on the photo; everything in photo pixels."""

    serial: int  # grows with every event; an event is handed out once
    kind: Kind
    regions: RegionSet  # all of them, after it
    region: str = ""  # id of the region concerned
    mark: str = ""  # of that region, or the mark picked or tapped for
    at: Point | None = None  # where the photo was tapped
    reach: float | None = None  # how far from there an outline may go: less when zoomed in
    next: str = ""  # mark that the drawing asks for now
    taps: Mapping[str, Point] = field(default_factory=dict)  # places asked for that are in sight
    # With "recalled": what the page had asked to be remembered with the drawing, and what was drawn
    # on other photos of the day.
    aside: Mapping[str, str] = field(default_factory=dict)
    others: Mapping[str, RegionSet] = field(default_factory=dict)


@dataclass(frozen=True)
class Offer:
    """An outline to keep or drop.

    ``sure`` says how sure it is in words, ``likely`` whether enough so to be kept; ``note`` goes to
    the region that it becomes.
    """

    mark: str
    shape: Shape
    sure: str
    likely: bool
    note: str = ""


def shape_to_wire(shape: Shape) -> dict[str, Any]:
    """A shape as plain JSON."""
    if isinstance(shape, Polygon):
        return {"kind": "polygon", "points": [list(p) for p in shape.points]}
    if isinstance(shape, Line):
        return {"kind": "line", "points": [list(shape.start), list(shape.end)]}
    return {"kind": type(shape).__name__.lower(), **asdict(shape)}


def region_to_wire(region: Region | Offer) -> dict[str, Any]:
    """A region, or what may become one, as plain JSON."""
    return {**vars(region), "shape": shape_to_wire(region.shape)}


def shape_from_wire(data: Any, where: str) -> Shape:
    """A shape from JSON.

    Raises:
        RegionError: A number is missing or not finite, or the shape is of no known kind.
    """
    try:
        match data["kind"]:
            case "polygon" if 3 <= len(data["points"]) <= MAX_POINTS:
                return Polygon(tuple(_point(p) for p in data["points"]))
            case "ellipse":
                return Ellipse(*(_number(data[k]) for k in ("cx", "cy", "rx", "ry", "angle")))
            case "rectangle":
                return Rectangle(*(_number(data[k]) for k in ("x", "y", "width", "height")))
            case "line":
                return Line(*(_point(p) for p in data["points"]))
    except (KeyError, TypeError, ValueError, OverflowError):
        pass
    raise RegionError("its outline cannot be read", where=where, mend="Draw it again")


def region_from_wire(data: Any) -> Region:
    """A region from JSON.

    Raises:
        RegionError: It has no id or mark, or its shape cannot be read.
    """
    if not isinstance(data, Mapping) or not data.get("id") or not data.get("mark"):
        raise RegionError("a region without a name arrived", where="photo", mend="Draw it again")
    where = f"region {str(data['id'])!r} ({data['mark']})"
    try:
        value = None if data.get("value") is None else _number(data["value"])
    except (TypeError, ValueError, OverflowError):
        raise RegionError("its value is not a number", where=where, mend="Enter it again") from None
    return Region(
        id=one_line(str(data["id"])),
        mark=one_line(str(data["mark"])),
        shape=shape_from_wire(data.get("shape"), where),
        value=value,
        note=harmless(str(data.get("note") or "")),
    )


def event_from_wire(data: Any, base: RegionSet) -> MarkerEvent:
    """An event from JSON.

    Args:
        data (object): What the browser sent.
        base: Gives the photo the regions belong to.

    Raises:
        RegionError: The message is not one that the drawing sends.
    """
    unknown = RegionError("a message was not understood", where="photo", mend="Reload the page")
    if not isinstance(data, Mapping) or str(data.get("kind")) not in KINDS:
        raise unknown
    aside, taps, others = (data.get(name) or {} for name in ("aside", "taps", "others"))
    if not all(isinstance(part, Mapping) for part in (aside, taps, others)):
        raise unknown
    try:
        return MarkerEvent(
            serial=int(data.get("serial", 0)),
            kind=data["kind"],
            regions=_region_set(data.get("regions"), base),
            region=str(data.get("region") or ""),
            mark=str(data.get("mark") or ""),
            at=None if data.get("at") is None else _point(data["at"]),
            reach=None if data.get("reach") is None else _number(data["reach"]),
            next=str(data.get("next") or ""),
            taps={str(key): _point(at) for key, at in list(taps.items())[:MAX_ASIDE] if at},
            aside={
                str(key)[:LONGEST_ASIDE]: str(value)[:LONGEST_ASIDE]
                for key, value in list(aside.items())[:MAX_ASIDE]
            },
            others={
                str(key): _region_set(drawn, base)
                for key, drawn in list(others.items())[:MAX_PHOTOS]
            },
        )
    except (TypeError, ValueError, OverflowError):
        raise unknown from None


def _region_set(sent: Any, base: RegionSet) -> RegionSet:
    if not isinstance(sent, list):
        raise TypeError(sent)
    if len(sent) > MAX_REGIONS:
        raise RegionError("too many regions", where="photo", mend=f"Keep to {MAX_REGIONS}")
    return base.with_regions(region_from_wire(r) for r in sent)


def _number(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(value)
    return number


def _point(pair: Any) -> Point:
    x, y = pair
    return _number(x), _number(y)
