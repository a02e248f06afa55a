"""Small drawings of a record as SVG: bars, swatches and colour shares.

Each is valid XML on its own, has a title and a description for screen readers, tells nothing by
colour alone, and takes its own colours from CSS variables
(:func:`fieldmarks.report.theme.theme_css`).
"""

import math
from collections.abc import Iterable, Sequence

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.quantities import Lab, Population
from fieldmarks.report.svg import (
    Look,
    hexadecimal,
    ink_on,
    number,
    shape,
    short,
    shown_truly,
    svg,
    text,
)
from fieldmarks.rules.plumage import range_words

Span = tuple[float | None, float | None]

WIDTH = 320.0
# Shape, stroke inside it and tone: the shape alone tells the statuses apart.
ROUND = "M 10 1.5 C 14.7 1.5 18.5 5.3 18.5 10 C 18.5 14.7 14.7 18.5 10 18.5 C 5.3 18.5 1.5 14.7 1.5 10 C 1.5 5.3 5.3 1.5 10 1.5 Z"  # noqa: E501
DIAMOND = "M 10 0.8 L 19.2 10 L 10 19.2 L 0.8 10 Z"
SQUARE = "M 2 2 L 18 2 L 18 18 L 2 18 Z"
TICK = "M 5.6 10.4 L 8.8 13.6 L 14.6 6.8"
CROSS = "M 6 6 L 14 14 M 14 6 L 6 14"
DASH = "M 6 10 L 14 10"
WAVE = "M 5.4 11.2 C 7 7.6 8.9 8.2 10 10 C 11.1 11.8 13 12.4 14.6 8.8"
CALL = "M 10 5 L 10 11 M 10 14.4 L 10 14.6"
ICONS: dict[str, tuple[str, str, str]] = {
    Status.FITS: (ROUND, TICK, "good"),
    Status.PROBABLY_FITS: (DIAMOND, TICK, "good"),
    Status.TOO_CLOSE: (DIAMOND, WAVE, "doubt"),
    Status.DOES_NOT_FIT: (SQUARE, CROSS, "bad"),
    Status.NOT_READ: (ROUND, "", "soft"),
    SignStatus.NOT_LOOKED_AT: (ROUND, "", "soft"),
    SignStatus.SEEN: (SQUARE, CALL, "bad"),
    SignStatus.LOOK_AGAIN: (DIAMOND, WAVE, "doubt"),
    SignStatus.DOUBTFUL: (ROUND, DASH, "doubt"),
    SignStatus.NOT_SEEN: (ROUND, TICK, "good"),
}
OTHER = (ROUND, DASH, "soft")


def lab_text(lab: Lab) -> str:
    """L*, a* and b* in words, to whole units."""
    return f"L* {number(lab[0])}, a* {number(lab[1])}, b* {number(lab[2])}"


def status_icon(status: str, size: float = 20) -> str:
    """A status as a small picture: every status has its own shape, not only its own colour."""
    turned = f'<g transform="scale({size / 20:g})">{icon_parts(status)}</g>'
    return svg(
        size, size, [turned], title=status, description=f"Sign for: {status}", css_class="fm-icon"
    )


def icon_parts(status: str) -> str:
    """The elements of a status icon, 20 units square."""
    outline, stroke, tone = ICONS.get(status, OTHER)
    ink = "soft" if tone == "soft" else "paper"
    if tone == "soft":
        drawn = shape("path", d=outline, fill="none", stroke="soft", stroke_width=1.5)
    else:
        drawn = shape("path", d=outline, fill=tone)
    line: Look = {"fill": "none", "stroke": ink, "stroke_width": 2.2, "stroke_linecap": "round"}
    return drawn + shape("path", d=stroke, **line) if stroke else drawn


def scale_end(values: Iterable[float]) -> float:
    """A round end for a scale, at least a twentieth beyond all values."""
    top = 1.05 * max((abs(v) for v in values), default=0.0) or 1.0
    power = 10.0 ** math.floor(math.log10(top))
    return next(power * f for f in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10) if power * f >= top)


