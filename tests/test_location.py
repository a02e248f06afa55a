"""A photo given away tells nothing of where it was taken, and measures exactly as before."""

import io
import struct

import geotagged
import numpy as np
import pytest
from geotagged import CAMERA, MODEL, PHOTOS, SECRETS, SOFTWARE
from PIL import ExifTags, Image, ImageOps

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.location import given_name, without_place
from fieldmarks.measure.photo import decode_photo, open_photo
from fieldmarks.measure.photo_quality import file_facts
from fieldmarks.report.picture import annotate, to_jpeg, without_metadata

MORE = {
    "progressive.jpg": lambda: geotagged.jpeg(geotagged.exif(">"), progressive=True),
    "bare.jpg": lambda: geotagged.jpeg(profile=False),
    "lossless.webp": lambda: geotagged.webp(lossless=True),
    "deep.png": lambda: geotagged.png(bits=16),
    "deep.tif": lambda: geotagged.tiff(bits=16),
    "blended.jpg": lambda: geotagged.jpeg(geotagged.exif(hdr=True)),
    "gain.jpg": lambda: geotagged.jpeg(packet=geotagged.xmp(gain_map=True)),
    "gain.heic": lambda: geotagged.heic(packet=geotagged.xmp(gain_map=True)),
    "gain.tif": lambda: geotagged.tiff(packet=geotagged.xmp(gain_map=True)),
    "gain.png": lambda: geotagged.png(packet=geotagged.xmp(gain_map=True)),
}
EVERY = {**PHOTOS, **MORE}


def both(name):
    data = EVERY[name]()
    return data, without_place(data, name)


@pytest.mark.parametrize("name", EVERY)
def test_no_word_of_the_place_is_left_in_the_file(name):
    data, clean = both(name)
    assert sum(secret in data for secret in SECRETS) >= 5
    assert [secret for secret in SECRETS if secret in clean] == []
    assert decode_photo(data, name).facts.has_position
    assert not decode_photo(clean, name).facts.has_position


@pytest.mark.parametrize("name", EVERY)
def test_pillow_finds_no_position_no_makers_data_and_no_small_picture(name):
    """Checked with Pillow and pillow-heif, which read the tags apart from this program."""
    before, after = (Image.open(io.BytesIO(d)).getexif() for d in both(name))
    assert before.get_ifd(ExifTags.IFD.GPSInfo)
    assert not after.get_ifd(ExifTags.IFD.GPSInfo)
    assert ExifTags.IFD.GPSInfo not in after
    assert 0x927C not in after.get_ifd(ExifTags.IFD.Exif)
    assert not after.get_ifd(ExifTags.IFD.IFD1)
    assert (after[0x010F], after[0x0110], after[0x0131]) == (CAMERA, MODEL, SOFTWARE)


@pytest.mark.parametrize("name", EVERY)
def test_it_measures_exactly_as_before(name):
    one, other = (decode_photo(d, name) for d in both(name))
    whole = (0, 0, one.width, one.height)
    assert (one.width, one.height) == (other.width, other.height)
    np.testing.assert_array_equal(one.linear(whole), other.linear(whole))
    assert file_facts(one) == file_facts(other)
    assert (one.facts.camera, one.facts.taken) == (other.facts.camera, other.facts.taken)
    if "tif" not in name:
        assert file_facts(other).from_camera
    assert file_facts(other).hdr == name.startswith(("blended", "gain"))


@pytest.mark.parametrize("name", [n for n in EVERY if n.endswith("jpg")])
def test_the_coded_picture_of_a_jpeg_is_not_coded_again(name):
    data, clean = both(name)
    at = clean.index(b"\xff\xda")  # start of scan (ISO/IEC 10918-1)
    assert len(clean) - at > 200
    assert clean[at:] in data


