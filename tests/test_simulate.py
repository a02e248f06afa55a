"""The simulator: its spectra, light, camera, phone and demo pictures."""

import io
import json
import tomllib
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from simulator import camera, chart, demo, phone, spectra

import fieldmarks
from fieldmarks.measure.region import check_regions, mask, vertices, window
from fieldmarks.measure.region_file import read_region_file

MARKS = tomllib.loads(
    (Path(fieldmarks.__file__).parent / "data" / "marks.toml").read_text(encoding="utf-8")
)["marks"]
KINDS = {key: row.get("shape", "area") for key, row in MARKS.items()}
DEMO = Path(__file__).parent.parent / "demo_images"
WANTED = (
    *("forehead", "crown", "face", "cheek", "nape", "collar", "bib", "chest", "back", "wing"),
    *("rump", "tail_tip", "beak_base", "beak_tip", "cere", "eye_ring", "iris", "pupil"),
)
PICTURES = demo.pictures()
SMALL = 360  # pixels high: quick, and every region is still large enough to be valid


def test_white_has_lightness_100_and_no_colour() -> None:
    # CIE 15: the perfect reflecting diffuser is the reference white of CIELAB.
    lab = spectra.reflectance_to_lab(np.ones(spectra.WAVELENGTHS.size))
    assert lab == pytest.approx([100, 0, 0], abs=1e-6)


def test_grey_card_has_the_lightness_of_the_cie_formula() -> None:
    # L* = 116 (Y/Yn)^(1/3) - 16, CIE 15; 18 % gives 49.50.
    lab = spectra.reflectance_to_lab(spectra.neutral(0.18))
    assert lab == pytest.approx([116 * 0.18 ** (1 / 3) - 16, 0, 0], abs=1e-6)


def test_chart_spectra_give_the_published_chart_chromaticities() -> None:
    # colour-science carries both the spectra and the xyY (D50) of the same 30 charts
    # (BabelColor Average). They must agree to well under a just visible difference.
    published = colour.CCS_COLOURCHECKERS["BabelColor Average"]
    expected = colour.XYZ_to_Lab(
        colour.xyY_to_XYZ(np.array(list(published.data.values()))), published.illuminant
    )
    names, reflectance = spectra.chart_reflectances("BabelColor Average")
    ours = colour.XYZ_to_Lab(spectra.reflectance_to_xyz(reflectance, "D50"), published.illuminant)
    assert names == tuple(published.data)
    assert colour.delta_E(ours, expected, method="CIE 2000").max() < 0.25


@pytest.mark.parametrize("dataset", ["BabelColor Average", "ColorChecker N Ohta"])
def test_chart_under_d65_agrees_with_the_makers_values(dataset: str) -> None:
    # Maker's values before November 2014 (in colour-science), D50 to D65 with CAT02. Different
    # charts measured on different instruments: 1.14 on average was seen when this was written.
    maker = colour.CCS_COLOURCHECKERS["ColorChecker24 - Before November 2014"]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    xyz = colour.chromatic_adaptation(
        colour.xyY_to_XYZ(np.array(list(maker.data.values()))),
        colour.xy_to_XYZ(maker.illuminant),
        colour.xy_to_XYZ(d65),
        method="Von Kries",
        transform="CAT02",
    )
    ours = spectra.reflectance_to_lab(spectra.chart_reflectances(dataset)[1])
    difference = colour.delta_E(ours, colour.XYZ_to_Lab(xyz, d65), method="CIE 2000")
    assert difference.mean() < 1.5
    assert difference.max() < 3.0


def test_integration_agrees_with_colour_science() -> None:
    sd = colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"]["blue flower"]
    theirs = colour.sd_to_XYZ(sd, illuminant=colour.SDS_ILLUMINANTS["FL11"]) / 100
    row = spectra.chart_reflectances("ColorChecker N Ohta")[1][4]
    assert spectra.reflectance_to_xyz(row, "FL11") == pytest.approx(theirs, rel=2e-3)


@pytest.mark.parametrize("name", camera.CAMERAS)
@pytest.mark.parametrize("lamp", camera.LAMPS)
def test_a_right_white_balance_makes_the_grey_card_grey(lamp: str, name: str) -> None:
    rgb = camera.photograph(spectra.neutral(0.18), lamp, name, (1, 1, 1), exposure=1)
    assert rgb == pytest.approx([0.18] * 3, rel=1e-6)


@pytest.mark.parametrize("name", camera.CAMERAS)
def test_a_wrong_white_balance_is_wrong_by_the_stated_factors(name: str) -> None:
    rgb = camera.photograph(spectra.neutral(0.18), "FL11", name, (1.12, 1, 0.9), exposure=0.5)
    assert rgb == pytest.approx([0.18 * 0.5 * f for f in (1.12, 1, 0.9)], rel=1e-6)