def distance_bar(finding: Finding, span: Span = (None, None)) -> str:
    """One finding as a bar: where it lies, how sure that is, and where the limit is.

    For a mark the bar runs from 0 to the distance scale (CIEDE2000 from the nearest expected
    swatch) and the limit is that swatch's tolerance. For a relation it runs over the relation's own
    values and the limits are the ends of ``span``, None for an open one. Without a value only the
    status is written.
    """
    status, value = finding.status, finding.value
    tone = ICONS.get(status, OTHER)[2]
    head = f"{finding.name}: {status.value}"
    body = [f'<g transform="translate(2 2)">{icon_parts(status)}</g>']
    body.append(text(28, 17, status.value, size=14, fill=tone, bold=True))
    if value is None:
        return svg(WIDTH, 24, body, title=head, description=finding.reason)
    low, high = finding.interval or (value, value)
    least, most = span if finding.tolerance is None else (None, finding.tolerance)
    limits = [v for v in (least, most) if v is not None]
    first = min(0.0, value, *limits)
    if first == 0:  # a width or a distance: only the measuring error reaches below nothing
        low = max(low, 0.0)
    first = min(first, low)
    last = scale_end([high, value, *limits])
    if first < 0:
        first = -scale_end([first])
    x0, x1 = 8.0, WIDTH - 8

    def place(value: float) -> float:
        return x0 + (value - first) / (last - first) * (x1 - x0)

    def stretch(start: float, end: float, y: int, height: int, **look: str | float) -> str:
        return shape("rect", x=start, y=y, width=end - start, height=height, **look)

    words = short(value)
    if finding.tolerance is not None:
        words += f" away, limit {finding.tolerance:g}"
    elif limits:
        words += f", {'expected ' if len(limits) == 2 else ''}{range_words(least, most)}"
    fitting = place(first if least is None else least), place(last if most is None else most)
    sure = place(low), max(place(high), place(low) + 1)
    at = place(value)
    arrow = f"M {at:.1f} 28 L {at:.1f} 43 M {at - 4:.1f} 24.5 L {at + 4:.1f} 24.5 L {at:.1f} 30 Z"
    body += [
        text(WIDTH - 2, 17, words, size=12, fill="soft", anchor="end"),
        stretch(x0, x1, 30, 12, rx=2, fill="panel", stroke="line", stroke_width=1),
        stretch(*fitting, 39, 3, fill="good"),
        stretch(*sure, 32, 7, fill="band", stroke="line", stroke_width=0.8),
    ]
    for limit in limits:
        x = place(limit)
        dashed: Look = {"stroke": "good", "stroke_width": 2, "stroke_dasharray": "4 2"}
        body.append(shape("path", d=f"M {x:.1f} 26 L {x:.1f} 46", **dashed))
        body.append(text(x, 57, f"{limit:g}", size=11, fill="good", anchor="middle"))
    body.append(shape("path", d=arrow, fill="ink", stroke="ink", stroke_width=2.4))
    for end, x, anchor in ((first, x0, "start"), (last, x1, "end")):
        if all(abs(place(limit) - x) > 24 for limit in limits):
            body.append(text(x, 57, f"{end:g}", size=11, fill="soft", anchor=anchor))
    said = f"{words}."
    if finding.interval:
        said += " Most likely between {} and {}.".format(*map(short, finding.interval))
    if finding.held is not None:
        said += f" That it fits is {finding.held:.0%} likely."
    return svg(WIDTH, 60, body, title=head, description=said)


def swatch_pair(read_lab: Lab, expected_lab: Lab, names: tuple[str, str]) -> str:
    """The colour read beside the colour expected, touching, each with its name and numbers."""
    half = WIDTH / 2
    body, said, height = [], [], 74
    both = zip((read_lab, expected_lab), names, ("read", "expected"), strict=True)
    for place, (lab, name, word) in enumerate(both):
        code, x = hexadecimal(lab), place * half
        edge: Look = {"fill": code, "stroke": "line", "stroke_width": 1}
        body.append(shape("rect", x=x + 0.5 - place, y=0.5, width=half, height=40, **edge))
        body.append(
            f'<text x="{x + 8:.1f}" y="25" style="fill:{ink_on(code)};font-family:sans-serif;'
            f'font-size:13px;font-weight:600">{word}</text>'
        )
        fitted = name if len(name) <= 24 else f"{name[:23]}\u2026"
        body.append(text(x + 2, 55, fitted, size=12, bold=True))
        body.append(text(x + 2, 70, lab_text(lab), size=12, fill="soft"))
        said.append(f"{word}: {name}, {lab_text(lab)}")
        if not shown_truly(lab):
            note, height = "(too vivid for a screen)", 88
            body.append(text(x + 2, 84, note, size=11, fill="soft"))
            said[-1] += f" {note}"
    title = f"{names[0]}: read and expected"
    return svg(WIDTH, height, body, title=title, description="; ".join(said))


def share_text(fraction: float) -> str:
    """A share as whole per cent; one that would be written as nothing is "under 1%"."""
    return f"{fraction:.0%}" if fraction >= 0.01 or fraction == 0 else "under 1%"


def likely_text(probability: float) -> str:
    """A probability as whole per cent, never as none and never as certain."""
    if probability < 0.01:
        return "under 1%"
    return "over 99%" if probability > 0.99 else f"{probability:.0%}"


def strip(populations: Sequence[Population]) -> str:
    """The colours found in one outline as a bar, each as wide as its share, with a list below."""
    total = sum(p.fraction for p in populations) or 1.0
    body, lines, x = [], [], 0.5
    for place, population in enumerate(populations):
        width = (WIDTH - 1) * population.fraction / total
        code, share = hexadecimal(population.lab), share_text(population.fraction)
        edge: Look = {"fill": code, "stroke": "line", "stroke_width": 1}
        left, wide = f"{x:.2f}", f"{width:.2f}"
        body.append(shape("rect", x=left, y=0.5, width=wide, height=26, **edge))
        if width > 40:
            body.append(
                f'<text x="{x + width / 2:.1f}" y="18" text-anchor="middle" '
                f'style="fill:{ink_on(code)};font-family:sans-serif;font-size:12px">{share}</text>'
            )
        y = 44 + 17 * place
        lines.append(f"{share}: {lab_text(population.lab)}")
        body.append(shape("rect", x=2, y=y - 10, width=11, height=11, **edge))
        body.append(text(20, y, lines[-1], size=12))
        x += width
    count = len(populations)
    what = "One colour" if count == 1 else f"{count} colours"
    return svg(WIDTH, 32 + 17 * count, body, title=f"{what} found", description="; ".join(lines))
