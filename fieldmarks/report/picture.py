"""The photo with its regions outlined and lettered, and the colours read beside their names."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterable, Mapping

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from fieldmarks.colour import lab_to_srgb8
from fieldmarks.photo import Photo
from fieldmarks.quantities import Lab
from fieldmarks.region import Line, Region, centre, letters, vertices

LONGEST = 1800
INK, PAPER = (20, 20, 20), (255, 255, 255)
ROW = 44


def annotate(
    photo: Photo,
    regions: Iterable[Region],
    names: Mapping[str, str],
    colours: Mapping[str, Lab] | None = None,
    longest: int = LONGEST,
) -> Image.Image:
    """Draw regions on a reduced copy of the photo, with a key below it.

    Parameters
    ----------
    photo : Photo
    regions : iterable of Region
    names : mapping of mark -> plain name
    colours : mapping of mark -> CIELAB, optional
        Colours read, shown as patches in the key.
    longest : int
        Longest side of the picture part, pixels.

    Returns
    -------
    PIL image, sRGB. Each region has its own letter; cards and scales are dashed. Nothing is told by
    colour alone.
    """
    drawn = list(regions)
    named = letters(drawn)
    picture = photo.preview(longest)
    scale = picture.width / photo.width
    pen = ImageDraw.Draw(picture)
    size = max(16, picture.width // 55)
    font = ImageFont.load_default(size)
    for region in drawn:
        points = vertices(region.shape) * scale
        dashed = region.mark in ("card", "scale", "body_length")
        _outline(pen, points, closed=not isinstance(region.shape, Line), dashed=dashed)
    for region in drawn:
        x, y = (v * scale for v in centre(region.shape))
        _label(pen, x, y, named[region.id], font)
    return _with_key(picture, drawn, named, names, colours or {})


def _outline(pen: ImageDraw.ImageDraw, points: np.ndarray, closed: bool, dashed: bool) -> None:
    """Black line on a wider white one: seen on any feather."""
    path = np.vstack([points, points[:1]]) if closed else points
    for colour, width in ((PAPER, 6), (INK, 2)):
        if not (dashed and colour == INK):
            pen.line([tuple(p) for p in path], fill=colour, width=width, joint="curve")
            continue
        for start, end in itertools.pairwise(path):
            length = float(np.hypot(*(end - start)))
            steps = np.arange(0, length, 18)
            for at in steps:
                a = start + (end - start) * at / length
                b = start + (end - start) * min(at + 10, length) / length
                pen.line([tuple(a), tuple(b)], fill=colour, width=width)


def _label(
    pen: ImageDraw.ImageDraw,
    x: float,
    y: float,
    text: str,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:
    left, top, right, bottom = pen.textbbox((x, y), text, font=font, anchor="mm")
    pen.rectangle((left - 5, top - 4, right + 5, bottom + 4), fill=INK, outline=PAPER, width=2)
    pen.text((x, y), text, font=font, fill=PAPER, anchor="mm")


def _with_key(
    picture: Image.Image,
    drawn: list[Region],
    named: Mapping[str, str],
    names: Mapping[str, str],
    colours: Mapping[str, Lab],
) -> Image.Image:
    columns = max(1, picture.width // 420)
    rows = -(-len(drawn) // columns)
    sheet = Image.new("RGB", (picture.width, picture.height + rows * ROW + 20), PAPER)
    sheet.paste(picture, (0, 0))
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(24)
    for number, region in enumerate(drawn):
        column, row = divmod(number, rows)
        x = 12 + column * (picture.width // columns)
        y = picture.height + 10 + row * ROW
        pen.text((x, y + 8), f"{named[region.id]}", font=font, fill=INK)
        if region.mark in colours:
            fill = tuple(int(v) for v in lab_to_srgb8(np.array(colours[region.mark])))
            pen.rectangle((x + 48, y + 6, x + 92, y + 36), fill=fill, outline=INK)
        pen.text((x + 104, y + 8), names.get(region.mark, region.mark), font=font, fill=INK)
    return sheet


def to_jpeg(picture: Image.Image, quality: int = 88) -> bytes:
    """JPEG bytes of a picture, without any metadata of the photo (no place, no camera)."""
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()