def test_light_mixes_linearly_so_a_scene_may_mix_rendered_materials() -> None:
    a, b = spectra.random_reflectances(2, seed=4)
    mixed = camera.photograph(0.3 * a + 0.7 * b, "FL2")
    parts = 0.3 * camera.photograph(a, "FL2") + 0.7 * camera.photograph(b, "FL2")
    assert mixed == pytest.approx(parts)


def test_daylight_colours_come_out_near_the_truth_and_lamp_colours_do_not() -> None:
    # The maker's matrix was fitted on other reflectances (Academy rawtoaces training set), so the
    # chart is an independent check of it.
    def error(lamp: str) -> float:
        srgb, lab = chart.simulated_chart(lamp, white_balance_error=(1, 1, 1), exposure=1)
        seen = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(srgb))
        return float(colour.delta_E(seen, lab, method="CIE 2000").mean())

    assert error("D65") < 1.5
    assert error("FL2") > 2 * error("D65")


def test_chart_patches_are_usable_and_their_truth_does_not_depend_on_the_light() -> None:
    srgb, lab = chart.simulated_chart("FL11", camera.CAMERAS[1], phone_strength=1.0)
    _, other = chart.simulated_chart("A")
    assert srgb.shape == lab.shape == (24, 3)
    assert np.array_equal(lab, other)
    assert (np.diff(lab[chart.NEUTRAL_PATCHES, 0]) < 0).all()
    grey = phone.to_8bit(srgb[21])  # neutral 5, 19 %
    assert ((grey >= 95) & (grey <= 130)).all()


def test_strength_zero_is_the_standard_srgb_encoding() -> None:
    linear = np.linspace(0, 1, 200)[:, None] * [1.0, 0.5, 0.2]
    # IEC 61966-2-1 as implemented by colour-science.
    assert phone.render(linear, 0) == pytest.approx(
        colour.cctf_encoding(linear, function="sRGB"), abs=1e-6
    )


@given(st.floats(0, 1), st.floats(0, 1.5))
def test_tone_curve_keeps_black_white_pivot_and_order(value: float, strength: float) -> None:
    fixed = np.array([0, phone.TONE_PIVOT, 1])
    assert phone.tone_curve(fixed, strength) == pytest.approx(fixed)
    low, high = phone.tone_curve(np.array([value, min(1, value + 0.01)]), strength)
    assert low <= high


@given(st.tuples(*[st.floats(0, 1)] * 3))
def test_saturation_gain_stays_within_its_stated_range(rgb: tuple[float, float, float]) -> None:
    gain = float(phone.saturation_gain(np.array(rgb)))
    assert 1.10 <= gain <= 1.35


def test_a_phone_leaves_grey_grey() -> None:
    grey = np.linspace(0, 1, 50)[:, None].repeat(3, axis=1)
    out = phone.render(grey, 1.0)
    assert np.ptp(out, axis=1).max() < 1e-9


def test_noise_follows_the_stated_variance() -> None:
    flat = np.full((400, 400, 3), 0.18, dtype=np.float32)
    noisy = phone.add_noise(flat, seed=1, shot=2e-4, read=1e-3)
    assert noisy.std() == pytest.approx(np.sqrt(0.18 * 2e-4 + 1e-6), rel=0.01)
    assert np.array_equal(noisy, phone.add_noise(flat, seed=1, shot=2e-4, read=1e-3))


def test_jpeg_has_half_chroma_and_says_srgb() -> None:
    data = phone.jpeg_bytes(np.full((32, 48, 3), 90, dtype=np.uint8), description="invented")
    with Image.open(io.BytesIO(data)) as image:
        # ITU-T T.81: luma sampled 2 x 2, chroma 1 x 1, is 4:2:0.
        assert [layer[1:3] for layer in image.layer] == [(2, 2), (1, 1), (1, 1)]
        assert image.getexif().get_ifd(0x8769)[0xA001] == 1


def test_materials_are_physical_and_differ_between_birds() -> None:
    first, second = spectra.plumage_spectra(1), spectra.plumage_spectra(2)
    assert all(((s > 0) & (s < 1)).all() for s in first.values())
    shift = [
        colour.delta_E(
            spectra.reflectance_to_lab(first[name]),
            spectra.reflectance_to_lab(second[name]),
            method="CIE 2000",
        )
        for name in spectra.MATERIALS
    ]
    assert 0.5 < np.median(shift) < 8
    again = spectra.plumage_spectra(1)
    assert all(np.array_equal(first[name], again[name]) for name in first)


@lru_cache(maxsize=8)
def _small(name: str) -> tuple:
    picture = next(p for p in PICTURES if p.name == name)
    return demo.render_picture(picture, SMALL)


