"""Our own drawing of a lovebird from the side, painted from ``data/guide/bird.toml``.

The drawing is data: a few smooth curves in painter's order, each belonging to a mark or to none.
Here they get their colours, leader lines and numbers, as SVG text.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from fieldmarks._util.resources import shipped
from fieldmarks.report.svg import style, text

Pair = tuple[float, float]
Path = Annotated[str, Field(pattern=r"^M[ MLCQZ0-9.\-]+$")]
COLUMNS = {"left": 15.0, "right": 345.0}
GAP = 23.0  # least distance between two numbers of one column
RADIUS = 9.5


class Layer(BaseModel):
    """One painted shape; see the head of ``bird.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: Path
    mark: str | None = None
    clip: str | None = None
    bands: tuple[float, float, float, float] | None = None
    anchor: Pair | None = None
    side: Literal["left", "right"] = "left"
    paint: Literal["perch", "shade", "gleam", "light", "dark", "line", "outline"] | None = None
    host: str | None = None
    edge: float = 0.7
    extra: bool = False
    line: bool = False


class Drawing(BaseModel):
    """The whole drawing."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    size: Pair
    as_listed: tuple[str, ...] = ()
    outlines: dict[str, Path]
    layers: tuple[Layer, ...]


@functools.cache
def drawing() -> Drawing:
    """The shipped drawing, checked."""
    content = (shipped("data") / "guide" / "bird.toml").read_text(encoding="utf-8")
    return Drawing.model_validate(tomllib.loads(content))


def defs(key: str, codes: Mapping[str, Sequence[str]]) -> str:
    """Clip outlines, the hatching, and one gradient for each shape of several colours."""
    parts = [
        f'<clipPath id="{key}_{name}"><path d="{path}"/></clipPath>'
        for name, path in drawing().outlines.items()
    ]
    parts.append(
        f'<pattern id="{key}_hatch" width="4.5" height="4.5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="4.5" height="4.5" {style(fill="panel")}/>'
        f'<rect width="0.9" height="4.5" {style(fill="line")}/></pattern>'
    )
    for number, layer in enumerate(drawing().layers):
        several = codes.get(layer.mark or "", ()) or codes.get(layer.host or "", ())
        if layer.bands and len(several) > 1:
            x1, y1, x2, y2 = layer.bands
            parts.append(
                f'<linearGradient id="{key}_{number}" gradientUnits="userSpaceOnUse" '
                f'x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}">{_stops(several)}'
                "</linearGradient>"
            )
    return f"<defs>{''.join(parts)}</defs>"


def _stops(codes: Sequence[str]) -> str:
    """Bands of pure colour with short soft joints between them."""
    count = len(codes)
    return "".join(
        f'<stop offset="{(place + at) / count:.3f}" stop-color="{code}"/>'
        for place, code in enumerate(codes)
        for at in (0.2, 0.8)
    )


def bird(key: str, codes: Mapping[str, Sequence[str]] | None, strong: str | None) -> Iterable[str]:
    """Every layer in painter's order.

    ``strong`` is brought out and the others fade; without ``codes`` only lines are drawn.
    """
    for number, layer in enumerate(drawing().layers):
        bare = codes is None and layer.paint in ("shade", "gleam")
        if bare or (layer.extra and layer.mark != strong):
            continue
        clip = f' clip-path="url(#{key}_{layer.clip})"' if layer.clip else ""
        shape = f'<path d="{layer.path}"{clip}'
        chosen = strong is not None and layer.mark == strong
        look = _paint(key, number, layer, codes, chosen)
        if strong is None or chosen or codes is None or layer.paint in ("line", "outline"):
            yield f"{shape} {look}/>"
        else:  # paper first, so that what lies below does not shine through
            yield f"{shape} {style(fill='paper')}/>" if layer.mark else ""
            yield f'{shape} opacity="{FADED}" {look}/>'


def _paint(
    key: str, number: int, layer: Layer, codes: Mapping[str, Sequence[str]] | None, chosen: bool
) -> str:
    """Style of one layer."""
    if layer.line:
        return style(fill="none", stroke="accent", stroke_width=4, stroke_dasharray="10 5")
    if layer.paint is not None and not chosen:
        return style(**PAINTS[layer.paint])
    own = (codes or {}).get(layer.mark or "", ()) or (codes or {}).get(layer.host or "", ())
    if codes is None:
        fill = "accent" if chosen else "paper"
    elif not own:
        fill = f"url(#{key}_hatch)"
    else:
        fill = f"url(#{key}_{number})" if layer.bands and len(own) > 1 else own[0]
    if chosen:
        return style(fill=fill, stroke="ink", stroke_width=2.6, stroke_linejoin="round")
    edge = {"stroke_width": layer.edge, "stroke_opacity": 0.8 if layer.edge > 1 else 0.25}
    return style(fill=fill, stroke="ink", **edge)


FADED = 0.3
PAINTS: Mapping[str, dict[str, str | float]] = {
    "line": {
        "fill": "none",
        "stroke": "#000000",
        "stroke_opacity": 0.25,
        "stroke_width": 1.1,
        "stroke_linecap": "round",
    },
    "outline": {"fill": "none", "stroke": "ink", "stroke_width": 1.4, "stroke_linejoin": "round"},
    "perch": {"fill": "#c9b499", "stroke": "ink", "stroke_width": 1.0},
    "shade": {"fill": "#000000", "fill_opacity": 0.09},
    "gleam": {"fill": "#ffffff", "fill_opacity": 0.28},
    "light": {"fill": "#ffffff", "fill_opacity": 0.9},
    "dark": {"fill": "#141414"},
}


def callouts(labels: Mapping[str, str], highlight: str | None) -> Iterable[str]:
    """Leader lines and numbers, in two columns beside the bird."""
    for side, x in COLUMNS.items():
        anchors = {
            layer.mark: layer.anchor
            for layer in drawing().layers
            if layer.mark and layer.mark in labels and layer.anchor and layer.side == side
        }
        marks = sorted(anchors, key=lambda mark: anchors[mark][1])
        places = spread_out([anchors[mark][1] for mark in marks], GAP, drawing().size[1])
        for mark, y in zip(marks, places, strict=True):
            yield _leader(anchors[mark], (x, y))
            yield _badge(x, y, labels[mark], mark == highlight)


def spread_out(places: Sequence[float], gap: float, length: float) -> list[float]:
    """Move places along a line as little as needed to keep a gap between them.

    Args:
        places: Wanted places, ascending.
        gap: Least distance; made smaller when they would not fit.
        length: They stay between gap / 2 and length - gap / 2.
    """
    if not places:
        return []
    gap = min(gap, length / len(places))
    # Pool neighbours that are too close into blocks that keep their mean place.
    blocks: list[list[float]] = []
    for place in places:
        blocks.append([place, 1])
        while len(blocks) > 1 and _low(blocks[-1], gap) < _high(blocks[-2], gap):
            centre, count = blocks.pop()
            before, number = blocks.pop()
            mean = (before * number + centre * count) / (number + count)
            blocks.append([mean, number + count])
    spread = [
        centre + (place - (count - 1) / 2) * gap
        for centre, count in blocks
        for place in range(int(count))
    ]
    low = gap / 2
    for number, place in enumerate(spread):
        spread[number] = low = max(place, low)
        low += gap
    high = length - gap / 2
    for number in range(len(spread) - 1, -1, -1):
        spread[number] = high = min(spread[number], high)
        high -= gap
    return spread


def _low(block: Sequence[float], gap: float) -> float:
    return block[0] - block[1] * gap / 2


def _high(block: Sequence[float], gap: float) -> float:
    return block[0] + block[1] * gap / 2


def _leader(start: Pair, end: Pair) -> str:
    path = f'd="M {start[0]:.1f} {start[1]:.1f} L {end[0]:.1f} {end[1]:.1f}"'
    halo = style(fill="none", stroke="paper", stroke_width=2.6, stroke_opacity=0.75)
    line = style(fill="none", stroke="ink", stroke_width=0.9)
    dot = f'<circle cx="{start[0]:g}" cy="{start[1]:g}" r="2.2" '
    return (
        f"<path {path} {halo}/><path {path} {line}/>"
        f"{dot}{style(fill='ink', stroke='paper', stroke_width=0.9)}/>"
    )


def _badge(x: float, y: float, label: str, strong: bool) -> str:
    fill, ink = ("ink", "paper") if strong else ("paper", "ink")
    ring = style(fill=fill, stroke="ink", stroke_width=1.2)
    return (
        f'<circle cx="{x:g}" cy="{y:.1f}" r="{RADIUS}" {ring}/>'
        f"{text(x, y + 4.2, label, size=12, fill=ink, anchor='middle', bold=True)}"
    )


def pointer(layer: Layer, name: str) -> Iterable[str]:
    """A line from a mark to its name, written large at the foot of the drawing."""
    assert layer.anchor is not None
    width, height = drawing().size
    yield _leader(layer.anchor, (width / 2, height - 22))
    yield (
        f'<rect x="{width / 2 - 80:g}" y="{height - 24:g}" width="160" height="24" rx="12" '
        f"{style(fill='ink')}/>"
    )
    yield text(width / 2, height - 7, name, size=15, fill="paper", anchor="middle", bold=True)
