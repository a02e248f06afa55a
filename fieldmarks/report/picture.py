"""The photo with its regions outlined and lettered, and the colours read beside their names."""

import io
import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.measure.colour import lab_to_srgb8
from fieldmarks.measure.location import clean_jpeg
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import Lab
from fieldmarks.measure.region import Line, Region, centre, letters, vertices

LONGEST = 1800
Box = tuple[float, float, float, float]  # left, top, right, bottom
INK, PAPER = (20, 20, 20), (255, 255, 255)
ROW = 44  # of the key, in units of a picture KEY_WIDTH wide
KEY_WIDTH = 1260
LEAST_KEY = 0.45  # below it letters cannot be read


def annotate(
    photo: Photo,
    regions: Iterable[Region],
    names: Mapping[str, str],
    colours: Mapping[str, Lab] | None = None,
    longest: int = LONGEST,
) -> Image.Image:
    """Draw regions on a reduced copy of the photo, with a key below it.

    Args:
        names: Mapping of mark -> plain name.
        colours (mapping of mark -> CIELAB, optional): Colours read, shown as patches in the key.
        longest: Longest side of the picture part, pixels.

    Returns:
        PIL image, sRGB. Each region has its own letter; cards and scales are dashed. Nothing is
        told by colour alone.
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
    taken: list[Box] = []
    # The smallest first: an iris keeps its middle, and the ring round it gives way.
    for region in sorted(drawn, key=lambda r: float(np.prod(np.ptp(vertices(r.shape), axis=0)))):
        corners = vertices(region.shape)
        some = corners[:: max(1, len(corners) // 8)]
        places = np.vstack([centre(region.shape), some]) * scale
        taken.append(_label(pen, places, named[region.id], font, taken))
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
            for at in np.arange(0, length, 18):
                ends = np.array([[at], [min(at + 10, length)]])
                dash = start + (end - start) * ends / length
                pen.line([tuple(p) for p in dash], fill=colour, width=width)


def _label(
    pen: ImageDraw.ImageDraw,
    places: np.ndarray,
    text: str,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
    taken: Sequence[Box],
) -> Box:
    """Write a letter at the first place where it hides no other, else the first; gives its box."""
    boxes = []
    for place in places.tolist():
        left, top, right, bottom = pen.textbbox(place, text, font=font, anchor="mm")
        boxes.append((left - 5, top - 4, right + 5, bottom + 4))
    free = (n for n, box in enumerate(boxes) if not any(_overlap(box, other) for other in taken))
    chosen = next(free, 0)
    pen.rectangle(boxes[chosen], fill=INK, outline=PAPER, width=2)
    pen.text(tuple(places[chosen]), text, font=font, fill=PAPER, anchor="mm")
    return boxes[chosen]


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _with_key(
    picture: Image.Image,
    drawn: list[Region],
    named: Mapping[str, str],
    names: Mapping[str, str],
    colours: Mapping[str, Lab],
) -> Image.Image:
    # Three columns on any photo, as they fit on a sheet of paper; small photos get small letters.
    unit = max(picture.width / KEY_WIDTH, LEAST_KEY)
    columns = max(1, min(3, int(picture.width / (unit * KEY_WIDTH / 3))))
    rows = -(-len(drawn) // columns)
    high = round(ROW * unit)
    sheet = Image.new("RGB", (picture.width, picture.height + rows * high + 20), PAPER)
    sheet.paste(picture, (0, 0))
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(24 * unit)
    for number, region in enumerate(drawn):
        column, row = divmod(number, rows)
        x = 12 + column * (picture.width // columns)
        y = picture.height + 10 + row * high
        pen.text((x, y + 8 * unit), f"{named[region.id]}", font=font, fill=INK)
        if region.mark in colours:
            fill = tuple(int(v) for v in lab_to_srgb8(np.array(colours[region.mark])))
            box = (x + 48 * unit, y + 6 * unit, x + 92 * unit, y + 36 * unit)
            pen.rectangle(box, fill=fill, outline=INK)
        name = names.get(region.mark, region.mark)
        pen.text((x + 104 * unit, y + 8 * unit), name, font=font, fill=INK)
    return sheet


def to_jpeg(picture: Image.Image, quality: int = 88) -> bytes:
    """JPEG bytes of a picture, without any metadata of the photo (no place, no camera)."""
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def without_metadata(jpeg: bytes) -> bytes:
    """A JPEG without anything but the picture: no EXIF, place, comment, maker's data or film.

    The JFIF header, the colour profile and the Adobe colour marker stay (ITU-T T.81, annex B).

    Raises:
        FieldmarksError: It is no JPEG.
    """
    if not jpeg.startswith(b"\xff\xd8\xff"):
        raise FieldmarksError("the picture for the report is no JPEG", mend="Make it again")
    try:
        return clean_jpeg(jpeg)
    except (ValueError, IndexError):
        raise FieldmarksError(
            "the picture for the report is broken", mend="Make it again"
        ) from None
