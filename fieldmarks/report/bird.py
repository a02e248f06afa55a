"""Our own drawing of a lovebird from the side, painted from ``data/guide/bird.toml``.

The drawing is data: a few smooth curves in painter's order, each belonging to a mark or to none.
Here they get their colours, leader lines and numbers, as SVG text.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator
from scipy.optimize import isotonic_regression

from fieldmarks._util.resources import shipped
from fieldmarks.report.svg import shape, text

Pair = tuple[float, float]
Codes = Mapping[str, Sequence[str]]  # mark -> its colours, ``#rrggbb``
Path = Annotated[str, Field(pattern=r"^M[ MLCQZ0-9.\-]+$")]
COLUMNS = {"left": 15.0, "right": 345.0}
GAP = 23.0  # least distance between two numbers of one column
RADIUS = 9.5
FADED = 0.3


class Layer(BaseModel):
    """One painted shape; see the head of ``bird.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: Path
    mark: str | None = None
    clip: str | None = None
    bands: tuple[float, float, float, float] | None = None
    anchor: Pair | None = None
    side: Literal["left", "right"] = "left"
    paint: str | None = None
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
    paints: dict[str, dict[str, str | float]]
    layers: tuple[Layer, ...]

    @model_validator(mode="after")
    def _every_paint_is_there(self) -> Drawing:
        named = {"length", "chosen", *(layer.paint for layer in self.layers if layer.paint)}
        if missing := named - self.paints.keys():
            raise ValueError(f"there is no paint {', '.join(sorted(missing))}")
        return self


@functools.cache
def drawing() -> Drawing:
    """The shipped drawing, checked."""
    content = (shipped("data") / "guide" / "bird.toml").read_text(encoding="utf-8")
    return Drawing.model_validate(tomllib.loads(content))


def defs(key: str, codes: Codes) -> str:
    """Clip outlines, the hatching, and one gradient for each shape of several colours."""
    clips = "".join(
        f'<clipPath id="{key}_{name}">{shape("path", d=path)}</clipPath>'
        for name, path in drawing().outlines.items()
    )
    hatch = (
        f'<pattern id="{key}_hatch" width="4.5" height="4.5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)">{shape("rect", width=4.5, height=4.5, fill="panel")}'
        f"{shape('rect', width=0.9, height=4.5, fill='line')}</pattern>"
    )
    gradients = ""
    for number, layer in enumerate(drawing().layers):
        several = _colours(layer, codes)
        if layer.bands and len(several) > 1:
            x1, y1, x2, y2 = layer.bands
            # Bands of pure colour with short soft joints between them.
            stops = "".join(
                f'<stop offset="{(place + at) / len(several):.3f}" stop-color="{code}"/>'
                for place, code in enumerate(several)
                for at in (0.2, 0.8)
            )
            gradients += (
                f'<linearGradient id="{key}_{number}" gradientUnits="userSpaceOnUse" '
                f'x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}">{stops}</linearGradient>'
            )
    return f"<defs>{clips}{hatch}{gradients}</defs>"


def _colours(layer: Layer, codes: Codes) -> Sequence[str]:
    """Colours of the mark that a shape shows, else of the one it lies in."""
    return codes.get(layer.mark or "", ()) or codes.get(layer.host or "", ())


def bird(key: str, codes: Codes | None, strong: str | None) -> Iterable[str]:
    """Every layer in painter's order.

    ``strong`` is brought out and the others fade; without ``codes`` only lines are drawn.
    """
    for number, layer in enumerate(drawing().layers):
        bare = codes is None and layer.paint in ("shade", "gleam")
        if bare or (layer.extra and layer.mark != strong):
            continue
        where = {"d": layer.path}
        if layer.clip:
            where["clip_path"] = f"url(#{key}_{layer.clip})"
        chosen = strong is not None and layer.mark == strong
        look = _look(key, number, layer, codes, chosen)
        if strong is None or chosen or codes is None or layer.paint in ("line", "outline"):
            yield shape("path", **where, **look)
            continue
        if layer.mark:  # paper first, so that what lies below does not shine through
            yield shape("path", **where, fill="paper")
        yield shape("path", **where, opacity=FADED, **look)


def _look(
    key: str, number: int, layer: Layer, codes: Codes | None, chosen: bool
) -> Mapping[str, str | float]:
    """Style of one layer."""
    if layer.line:
        return drawing().paints["length"]
    if layer.paint is not None and not chosen:
        return drawing().paints[layer.paint]
    own = _colours(layer, codes or {})
    if codes is None:
        fill = "accent" if chosen else "paper"
    elif not own:
        fill = f"url(#{key}_hatch)"
    else:
        fill = f"url(#{key}_{number})" if layer.bands and len(own) > 1 else own[0]
    if chosen:
        return {"fill": fill, **drawing().paints["chosen"]}
    strength = 0.8 if layer.edge > 1 else 0.25
    return {"fill": fill, "stroke": "ink", "stroke_width": layer.edge, "stroke_opacity": strength}


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
            fill, ink = ("ink", "paper") if mark == highlight else ("paper", "ink")
            yield _leader(anchors[mark], (x, y))
            yield shape("circle", cx=x, cy=y, r=RADIUS, fill=fill, stroke="ink", stroke_width=1.2)
            yield text(x, y + 4.2, labels[mark], size=12, fill=ink, anchor="middle", bold=True)


def spread_out(places: Sequence[float], gap: float, length: float) -> list[float]:
    """Move places along a line as little as needed to keep a gap between them.

    Least squares: with a gap taken off for each place before it, their order is all that is left to
    keep. ``places`` ascend; they stay between gap / 2 and length - gap / 2, and where they would
    not fit the gap is made smaller.
    """
    if not places:
        return []
    gap = min(gap, length / len(places))
    before = gap * np.arange(len(places))
    ordered = isotonic_regression(np.array(places) - before).x
    kept = np.clip(ordered, gap / 2, length - gap / 2 - before[-1]) + before
    return [float(place) for place in kept]


def _leader(start: Pair, end: Pair) -> str:
    path = f"M {start[0]:.1f} {start[1]:.1f} L {end[0]:.1f} {end[1]:.1f}"
    halo = shape("path", d=path, fill="none", stroke="paper", stroke_width=2.6, stroke_opacity=0.75)
    line = shape("path", d=path, fill="none", stroke="ink", stroke_width=0.9)
    x, y = start
    return halo + line + shape("circle", cx=x, cy=y, r=2.2, fill="ink", stroke="paper",
                               stroke_width=0.9)  # fmt: skip


def pointer(layer: Layer, name: str) -> Iterable[str]:
    """A line from a mark to its name, written large at the foot of the drawing."""
    assert layer.anchor is not None
    width, height = drawing().size
    middle = width / 2
    yield _leader(layer.anchor, (middle, height - 22))
    yield shape("rect", x=middle - 80, y=height - 24, width=160, height=24, rx=12, fill="ink")
    yield text(middle, height - 7, name, size=15, fill="paper", anchor="middle", bold=True)
