"""The swatch sheet: every reference swatch as a picture, with its numbers printed under it.

Run: python benchmarks/swatch_sheet.py        (after a swatch was added or changed)
"""

import json
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from fieldmarks.measure.colour import lab_to_linear, lab_to_srgb8
from fieldmarks.rules import swatches
from fieldmarks.rules.load import load_rules
from fieldmarks.rules.swatches import READY_FILE, convert_munsell, swatch_folder
from fieldmarks.rules.tables import Tables

COLUMNS = 6
CELL, PATCH, GAP, HEAD = (250, 232), 130, 14, 92
PAPER, INK, SOFT = (250, 250, 248), (25, 25, 25), (90, 90, 90)
SHEET_FILE = "swatch_sheet.png"
LEFT_OUT = 1e-3  # linear light beyond 0..1 that a screen cannot show


def render_sheet(tables: Tables, path: str | Path) -> None:
    """Draw all swatches as a PNG.

    Under each patch: name, Munsell notation, L*a*b* (D65, 2 degrees) and tolerance. A patch whose
    colour lies outside sRGB is marked with an asterisk and shows the nearest colour a screen has.
    """
    rows = -(-len(tables.swatches) // COLUMNS)
    width, height = CELL[0] * COLUMNS + GAP, CELL[1] * rows + HEAD + GAP
    sheet = Image.new("RGB", (width, height), PAPER)
    draw = ImageDraw.Draw(sheet)
    title, name, small = (ImageFont.load_default(size) for size in (26, 19, 16))
    draw.text((GAP, GAP), f"Reference swatches, edition {tables.version}", INK, title)
    note = (
        "Munsell renotation, L*a*b* for D65 and 2 degrees, tolerance in CIEDE2000. "
        "* outside sRGB: the nearest screen colour is shown."
    )
    draw.text((GAP, GAP + 38), note, SOFT, small)
    for number, (key, swatch) in enumerate(tables.swatches.items()):
        x = GAP + number % COLUMNS * CELL[0]
        y = HEAD + number // COLUMNS * CELL[1]
        lab = tables.lab[key]
        red, green, blue = (int(v) for v in lab_to_srgb8(lab))
        box = (x, y, x + CELL[0] - GAP, y + PATCH)
        draw.rectangle(box, fill=(red, green, blue), outline=SOFT)
        linear = lab_to_linear(lab)
        outside = bool(np.any((linear < -LEFT_OUT) | (linear > 1 + LEFT_OUT)))
        draw.text((x, y + PATCH + 6), swatch.name + (" *" if outside else ""), INK, name)
        notation = swatch.munsell or "learned"
        draw.text((x, y + PATCH + 32), f"{notation}   within {swatch.tolerance:g}", SOFT, small)
        numbers = "L* {:.1f}  a* {:.1f}  b* {:.1f}".format(*lab)
        draw.text((x, y + PATCH + 54), numbers, SOFT, small)
    sheet.save(path, optimize=True)


def main() -> None:
    """Convert the Munsell notations of all shipped swatches afresh, and draw the sheet anew."""
    tables = load_rules()
    notations = sorted({s.munsell for s in tables.swatches.values() if s.munsell})
    lines = [f" {json.dumps(one)}: {json.dumps(convert_munsell(one))}" for one in notations]
    ready = swatch_folder() / READY_FILE
    ready.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    swatches._ready.cache_clear()
    swatches.munsell_to_lab.cache_clear()
    sheet = swatch_folder() / SHEET_FILE
    render_sheet(load_rules(), sheet)
    print(f"{len(tables.swatches)} swatches: {sheet.name} and the ready file are up to date.")


if __name__ == "__main__":
    main()
