"""Repeats: several photos of one bird read together.

What differs from photo to photo (light, pose, grain) averages out and shows as scatter; what the
photos share (the phone's rendering, the card's own tolerance) does not. A photo that disagrees with
the others by more than its doubt is named, not dropped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import (
    Budget,
    Lab,
    Population,
    Reading,
    UncertaintyPart,
    axes_at,
    triple,
)

SHARED = ("camera", "veiling glare", "card", "no card")  # the same phone and card in every photo
LEAST_APART = 3.0  # CIEDE2000; smaller disagreements are not worth a word


@dataclass(frozen=True)
class Repeat:
    """One mark read from several photos.

    Parameters
    ----------
    reading : Reading
        Mean colour, with a budget that holds the scatter between the photos.
    scatter : float
        Mean CIEDE2000 of the photos to their mean.
    disagree : tuple of str
        Photos that lie apart from the others by more than both doubts (95 %) explain.
    note : str
        One sentence for the report.
    """

    mark: str
    photos: tuple[str, ...]
    reading: Reading
    scatter: float
    disagree: tuple[str, ...]
    note: str


def combine(mark: str, read: Sequence[tuple[str, Reading]]) -> Repeat:
    """Combine readings of one mark from different photos of the same bird.

    Parameters
    ----------
    read : sequence of (photo name, Reading)
        At least one; calibrated ones are used alone when there are any.

    Raises
    ------
    ValueError
        ``read`` is empty.
    """
    if not read:
        raise ValueError("no readings to combine")
    calibrated = [(name, r) for name, r in read if r.calibrated]
    used = calibrated or list(read)
    names = tuple(name for name, _ in used)
    readings = [r for _, r in used]
    labs = np.array([r.lab for r in readings])
    mean = labs.mean(axis=0)
    lab = triple(mean)
    off = difference(labs, mean)
    disagree = _disagree(used)
    budget = _budget(readings, labs, lab)
    note = f"{len(used)} photos, scatter {off.mean():.1f} CIEDE2000 round their mean."
    if disagree:
        note += f" Apart from the others: {', '.join(disagree)}. Look at its light and its regions."
    first = max(readings, key=lambda r: r.pixels.used)
    reading = replace(
        first,
        mark=mark,
        regions=tuple(f"{name}: {i}" for name, r in used for i in r.regions),
        lab=lab,
        populations=(Population(lab, 1.0),),  # those of one photo say nothing of the mean
        budget=budget,
        looks=sum(r.looks for r in readings),
        warnings=(note,),
    )
    return Repeat(mark, names, reading, float(off.mean()), disagree, note)


def _budget(readings: Sequence[Reading], labs: np.ndarray, lab: Lab) -> Budget:
    """Shared parts stay as they are on average; the others shrink; the scatter comes on top.

    The scatter's factor is Student's t over its normal value (JCGM 100:2008, G.3), as few photos
    tell little about their own scatter.
    """
    count = len(readings)
    parts = []
    for name in dict.fromkeys(p.name for r in readings for p in r.budget.parts):
        same = [p for r in readings for p in r.budget.parts if p.name == name]
        table = np.array([(p.lightness, p.chroma, p.hue) for p in same])
        joint = np.sqrt((table**2).sum(axis=0) / count)
        if name not in SHARED:
            joint = joint / math.sqrt(count)
        parts.append(UncertaintyPart(name, *triple(joint), same[0].source))
    if count > 1:
        turned = (labs - np.asarray(lab)) @ axes_at(lab)
        student = float(stdtrit(count - 1, 0.975)) / 1.96
        error = student * np.sqrt((turned**2).sum(axis=0) / (count - 1) / count)
        source = f"scatter of {count} photos of the same bird"
        parts.append(UncertaintyPart("photos", *triple(error), source))
    return Budget(tuple(parts))


def _disagree(used: Sequence[tuple[str, Reading]]) -> tuple[str, ...]:
    """Photos apart from the median of the others; both of two when they disagree."""
    names = []
    for index, (name, reading) in enumerate(used):
        others = [r for k, (_, r) in enumerate(used) if k != index]
        if not others:
            break
        middle = np.median([r.lab for r in others], axis=0)
        apart = float(difference(reading.lab, middle))
        doubt = [_own(r) for r in others]
        allowed = math.hypot(_own(reading), float(np.mean(doubt)) / math.sqrt(len(others)))
        if apart > max(allowed, LEAST_APART):
            names.append(name)
    # With the odd one in their midst the others may look apart as well: name the worst alone.
    if len(used) > 2 and len(names) > 1:
        labs = np.array([r.lab for _, r in used])
        middle = np.median(labs, axis=0)
        far = difference(labs, middle)
        names = [used[int(far.argmax())][0]]
    return tuple(names)


def _own(reading: Reading) -> float:
    """Expanded uncertainty (95 %) of what differs from photo to photo."""
    own = tuple(p for p in reading.budget.parts if p.name not in SHARED)
    return Budget(own).expanded(reading.lab)
