"""Swatch colours against published tables, and the files made from them."""

import importlib.util
import json
import shutil

import colour
import numpy as np
import pytest
import swatch_sheet
from colour.adaptation import chromatic_adaptation_VonKries
from PIL import Image
from swatch_sheet import render_sheet

from fieldmarks._util.errors import TableError
from fieldmarks.measure.colour import difference
from fieldmarks.rules import load_rules, swatches

TABLES = load_rules()
NOTATIONS = sorted({s.munsell for s in TABLES.swatches.values() if s.munsell})
WHITES = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]

# Luminous reflectance Y in % of magnesium oxide for Munsell value 1 to 9, and the 0.975 that leads
# to the perfect diffuser: Newhall, Nickerson & Judd 1943, table II; ASTM D1535 (from memory).
PUBLISHED_Y = {
    1: 1.210,
    2: 3.126,
    3: 6.555,
    4: 12.00,
    5: 19.77,
    6: 30.05,
    7: 43.06,
    8: 59.10,
    9: 78.66,
}
OXIDE = 0.975

# Munsell notations of the 24 patches of the chart published by McCamy, Marcus & Davidson 1976
# (from memory). Their published xyY, illuminant C, come with colour-science.
CHART = {
    "dark skin": "3YR 3.7/3.2",
    "light skin": "2.2YR 6.47/4.1",
    "blue sky": "4.3PB 4.95/5.5",
    "foliage": "6.7GY 4.2/4.1",
    "blue flower": "9.7PB 5.47/6.7",
    "bluish green": "2.5BG 7/6",
    "orange": "5YR 6/11",
    "purplish blue": "7.5PB 4/10.7",
    "moderate red": "2.5R 5/10",
    "purple": "5P 3/7",
    "yellow green": "5GY 7.1/9.1",
    "orange yellow": "10YR 7/10.5",
    "blue": "7.5PB 2.9/12.7",
    "green": "0.25G 5.4/8.65",
    "red": "5R 4/12",
    "yellow": "5Y 8/11.1",
    "magenta": "2.5RP 5/12",
    "cyan": "5B 5/8",
    "white 9.5 (.05 D)": "N 9.5",
    "neutral 8 (.23 D)": "N 8",
    "neutral 6.5 (.44 D)": "N 6.5",
    "neutral 5 (.70 D)": "N 5",
    "neutral 3.5 (1.05 D)": "N 3.5",
    "black 2 (1.5 D)": "N 2",
}
# Bradford cone responses (Lam 1985), to check the adaptation apart from colour-science.
BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def to_lab(xyY):
    """Illuminant C xyY (Y of magnesium oxide) to CIELAB D65, by hand from the formulae."""
    x, y, luminance = xyY
    luminance = luminance * OXIDE
    xyz = np.array([x * luminance / y, luminance, (1 - x - y) * luminance / y])
    cx, cy = WHITES["C"]
    white_c = np.array([cx / cy, 1, (1 - cx - cy) / cy])
    d65 = np.array([0.95047, 1.0, 1.08883])
    gain = (BRADFORD @ d65) / (BRADFORD @ white_c)
    ratio = np.linalg.inv(BRADFORD) @ (gain * (BRADFORD @ xyz)) / d65
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("name", CHART)
def test_munsell_conversion_meets_the_chart_published_in_1976(name):
    published = colour.CCS_COLOURCHECKERS["ColorChecker 1976"]
    assert published.illuminant == pytest.approx(WHITES["C"], abs=1e-4)
    mine = np.array(swatches.convert_munsell(CHART[name]))
    assert difference(mine, to_lab(published.data[name])) < 0.6


@pytest.mark.parametrize("value", PUBLISHED_Y)
def test_munsell_greys_have_the_published_reflectance(value):
    light, a, b = swatches.convert_munsell(f"N {value}")
    reflectance = ((light + 16) / 116) ** 3 if light > 8 else light / 903.3
    assert 100 * reflectance == pytest.approx(PUBLISHED_Y[value] * OXIDE, rel=0.01)
    assert (a, b) == pytest.approx((0, 0), abs=0.05)


def test_notations_that_are_rows_of_the_renotation_data_are_those_rows():
    """The renotation data of Newhall et al. 1943, as tabulated in colour-science."""
    rows = {
        f"{hue} {value:g}/{chroma:g}": xyY
        for (hue, value, chroma), xyY in colour.MUNSELL_COLOURS["Munsell Colours All"]
    }
    shared = [n for n in NOTATIONS if n in rows]
    assert len(shared) >= 10
    for notation in shared:
        x, y, luminance = rows[notation]
        mine = np.array(swatches.munsell_to_lab(notation))
        assert difference(mine, to_lab((x, y, luminance / 100))) < 0.3, notation


