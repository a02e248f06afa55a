"""Small building blocks for drawings: safe text, theme colours, accessible SVG.

Colours are CSS variables with a fallback for light mode, so that one drawing serves a page, an app
and a printout; :func:`~fieldmarks.report.theme.theme_css` sets the variables for light and dark.
"""

import html
import re
import zlib
from collections.abc import Iterable

import numpy as np

from fieldmarks._util.sanitize import LONGEST_TEXT, plain
from fieldmarks.measure.colour import decode_srgb, lab_to_linear, lab_to_srgb8
from fieldmarks.measure.quantities import Lab
from fieldmarks.report.theme import LIGHT

LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear red, green and blue (WCAG 2.2)
# What of a shape is not its style.
PLACING = {"x", "y", "width", "height", "rx", "cx", "cy", "r", "x1", "y1", "x2", "y2", "d",
           "clip_path", "opacity"}  # fmt: skip
Look = dict[str, str | float]  # properties of a shape
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"


def number(value: float, places: int = 0) -> str:
    """A number with so many decimal places, and no minus sign before a zero."""
    return f"{round(value, places) + 0.0:.{places}f}"


def short(value: float) -> str:
    """A number with two decimal places below 1, one below 100, and none above."""
    return number(value, 2 if abs(value) < 1 else 1 if abs(value) < 100 else 0)


def escape(text: object, longest: int = LONGEST_TEXT) -> str:
    """Text for HTML and XML: harmless (see :func:`plain`) and escaped."""
    return html.escape(plain(text, longest), quote=True)


def hexadecimal(lab: Lab) -> str:
    """A CIELAB colour (D65) as ``#rrggbb`` sRGB, clipped to what a screen can show."""
    return "#" + "".join(f"{int(v):02x}" for v in lab_to_srgb8(lab))


def shown_truly(lab: Lab) -> bool:
    """Whether an sRGB screen can show a CIELAB colour (to half a code value)."""
    linear = np.asarray(lab_to_linear(lab))
    return bool((linear > -0.002).all() and (linear < 1.002).all())


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two ``#rrggbb`` colours, 1 to 21 (WCAG 2.2)."""
    codes = np.array([list(bytes.fromhex(code[1:])) for code in (one, other)])
    low, high = sorted(decode_srgb(codes / 255) @ LUMINANCE)
    return float((high + 0.05) / (low + 0.05))


def ink_on(code: str) -> str:
    """Black or white, whichever reads better on a colour."""
    return max(("#000000", "#ffffff"), key=lambda ink: contrast(ink, code))


def style(**properties: str | float) -> str:
    """A ``style`` attribute; theme colours are looked up, underscores become hyphens."""
    themed = {
        key: f"var(--fm-{value}, {LIGHT[value]})" if value in LIGHT else value
        for key, value in properties.items()
    }
    rules = (f"{key.replace('_', '-')}:{value}" for key, value in themed.items())
    return f'style="{";".join(rules)}"'


def shape(kind: str, **properties: str | float) -> str:
    """An element: where it lies as attributes, to a tenth of a unit, and its look as a style."""
    look = {key: value for key, value in properties.items() if key not in PLACING}
    where = "".join(
        f' {key.replace("_", "-")}="{f"{value:.1f}" if isinstance(value, float) else value}"'
        for key, value in properties.items()
        if key in PLACING
    )
    return f"<{kind}{where} {style(**look)}/>" if look else f"<{kind}{where}/>"


def text(
    x: float,
    y: float,
    content: object,
    *,
    size: float = 12,
    fill: str = "ink",
    anchor: str = "start",
    bold: bool = False,
) -> str:
    """A line of text; ``content`` is escaped here."""
    weight = "600" if bold else "400"
    look = style(fill=fill, font_family=FONT, font_size=f"{size:g}px", font_weight=weight)
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {look}>{escape(content)}</text>'


def unique(*parts: object) -> str:
    """A short id that is the same for the same parts, so that drawings on one page do not clash."""
    return f"fm{zlib.crc32(repr(parts).encode('utf-8', 'replace')):08x}"


def svg(
    width: float,
    height: float,
    body: Iterable[str],
    *,
    title: str,
    description: str,
    key: str = "",
    css_class: str = "fm-drawing",
) -> str:
    """A standalone SVG with a title and a description for screen readers, both escaped here.

    It scales to the width it is given. Its ids begin with ``key``; if empty it comes from the
    content.
    """
    content = "".join(body)
    key = key or unique(title, description, content)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{css_class}" role="img" '
        f'viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'aria-labelledby="{key}t {key}d" style="max-width:100%;height:auto">'
        f'<title id="{key}t">{escape(title)}</title>'
        f'<desc id="{key}d">{escape(description, 2000)}</desc>{content}</svg>'
    )


def renamed(drawing: str, prefix: str) -> str:
    """A drawing with its own ids: needed where one page shows the same drawing twice."""
    return re.sub(r"\bfm[0-9a-f]{8}", prefix, drawing)
