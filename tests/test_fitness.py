"""Fitness: what a file and its pixels say about whether colours can be read from it."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from scenes import linear_scene, to_photo

from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.colour import encode_srgb
from fieldmarks.measure.correction import Correction
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.photo_quality import BLURRED, file_facts, photo_fitness
from fieldmarks.measure.region import Line, Rectangle, Region
from fieldmarks.measure.uncertainty import camera_part

RNG = np.random.default_rng(0)
TEXTURE = cv2.resize(RNG.uniform(0.1, 0.5, (130, 200, 3)), (600, 400))


def with_tags(software="", make="", model="", detail=None, xmp=None, quality=90):
    exif = Image.Exif()
    for tag, value in ((0x0131, software), (0x010F, make), (0x0110, model)):
        if value:
            exif[tag] = value
    for tag, value in (detail or {}).items():
        exif.get_ifd(0x8769)[tag] = value
    buffer = io.BytesIO()
    picture = Image.fromarray(np.round(encode_srgb(TEXTURE) * 255).astype(np.uint8))
    more = {"xmp": xmp} if xmp else {}
    picture.save(buffer, "JPEG", quality=quality, exif=exif, **more)
    return decode_photo(buffer.getvalue(), "photo.jpg")


@pytest.mark.parametrize("quality", [20, 45, 60, 75, 85, 95])
def test_jpeg_quality_is_read_from_the_tables_as_the_encoder_set_it(quality):
    # Pillow's encoder scales the example tables of ITU-T T.81 as the quality asks.
    assert file_facts(with_tags(quality=quality)).quality == pytest.approx(quality, abs=2)


def test_a_strongly_compressed_photo_gets_advice_and_a_png_has_no_quality():
    poor = photo_fitness(with_tags(quality=40), []).advice
    assert any("compressed" in line for line in poor)
    assert not any("compressed" in line for line in photo_fitness(with_tags(), []).advice)
    assert file_facts(to_photo(TEXTURE)).quality is None


@pytest.mark.parametrize(
    ("software", "edited"),
    [("17.5.1", False), ("Retouch Studio 3", True), ("photo-editor", True), ("", False)],
)
def test_editing_software_is_told_from_a_phones_own_version(software, edited):
    facts = file_facts(with_tags(software=software, make="Maker", model="Phone 5"))
    assert bool(facts.edited_by) == edited


def test_blended_exposures_are_seen_in_tags_and_gain_maps():
    assert not file_facts(with_tags(detail={0xA401: 0})).hdr
    # EXIF 2.32, CustomRendered: 0 normal, 1 custom; makers use 2 and above for HDR.
    assert file_facts(with_tags(detail={0xA401: 3})).hdr
    # ISO 21496-1 and the earlier metadata name the gain map in the file's XMP.
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf hdrgm:Version="1.0"/></x:xmpmeta>'
    assert file_facts(with_tags(xmp=xmp)).hdr
    assert any("HDR" in line for line in photo_fitness(with_tags(xmp=xmp), []).advice)


def test_a_file_says_whether_it_names_its_colours_and_its_exposure():
    bare = file_facts(with_tags())
    assert not bare.named_profile
    assert not bare.from_camera
    full = file_facts(with_tags(detail={0xA001: 1, 0x829A: 0.01}))
    assert full.named_profile
    assert full.from_camera


def test_a_photo_without_any_sharp_part_is_told_and_a_smooth_part_beside_a_sharp_one_is_not():
    smeared = cv2.GaussianBlur(TEXTURE, (0, 0), 6)
    region = Region("r", "collar", Rectangle(100, 100, 200, 200))
    sharp, blurred = (photo_fitness(to_photo(p), [region]) for p in (TEXTURE, smeared))
    assert sharp.regions[0].blur < BLURRED < blurred.regions[0].blur
    assert not any("sharp" in line for line in sharp.advice)
    assert any("No part marked is sharp" in line for line in blurred.advice)
    half = TEXTURE.copy()
    half[:, 310:] = smeared[:, 310:]
    smooth = Region("s", "cere", Rectangle(330, 100, 200, 200))
    both = photo_fitness(to_photo(half), [region, smooth])
    assert both.regions[1].blur > BLURRED
    assert not any("sharp" in line for line in both.advice)


def test_a_dark_card_and_a_bright_part_are_told_and_a_black_part_of_the_bird_is_not():
    regions = [
        Region("black", "bib", Rectangle(0, 0, 200, 400)),
        Region("white", "cere", Rectangle(200, 0, 200, 400)),
        Region("card", "card", Rectangle(400, 0, 200, 400)),
        Region("line", "scale", Line((0, 0), (100, 0)), 10),
    ]
    scene = linear_scene([(regions[0].shape, (5, 0, 0)), (regions[1].shape, (100, 0, 0))])
    scene[:, 200:400] = 1.2
    for card, said in ((0.18, False), (0.01, True)):
        scene[:, 400:] = card
        found = {r.region: r.advice for r in photo_fitness(to_photo(scene), regions).regions}
        assert found["black"] == ()
        assert any("bright" in line for line in found["white"])
        assert any("dark" in line for line in found["card"]) == said
        assert "line" not in found


def test_better_evidence_has_a_smaller_camera_term():
    rows = tuple(tuple(float(i == j) for i in range(3)) for j in range(3))
    known = tuple((L, a, b) for L in (20.0, 95.0) for a in (-70.0, 80.0) for b in (-70.0, 90.0))
    fitted = Correction("matrix", coefficients=rows, known=known, residual=(0.6, 1.0, 1.0))
    named = Correction(
        "matrix", coefficients=rows, known=known, residual=(1.1, 2.0, 2.0), source="phone profile x"
    )
    steps = Correction(
        tone=(0.1, 0.0), residual=(0.5, 0, 0), known=tuple((v, 0.0, 0.0) for v in range(5, 96, 15))
    )
    kinds = {
        "chart": Calibration(True, correction=fitted),
        "raw": Calibration(True, straight=True),
        "profile": Calibration(True, correction=named),
        "steps": Calibration(True, correction=steps),
        "card": Calibration(True),
        "none": Calibration(),
    }
    lab = (75.0, 10.0, 60.0)
    total = {k: sum(v**2 for v in _parts(camera_part(lab, 0.5, c))) for k, c in kinds.items()}
    assert total["chart"] < total["profile"] < total["card"]
    assert total["raw"] < total["card"]
    assert total["steps"] < total["card"]


def _parts(part):
    return part.lightness, part.chroma, part.hue