def test_the_adaptation_is_bradford():
    xyz = np.array([0.2, 0.19, 0.1])
    white_c, d65 = (colour.xy_to_XYZ(WHITES[k]) for k in ("C", "D65"))
    gain = (BRADFORD @ d65) / (BRADFORD @ white_c)
    by_hand = np.linalg.inv(BRADFORD) @ (gain * (BRADFORD @ xyz))
    library = chromatic_adaptation_VonKries(xyz, white_c, d65, transform="Bradford")
    assert by_hand == pytest.approx(library, abs=1e-6)


@pytest.mark.parametrize("notation", NOTATIONS)
def test_the_ready_file_equals_a_fresh_conversion(notation):
    assert notation in swatches._ready()
    assert swatches.munsell_to_lab(notation) == pytest.approx(
        swatches.convert_munsell(notation), abs=2e-3
    )


def test_a_notation_missing_from_the_ready_file_is_converted_on_the_fly():
    assert "5R 5/6" not in swatches._ready()
    light, a, b = swatches.munsell_to_lab("5R 5/6")
    assert light == pytest.approx(51, abs=0.5)
    assert a > 20 > b > 5


@pytest.mark.parametrize("wrong", ["5Z 5/5", "yellow", "5Y 8/90", "", "N 20"])
def test_a_wrong_notation_is_named_with_the_mend(wrong):
    with pytest.raises(TableError, match="Munsell") as caught:
        swatches.convert_munsell(wrong)
    assert "5Y 8/12" in caught.value.mend


def test_every_swatch_says_where_it_comes_from_and_how_far_birds_stray():
    for swatch in TABLES.swatches.values():
        assert swatch.source.endswith(".")
        assert 8 <= swatch.tolerance <= 14


def test_the_sheet_shows_each_swatch_in_its_colour(tmp_path):
    path = tmp_path / "sheet.png"
    render_sheet(TABLES, path)
    picture = np.asarray(Image.open(path).convert("RGB")).astype(int)
    shown = {tuple(c) for c in picture[::8, ::8].reshape(-1, 3)}
    for key in ("jet_black", "orange", "mid_green", "greyish_blue"):
        lab = TABLES.lab[key]
        code = colour.XYZ_to_sRGB(colour.Lab_to_XYZ(lab, WHITES["D65"])) * 255
        nearest = min(shown, key=lambda c: max(abs(np.array(c) - code)))
        assert max(abs(np.array(nearest) - code)) < 1.5, key


def test_the_developers_command_makes_ready_file_and_sheet_anew(tmp_path, monkeypatch, capsys):
    shipped = swatches.swatch_folder()
    folder = tmp_path / "swatches"
    folder.mkdir()
    shutil.copy(shipped / "swatches.toml", folder)
    for module in (swatches, swatch_sheet):
        monkeypatch.setattr(module, "swatch_folder", lambda: folder)
    try:
        swatches._ready.cache_clear()
        swatch_sheet.main()
    finally:
        monkeypatch.undo()
        swatches._ready.cache_clear()
    assert "up to date" in capsys.readouterr().out
    ready, before = (json.loads((f / swatches.READY_FILE).read_text()) for f in (folder, shipped))
    assert ready.keys() == before.keys()
    for notation, lab in ready.items():
        assert lab == pytest.approx(before[notation], abs=2e-3), notation
    assert (folder / swatch_sheet.SHEET_FILE).stat().st_size > 10_000


def test_the_shipped_sheet_is_up_to_date(tmp_path):
    path = tmp_path / "sheet.png"
    render_sheet(TABLES, path)
    fresh = np.asarray(Image.open(path))
    shipped = np.asarray(Image.open(swatches.swatch_folder() / "swatch_sheet.png"))
    assert fresh.shape == shipped.shape
    # Patches only: letters may be drawn a little differently by another font library.
    assert (np.abs(fresh.astype(int) - shipped).max(axis=2) > 8).mean() < 0.02


def test_without_the_converter_a_new_notation_is_refused_and_shipped_ones_still_serve(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(TableError, match="pip install colour-science"):
        swatches.munsell_to_lab("7.5PB 4/9")
    assert swatches.munsell_to_lab("N 3") == TABLES.lab["dull_black"]