def test_the_same_seed_paints_the_same_photo() -> None:
    name = "personatus_orange_collar"
    first, second = _small(name), _small.__wrapped__(name)
    assert np.array_equal(first[0], second[0])
    assert first[1:] == second[1:]


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small photo in a folder of its own, with what lies beside it."""
    place = tmp_path_factory.mktemp("rendered")
    (photo,) = demo.render_demo(place, ["nigrigenis_blue_rump"], height=SMALL)
    return photo


def _truth(photo: Path) -> dict:
    return json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))


def test_a_small_render_writes_photo_regions_and_truth(rendered: Path) -> None:
    photo, truth = rendered, _truth(rendered)
    regions = read_region_file(photo.with_suffix(".regions.json"))
    check_regions(regions, KINDS)
    with Image.open(photo) as image:
        assert image.size == (regions.width, regions.height) == (480, 360)
    assert {r.mark for r in regions.regions} == set(truth["marks"])
    assert truth["photo"] == regions.photo == photo.name


def test_truth_follows_what_was_painted(rendered: Path) -> None:
    # The painted materials, as this module's own model defines them, not a fact about real birds.
    marks = _truth(rendered)["marks"]
    rump, back = (np.array(marks[m]["true_lab"]) for m in ("rump", "back"))
    assert rump[2] < -5 < 5 < back[2]
    assert marks["beak_base"]["true_lab"][1] < marks["beak_tip"]["true_lab"][1] - 10
    share = _small("personatus_orange_collar")[2]["marks"]["collar"]["other_colour_share"]
    assert 0.1 < share < 0.45


def test_truth_does_not_depend_on_lamp_camera_or_phone() -> None:
    picture = next(p for p in PICTURES if p.name == "personatus_orange_collar")
    dim = replace(picture.light, illuminant="FL2", camera=camera.CAMERAS[1], phone_strength=0.0)
    photos = [_small(picture.name), demo.render_picture(replace(picture, light=dim), SMALL)]
    assert photos[0][2]["marks"] == photos[1][2]["marks"]
    assert not np.array_equal(photos[0][0], photos[1][0])


def test_the_shadow_halves_the_card_and_spares_the_bird() -> None:
    rgb8, regions, truth = _small("personatus_card_in_shadow")
    card = next(r.shape for r in regions if r.mark == "card")
    x0, y0, x1, y1 = window(card, rgb8.shape[1], rgb8.shape[0])
    part = rgb8[y0:y1, x0:x1, 1].astype(float)
    columns = np.median(part, axis=0)
    # 0.45 of the light is 0.70 of the sRGB code or less (IEC 61966-2-1).
    assert columns.min() < 0.75 * columns.max()
    assert truth["marks"]["face"]["light"] > 0.9


@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.name)
def test_demo_photo_is_a_phone_sized_jpeg(picture: demo.Picture) -> None:
    photo = DEMO / f"{picture.name}.jpg"
    assert photo.stat().st_size <= 3_000_000
    with Image.open(photo) as image:
        assert 6e6 <= image.width * image.height <= 12.1e6
        assert image.mode == "RGB"
        assert image.layer[0][1:3] == (2, 2)  # 4:2:0, ITU-T T.81
        assert image.layer[1][1:3] == image.layer[2][1:3] == (1, 1)


@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.name)
def test_demo_regions_are_valid_complete_and_inside_the_photo(picture: demo.Picture) -> None:
    regions = read_region_file(DEMO / f"{picture.name}.regions.json")
    check_regions(regions, KINDS)
    marks = {r.mark for r in regions.regions}
    assert marks >= set(WANTED)
    assert ("card" in marks) == (picture.setting.card != "none")
    assert all(r.value == 0.18 for r in regions.of("card"))
    for region in regions.regions:
        points = vertices(region.shape)
        assert (points > 0).all()
        assert (points < [regions.width, regions.height]).all()


def test_demo_photos_are_exposed_normally() -> None:
    for picture in PICTURES:
        regions = read_region_file(DEMO / f"{picture.name}.regions.json")
        with Image.open(DEMO / f"{picture.name}.jpg") as image:
            rgb8 = np.asarray(image)
        assert (rgb8 == 255).any(axis=-1).mean() < 0.002
        for region in (*regions.of("card"), *regions.of("eye_ring")):
            win = window(region.shape, regions.width, regions.height)
            cut = [r.shape for m in MARKS[region.mark].get("without", ()) for r in regions.of(m)]
            inside = mask(region.shape, win, cut)
            pixels = rgb8[win[1] : win[3], win[0] : win[2]][inside]
            if region.mark == "eye_ring":
                assert np.quantile(pixels, 0.99) < 255
            elif picture.setting.card == "whole":
                assert (
                    (np.median(pixels, axis=0) >= 95) & (np.median(pixels, axis=0) <= 130)
                ).all()


def test_the_demo_says_that_it_is_invented() -> None:
    for picture in PICTURES:
        truth = json.loads((DEMO / f"{picture.name}.truth.json").read_text(encoding="utf-8"))
        assert "invented" in truth["club"]
        assert "invented" in truth["bird"]
        assert "not evidence" in truth["about"]
