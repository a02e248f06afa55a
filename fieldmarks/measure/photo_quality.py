"""Fitness: whether a photo can carry a colour reading, told from its file and from its pixels.

The file says how strongly it was compressed, whether a program edited it, and whether the phone
blended exposures. The pixels say whether the marked places are sharp and well exposed. Every fault
comes with one plain sentence on what to do.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import ExifTags, Image

from fieldmarks.measure.photo import Photo, xmp_packet
from fieldmarks.measure.region import Region, area, window

# Mean of table K.1 of ITU-T T.81 (JPEG), row by row: what a quality of 50 divides luminance by.
_T81_LUMINANCE = np.array(
    [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55,
     14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
     18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
     49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99]
)  # fmt: skip
POOR_QUALITY = 70  # below this, blocks of 8 x 8 pixels show and pale tints vanish (our trials)
BLURRED = 0.55  # of the blur measure below; ordinary sharp plumage gives 0.2 to 0.45
LONGEST = 400  # pixels of a region's window that are looked at
PLAIN = ("card", "chart_patch")
DARK, BRIGHT = 0.02, 0.85  # mean linear light beyond which a region is badly exposed
# Words that stand in the software field when a picture was edited rather than taken (general kinds
# of program only; a phone writes its system's version there).
_EDITING = re.compile("edit|paint|photo|retouch|filter|beaut|lab|studio|light|snap")
HDR_XMP = (b"hdrgainmap", b"hdrgm:", b"gainmap")


@dataclass(frozen=True)
class FileFacts:
    """What a file says about its own making.

    Args:
        quality: JPEG quality 1..100 on the scale of ITU-T T.81's example tables; None for other
            formats.
        hdr: The file carries a gain map, or says that exposures were blended.
        edited_by: Software that seems to have edited the picture, or empty.
        named_profile: The file says what its colours mean.
        from_camera: It still carries the exposure data a camera writes.
    """

    quality: int | None
    hdr: bool
    edited_by: str
    named_profile: bool
    from_camera: bool


@dataclass(frozen=True)
class RegionFitness:
    """How fit one region is: blur 0 (sharp) to 1 (smeared), mean light 0..1, share clipped."""

    region: str
    blur: float
    light: float
    clipped: float
    advice: tuple[str, ...]


@dataclass(frozen=True)
class Fitness:
    """Fitness of a photo: facts of the file, of each region, and what to do better."""

    file: FileFacts
    regions: tuple[RegionFitness, ...]
    advice: tuple[str, ...]


def file_facts(photo: Photo) -> FileFacts:
    """Read what the file says; an opened photo keeps its header."""
    image = photo.header
    exif: Any = image.getexif() if image is not None else {}
    detail = exif.get_ifd(ExifTags.IFD.Exif) if image is not None else {}
    xmp = xmp_packet(image) if image is not None else b""
    # CustomRendered (EXIF 2.32, tag A401): above 1, makers note blended exposures there.
    # A damaged file may hold several numbers there, or none.
    rendered = detail.get(0xA401)
    blended = isinstance(rendered, int) and rendered > 1
    software = photo.facts.software
    edited = (
        _EDITING.search(software.lower()) and software.lower() not in photo.facts.camera.lower()
    )
    named = photo.facts.colour_profile != "sRGB (assumed)" or detail.get(0xA001) in (1, 2)
    return FileFacts(
        quality=_quality(image),
        hdr=blended or any(word in xmp.lower() for word in HDR_XMP),
        edited_by=software if edited else "",
        named_profile=named,
        # ExposureTime, FNumber or ISO: lost when a picture was sent through a chat or edited.
        from_camera=any(tag in detail for tag in (0x829A, 0x829D, 0x8827)),
    )


def _quality(image: Image.Image | None) -> int | None:
    tables = getattr(image, "quantization", None)
    if not tables:
        return None
    # The encoder of the Independent JPEG Group scales the example table by S per cent.
    scale = 100 * float(np.mean(tables[min(tables)])) / float(_T81_LUMINANCE.mean())
    quality = 5000 / scale if scale > 100 else (200 - scale) / 2
    return int(np.clip(round(quality), 1, 100))


def photo_fitness(photo: Photo, regions: Sequence[Region]) -> Fitness:
    """Judge a photo and its checked regions; lines are passed over."""
    facts = file_facts(photo)
    judged = tuple(_judge(photo, r) for r in regions if area(r.shape) > 0)
    plain = {r.id for r in regions if r.mark in PLAIN}
    blurs = [r.blur for r in judged if r.region not in plain and not math.isnan(r.blur)]
    advice = measuring_advice(facts)
    if not facts.named_profile:
        advice += ("The file does not say what its colours mean; plain sRGB was assumed.",)
    # A smooth part is never sharp; a photo without any sharp part is not.
    if blurs and min(blurs) > BLURRED:
        advice += ("No part marked is sharp. Hold still, focus on the bird, and go closer.",)
    return Fitness(facts, judged, advice)


def measuring_advice(facts: FileFacts) -> tuple[str, ...]:
    """What a keeper can do better next time, from what the file says of the colours in it."""
    out = []
    if facts.quality is not None and facts.quality < POOR_QUALITY:
        out.append(
            f"The photo is strongly compressed (JPEG quality about {facts.quality}). "
            "Use the file from the phone itself, not one sent through a chat."
        )
    if facts.edited_by:
        out.append(
            f"A program has worked on this photo ({facts.edited_by}). "
            "Use the photo as it was taken."
        )
    if facts.hdr:
        out.append(
            "The phone blended several exposures (HDR): brightness then differs from place to "
            "place. Switch HDR off if you can."
        )
    return tuple(out)


def _judge(photo: Photo, region: Region) -> RegionFitness:
    from skimage.measure import blur_effect

    x0, y0, x1, y1 = window(region.shape, photo.width, photo.height)
    cut_x, cut_y = max(x1 - x0 - LONGEST, 0) // 2, max(y1 - y0 - LONGEST, 0) // 2
    codes = photo.codes((x0 + cut_x, y0 + cut_y, x1 - cut_x, y1 - cut_y))
    luma = codes @ np.array([0.2126, 0.7152, 0.0722]) / photo.white
    light = float(photo.profile.to_linear(codes).mean())
    clipped = float((codes.max(axis=-1) >= photo.white - photo.white // 255).mean())
    # Crete et al. 2007: how little a picture changes when it is blurred once more.
    blur = float(blur_effect(luma)) if min(luma.shape) > 12 and np.ptp(luma) > 0 else float("nan")
    advice = []
    if region.mark in PLAIN and light < DARK:  # a black part of the bird may well be
        advice.append("it is very dark. Give more light.")
    if light > BRIGHT or clipped > 0.05:
        advice.append("it is too bright. Lower the exposure.")
    return RegionFitness(region.id, blur, light, clipped, tuple(advice))