@pytest.mark.parametrize("name", [n for n in EVERY if not n.endswith("jpg")])
def test_any_other_photo_goes_out_as_a_png_that_others_read_alike(name):
    """Checked with Pillow: same pixels (8 bit of each channel), same profile, right way up."""
    data, clean = both(name)
    before, after = (Image.open(io.BytesIO(d)) for d in (data, clean))
    assert after.format == "PNG"
    assert given_name("a.b/" + name, clean) == f"a.b/{name.rsplit('.', 1)[0]}.png"
    assert after.info.get("icc_profile") == before.info.get("icc_profile")
    if "deep" in name:
        depth = clean[24]  # of IHDR (ISO/IEC 15948, 11.2.2)
        assert depth == 16
    else:
        upright = ImageOps.exif_transpose(before).convert("RGB")
        np.testing.assert_array_equal(np.asarray(upright), np.asarray(after))


@pytest.mark.parametrize("name", EVERY)
def test_cleaning_is_repeatable_and_leaves_a_clean_file_alone(name):
    data, clean = both(name)
    assert without_place(data, name) == clean
    assert without_place(clean, name) == clean


def test_a_jpeg_that_tells_nothing_keeps_its_very_bytes():
    out = io.BytesIO()
    Image.fromarray(geotagged.pixels()).save(out, "JPEG")
    assert without_place(out.getvalue(), "x.jpg") == out.getvalue()
    assert given_name("x.jpg", out.getvalue()) == "x.jpg"


def test_a_camera_name_in_other_letters_outlives_the_cleaning():
    block = geotagged.tiff_blocks({"first": {0x010F: (2, "Ölkäfer".encode("latin-1") + b"\0")}}, {})
    for data in (geotagged.jpeg(block), geotagged.png(block)):
        clean = decode_photo(without_place(data, "x"), "x")
        assert clean.facts.camera == "Ölkäfer"


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_turned_photo_stays_turned(turn):
    for data in (
        geotagged.jpeg(geotagged.exif(orientation=turn)),
        geotagged.jpeg(geotagged.exif(orientation=0), geotagged.xmp(orientation=turn)),
    ):
        one, other = (
            decode_photo(data, "x.jpg"),
            decode_photo(without_place(data, "x.jpg"), "x.jpg"),
        )
        assert (one.width, one.height) == (other.width, other.height)


def test_a_place_only_in_xmp_is_noticed():
    plain = geotagged.tiff_blocks({"first": {0x010F: (2, b"Invented\0")}}, {})
    assert decode_photo(geotagged.jpeg(plain), "x.jpg").facts.has_position


def test_what_cannot_be_cleaned_is_refused_and_the_keeper_is_told_how_to_agree():
    pytest.importorskip("rawpy")
    from test_raw import negative

    with pytest.raises(PhotoError, match="--with-place"):
        without_place(negative(), "x.dng")
    with pytest.raises(PhotoError, match="not a photo"):
        without_place(b"no photo at all", "x.jpg")


def test_tags_that_point_in_a_ring_do_not_hang_it():
    block = bytearray(geotagged.exif())
    at = block.index(struct.pack("<HHI", 0x8769, 4, 1))
    block[at + 8 : at + 12] = struct.pack("<I", 8)  # its exposure tags are its own first directory
    clean = without_place(geotagged.jpeg(bytes(block)), "x.jpg")
    assert [secret for secret in SECRETS if secret in clean] == []
    assert not decode_photo(clean, "x.jpg").facts.has_position


@pytest.mark.parametrize("name", PHOTOS)
def test_pictures_made_from_a_photo_carry_no_place(name, tmp_path):
    path = tmp_path / name
    path.write_bytes(EVERY[name]())
    photo = open_photo(path)
    for made in (
        to_jpeg(annotate(photo, (), {}, {})),
        without_metadata(to_jpeg(photo.preview(64))),
    ):
        assert [secret for secret in SECRETS if secret in made] == []
        assert not Image.open(io.BytesIO(made)).getexif()
