"""Reference swatches: Munsell notations as CIELAB colours, and the printed swatch sheet.

A notation is converted with the Munsell renotation (Newhall, Nickerson & Judd 1943, as carried by
colour-science), which is given for CIE illuminant C and the 2 degree observer; the colour is
adapted to D65 with the Bradford transform. That library is large and slow to import, so the
swatches in use are kept ready in ``swatches_lab.json``; only a notation missing there is converted
afresh, which needs the extra "swatches".
"""

from __future__ import annotations

import functools
import importlib.util
import json
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from fieldmarks._util.errors import TableError
from fieldmarks._util.resources import shipped

if TYPE_CHECKING:
    from fieldmarks.measure.quantities import Lab

READY_FILE = "swatches_lab.json"


def swatch_folder() -> Path:
    """Folder of the shipped swatches: inside an installed package, or beside it in a checkout."""
    return shipped("reference_swatches")


def convert_munsell(notation: str) -> Lab:
    """Convert a Munsell notation, such as "5Y 8/12" or "N 3", to CIELAB (D65, 2 degrees).

    Raises:
        TableError: The notation cannot be read or lies outside the renotation data, or
            colour-science is not installed.
    """
    if importlib.util.find_spec("colour") is None:
        raise TableError(
            f"the notation {notation!r} is not among those kept ready",
            mend="Give the colour as 'lab', or install the converter: pip install colour-science",
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
        from colour.adaptation import chromatic_adaptation_VonKries

        white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
        # colour-science writes greys as "N3.0" and wants no space in them.
        plain = notation.replace("N ", "N").rstrip("/") if notation.startswith("N") else notation
        try:
            xyz = colour.xyY_to_XYZ(colour.munsell_colour_to_xyY(plain))
            adapted = chromatic_adaptation_VonKries(
                xyz,
                colour.xy_to_XYZ(white["C"]),
                colour.xy_to_XYZ(white["D65"]),
                transform="Bradford",
            )
            lab = colour.XYZ_to_Lab(adapted, white["D65"])
            if not 0 <= lab[0] <= 100:
                raise ValueError(notation)
        except (AssertionError, ValueError, KeyError, RuntimeError, IndexError):
            raise TableError(
                f"{notation!r} is no Munsell notation of the renotation data",
                mend="Write it as hue value/chroma, such as '5Y 8/12', or as 'N 3'",
            ) from None
    light, a, b = (round(float(v), 3) + 0.0 for v in lab)
    return light, a, b


@functools.cache
def _ready() -> Mapping[str, Lab]:
    path = swatch_folder() / READY_FILE
    if not path.is_file():
        return {}
    return {k: tuple(v) for k, v in json.loads(path.read_text(encoding="utf-8")).items()}


@functools.cache
def munsell_to_lab(notation: str) -> Lab:
    """CIELAB (D65, 2 degrees) of a Munsell notation, from the ready file where it holds it."""
    found = _ready().get(notation)
    return found if found is not None else convert_munsell(notation)
