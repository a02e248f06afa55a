"""Region files: W3C Web Annotation (JSON-LD), so that other tools can read them.

Source: W3C Recommendation "Web Annotation Data Model", 23 February 2017. Polygons, ellipses and
lines are SvgSelectors; rectangles are FragmentSelectors (Media Fragments ``xywh=pixel:``). The mark
is a ``tagging`` body; a card's reflectance or a scale's length is a ``describing`` body.
"""

import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import defusedxml.ElementTree
from defusedxml import DefusedXmlException

from fieldmarks._util.errors import RegionError, told_if_not_opened
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

ANNOTATION_CONTEXT = "http://www.w3.org/ns/anno.jsonld"
PREFIXES = {"exif": "http://www.w3.org/2003/12/exif/ns#", "schema": "https://schema.org/"}
MEDIA_FRAGMENTS = "http://www.w3.org/TR/media-frags/"
SVG = "http://www.w3.org/TR/SVG/"
SVG_NAMESPACE = "http://www.w3.org/2000/svg"
MAX_FILE_BYTES = 16 * 1024 * 1024

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_VALUE = re.compile(rf"(reflectance|length mm)\s*=\s*({_NUMBER})")
_EXAMPLES = {"card": "reflectance=0.18", "scale": "length mm=20"}
_PIXELS = re.compile(r"\d{1,9}")
_ROTATE = re.compile(rf"rotate\(\s*({_NUMBER})(?:[\s,]+{_NUMBER}[\s,]+{_NUMBER})?\s*\)")
_XYWH = re.compile(rf"xywh=(?:pixel:)?({_NUMBER}),({_NUMBER}),({_NUMBER}),({_NUMBER})")


def to_annotations(regions: RegionSet) -> dict[str, Any]:
    """Regions as an AnnotationPage, ready for ``json.dumps``; to a hundredth of a pixel."""
    source: dict[str, Any] = {"id": regions.photo, "type": "Image"}
    source |= {"exif:width": regions.width, "exif:height": regions.height}
    if regions.sha256:
        source["schema:sha256"] = regions.sha256
    return {
        "@context": [ANNOTATION_CONTEXT, PREFIXES],
        "type": "AnnotationPage",
        "items": [_annotation(region, source) for region in regions.regions],
        # An empty page must still say which photo it belongs to.
        "partOf": {"type": "AnnotationCollection", "label": regions.photo, "source": source},
    }


def from_annotations(page: Any, where: str = "region file") -> RegionSet:
    """Read an AnnotationPage (decoded JSON), whoever wrote it; ``where`` is its name in errors.

    Raises:
        RegionError: The page or one of its annotations cannot be understood.
    """
    if not isinstance(page, dict) or not isinstance(page.get("items"), list):
        raise RegionError(
            "this is not a Web Annotation page",
            where=where,
            mend="Choose the region file saved with the photo; it has a list named 'items'",
        )
    regions, sources = [], []
    part_of = page.get("partOf")
    if isinstance(part_of, dict) and isinstance(part_of.get("source"), dict):
        sources.append(part_of["source"])
    for number, item in enumerate(page["items"], start=1):
        place = f"{where}, annotation {number}"
        region, source = _region(item, number, place)
        regions.append(region)
        sources.append(source)
    said = {
        key: {str(source[key]) for source in sources if source.get(key)}
        for key in ("schema:sha256", "exif:width", "exif:height", "id")
    }
    if said["schema:sha256"]:
        said["id"] = {*sorted(said["id"])[:1]}  # a photo may have been renamed meanwhile
    for key, values in said.items():
        if len(values) > 1:
            raise RegionError(
                f"its annotations are of several photos: {key} is {' and '.join(sorted(values))}",
                where=where,
                mend="Keep those of one photo in each file",
            )
    sha256, width, height, photo = (next(iter(values), "") for values in said.values())
    return RegionSet(
        photo=one_line(photo),
        width=int(width) if _PIXELS.fullmatch(width) else 0,
        height=int(height) if _PIXELS.fullmatch(height) else 0,
        regions=tuple(regions),
        sha256=sha256,
    )


def region_set_from_text(
    text: str | bytes,
    where: str = "region file",
    mend: str = "Choose the region file saved with the photo",
) -> RegionSet:
    """Read what a Web Annotation file holds.

    Args:
        where, mend: Name and mend used when the text is not JSON.

    Raises:
        RegionError: It is not JSON, or not a Web Annotation page.
    """
    try:
        page = json.loads(text)
    except (ValueError, RecursionError):
        raise RegionError("this is not JSON", where=where, mend=mend) from None
    return from_annotations(page, where)


def write_region_file(regions: RegionSet, path: str | Path) -> None:
    """Save regions as a Web Annotation file."""
    text = json.dumps(to_annotations(regions), indent=1, ensure_ascii=False)
    Path(path).write_text(text + "\n", encoding="utf-8")


def read_region_file(path: str | Path) -> RegionSet:
    """Read a Web Annotation file.

    Raises:
        RegionError: The file is missing, too large, not JSON or not a Web Annotation page.
    """
    path = Path(path)
    mend = "Mark the photo in the app and save its regions beside it, or check the name"
    with told_if_not_opened(path.name, mend, RegionError):
        if path.stat().st_size > MAX_FILE_BYTES:
            raise RegionError("this is too large for a region file", where=path.name)
        return region_set_from_text(path.read_bytes(), path.name)


