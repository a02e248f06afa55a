"""A drawing of one mark over the moults, with its uncertainty; and photos in the same light."""

import io
from collections.abc import Sequence

import numpy as np
from PIL import Image

from fieldmarks.birds.moult import SCALES, Quantity, TimePoint
from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.colour import decode_srgb, encode_srgb
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import COVERAGE_FACTOR
from fieldmarks.report.svg import hexadecimal, style, svg, text

WIDTH, HEIGHT = 460, 190
LEFT, RIGHT, TOP, BOTTOM = 52, 18, 30, 36
APART = 16  # between two looks of one day


def timeline_svg(line: Sequence[TimePoint], quantity: Quantity, name: str) -> str:
    """One quantity of one mark over time; bars reach k = 2.

    Args:
        line: In order.
        name: The mark in plain words.
    """
    what, high, factor, unit = SCALES[quantity]
    days = [spot.day.toordinal() for spot in line]
    span = max(days[-1] - days[0], 1)
    inner = WIDTH - LEFT - RIGHT - 40

    def across(day: int) -> float:
        return LEFT + 20 + inner * (day - days[0]) / span

    def up(value: float) -> float:
        share = min(max(value, 0), high) / high
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    body = [text(LEFT, 16, f"{name}: {what}", bold=True)]
    for at in (0, high / 2, high):
        y = up(at)
        label = f"{at:.0%}" if high == 1 else f"{at:.0f}"
        body.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" {style(stroke="band")}/>')
        body.append(text(LEFT - 6, y + 4, label, size=11, fill="soft", anchor="end"))
    said = []
    for day, stage in dict.fromkeys((spot.day, spot.stage) for spot in line):
        x = across(day.toordinal())
        body.append(text(x, HEIGHT - 18, day.isoformat(), size=10, fill="soft", anchor="middle"))
        body.append(text(x, HEIGHT - 5, stage, size=9, fill="soft", anchor="middle"))
    for number, spot in enumerate(line):
        measured = spot.measured(quantity)
        # Looks of one day stand side by side, so that none hides another.
        x = across(spot.day.toordinal()) + APART * (days[:number].count(days[number]))
        x -= APART / 2 * (days.count(days[number]) - 1)
        if measured is None:
            body.append(text(x, up(0) - 8, "too grey", size=10, fill="soft", anchor="middle"))
            said.append(f"{spot.day}: too grey to have a hue")
            continue
        reach = COVERAGE_FACTOR * measured.u
        y0, y1 = up(measured.value - reach), up(measured.value + reach)
        fill = hexadecimal((spot.point.lightness, spot.point.a, spot.point.b))
        line_style = style(stroke="ink", stroke_width=1.5)
        left = x - 5
        bar = f"M{x:.1f} {y0:.1f}V{y1:.1f}M{left:.1f} {y0:.1f}h10M{left:.1f} {y1:.1f}h10"
        body.append(f'<path d="{bar}" fill="none" {line_style}/>')
        y = up(measured.value)
        body.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{fill}" {line_style}/>')
        said.append(
            f"{spot.day}, {spot.stage}: {measured.value * factor:.0f} plus or minus "
            f"{reach * factor:.0f}{unit}"
        )
    return svg(
        WIDTH, HEIGHT, body, title=f"{name}, {what} over time",
        description="; ".join(said), key=f"tl{line[0].point.mark}{quantity[0].lower()}",
    )  # fmt: skip


def in_neutral_light(photo: Photo, calibration: Calibration, longest: int = 500) -> bytes:
    """A small JPEG of a photo with the card's gains taken out, for looking at only.

    Args:
        longest: Longest side in pixels.
    """
    small = np.asarray(photo.preview(longest))
    rows, columns = small.shape[:2]
    scale = photo.width / columns
    x, y = np.meshgrid(np.arange(columns) * scale, np.arange(rows) * scale)
    true = calibration.apply(decode_srgb(small / 255), x, y)
    out = io.BytesIO()
    pixels = np.round(encode_srgb(np.clip(true, 0, 1)) * 255).astype(np.uint8)
    Image.fromarray(pixels).save(out, "JPEG", quality=85)
    return out.getvalue()