def _annotation(region: Region, source: dict[str, Any]) -> dict[str, Any]:
    body = [{"type": "TextualBody", "purpose": "tagging", "value": region.mark}]
    if region.value is not None:
        quantity = "length mm" if isinstance(region.shape, Line) else "reflectance"
        text = f"{quantity}={region.value!r}"
        body.append({"type": "TextualBody", "purpose": "describing", "value": text})
    if region.note:
        body.append({"type": "TextualBody", "purpose": "commenting", "value": region.note})
    return {
        "id": f"urn:region:{region.id}",
        "type": "Annotation",
        "motivation": "tagging",
        "body": body,
        "target": {
            "type": "SpecificResource",
            "source": source,
            "selector": _selector(region.shape),
        },
    }


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _selector(shape: Shape) -> dict[str, str]:
    match shape:
        case Rectangle(x, y, width, height):
            value = f"xywh=pixel:{_n(x)},{_n(y)},{_n(width)},{_n(height)}"
            return {"type": "FragmentSelector", "conformsTo": MEDIA_FRAGMENTS, "value": value}
        case Polygon(points):
            inner = f'<polygon points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in points)}"/>'
        case Line((x1, y1), (x2, y2)):
            inner = f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"/>'
        case Ellipse(cx, cy, rx, ry, angle):
            inner = (
                f'<ellipse cx="{_n(cx)}" cy="{_n(cy)}" rx="{_n(rx)}" ry="{_n(ry)}" '
                f'transform="rotate({_n(angle)} {_n(cx)} {_n(cy)})"/>'
            )
    value = f'<svg xmlns="{SVG_NAMESPACE}">{inner}</svg>'
    return {"type": "SvgSelector", "conformsTo": SVG, "value": value}


def _region(item: Any, number: int, place: str) -> tuple[Region, dict[str, Any]]:
    if not isinstance(item, dict) or not isinstance(item.get("target"), dict):
        raise RegionError("this annotation has no target", where=place, mend="Remove or redraw it")
    target = item["target"]
    bodies = item.get("body", [])
    bodies = [b for b in (bodies if isinstance(bodies, list) else [bodies]) if isinstance(b, dict)]
    text = {str(b.get("purpose")): harmless(str(b.get("value", ""))) for b in bodies}
    mark = text.get("tagging", "").strip()
    if not mark:
        raise RegionError(
            "it does not name a mark", where=place, mend="Add a body with purpose 'tagging'"
        )
    place = f"{place} ({mark})"
    for purpose in ("tagging", "describing"):
        if sum(body.get("purpose") == purpose for body in bodies) > 1:
            raise RegionError(f"it has several {purpose} bodies", where=place, mend="Keep one")
    value = text.get("describing", "").strip()
    found = _VALUE.fullmatch(value)
    example = _EXAMPLES.get(mark, "")
    # Of another mark it may be another tool's own words; of these it decides what is measured.
    if "describing" in text and example and not (found and example.startswith(found[1])):
        raise RegionError(
            f"its describing body {value!r} cannot be read",
            where=place,
            mend=f"Write it as {example}",
        )
    source = target.get("source")
    region = Region(
        id=one_line(str(item.get("id") or number).removeprefix("urn:region:")),
        mark=mark,
        shape=_shape(target.get("selector"), place),
        value=float(found[2]) if found else None,
        note=text.get("commenting", ""),
    )
    return region, source if isinstance(source, dict) else {"id": str(source or "")}


def _shape(selector: Any, place: str) -> Shape:
    selectors = selector if isinstance(selector, list) else [selector]
    for one in selectors:
        if not isinstance(one, dict):
            continue
        value = str(one.get("value", ""))
        if one.get("type") == "FragmentSelector" and (found := _XYWH.fullmatch(value)):
            return Rectangle(*(float(v) for v in found.groups()))
        if one.get("type") == "SvgSelector":
            return _svg_shape(value, place)
    raise RegionError(
        "it has no outline that can be read",
        where=place,
        mend="Use an SvgSelector or a FragmentSelector with xywh=pixel:x,y,w,h",
    )


def _svg_shape(svg: str, place: str) -> Shape:
    unreadable = RegionError("its SVG cannot be read", where=place, mend="Draw the region again")
    try:
        root = defusedxml.ElementTree.fromstring(svg)
    except (defusedxml.ElementTree.ParseError, DefusedXmlException, ValueError):
        raise unreadable from None
    for element in root.iter():
        try:
            shape = _of_element(element.tag.rpartition("}")[2], element.attrib)
        except (ValueError, TypeError):
            raise unreadable from None
        if shape:
            return shape
    raise RegionError(
        "its SVG holds no polygon, ellipse, rectangle or line",
        where=place,
        mend="Draw the region again",
    )


def _of_element(kind: str, said: Mapping[str, str]) -> Shape | None:
    """The shape that an SVG element draws, if it is one of ours."""

    def numbers(*names: str, default: str = "0") -> list[float]:
        return [float(said.get(name, default)) for name in names]

    turn = _ROTATE.fullmatch(said.get("transform", "").strip())
    if "transform" in said and not (turn and kind in ("ellipse", "circle")):
        raise ValueError(said)
    match kind:
        case "polygon":
            return Polygon(_points(said.get("points", "")))
        case "rect":
            return Rectangle(*numbers("x", "y", "width", "height"))
        case "line":
            x1, y1, x2, y2 = numbers("x1", "y1", "x2", "y2")
            return Line((x1, y1), (x2, y2))
        case "ellipse" | "circle":
            cx, cy = numbers("cx", "cy")
            rx, ry = numbers("rx", "ry", default=said.get("r", "0"))
            return Ellipse(cx, cy, rx, ry, float(turn[1]) if turn else 0.0)
    return None


def _points(text: str) -> tuple[Point, ...]:
    numbers = [float(v) for v in re.findall(_NUMBER, text)]
    if len(numbers) % 2 or not all(math.isfinite(v) for v in numbers):
        raise ValueError(text)
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))
