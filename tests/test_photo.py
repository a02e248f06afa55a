"""Opening photos: what is read, what is refused, and in which words."""

import io
import struct
import sys
import zlib

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.colour import (
    XYZ_TO_RGB,
    decode_srgb,
    difference,
    encode_srgb,
    linear_to_lab,
)
from fieldmarks.measure.icc import D50_TO_D65, read_profile
from fieldmarks.measure.photo import decode_photo, jpeg_segments, open_photo

RNG = np.random.default_rng(5)
PICTURE = RNG.integers(0, 256, (40, 60, 3)).astype(np.uint8)
WHOLE = (0, 0, 60, 40)


def encoded(picture=PICTURE, format="PNG", mode=None, **how) -> bytes:
    image = Image.fromarray(picture)
    buffer = io.BytesIO()
    (image.convert(mode) if mode else image).save(buffer, format, **how)
    return buffer.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_exif_orientation_is_applied_as_pillow_does(orientation):
    exif = Image.Exif()
    exif[274] = orientation
    data = encoded(exif=exif)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    photo = decode_photo(data, "turned.png")
    assert (photo.height, photo.width) == upright.shape[:2]
    assert (photo.codes((3, 4, 20, 30)) == upright[4:30, 3:20]).all()
    assert np.abs(np.asarray(photo.preview(1000)).astype(int) - upright).max() <= 1


@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_each_format_gives_the_colours_that_went_in(format):
    smooth = cv2.resize(PICTURE[:5, :5], (60, 40), interpolation=cv2.INTER_CUBIC)
    how = {} if format in ("PNG", "TIFF") else {"quality": 95}
    if format == "HEIF":
        how["chroma"] = 444
    photo = decode_photo(encoded(smooth, format, **how), f"a.{format.lower()}")
    assert photo.facts.format == format
    off = np.abs(photo.codes(WHOLE).astype(int) - smooth)
    assert off.mean() < (0.001 if format in ("PNG", "TIFF") else 4)


def test_sixteen_bit_png_and_tiff_keep_all_sixteen_bits():
    deep = RNG.integers(0, 65536, (40, 60, 3)).astype(np.uint16)
    png = cv2.imencode(".png", deep[..., ::-1])[1].tobytes()
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, deep, photometric="rgb")
    for name, data in (("a.png", png), ("a.tif", buffer.getvalue())):
        photo = decode_photo(data, name)
        assert photo.facts.bits == 16
        assert (photo.codes(WHOLE) == deep).all()
        assert photo.linear(WHOLE) == pytest.approx(decode_srgb(deep / 65535), abs=1e-5)


def display_p3() -> bytes:
    """A Display P3 profile: DCI-P3 primaries, D65, the sRGB curve (published values)."""
    curve = np.round(decode_srgb(np.linspace(0, 1, 1024)) * 65535).astype(np.uint16)
    return bytes(
        imagecodecs.cms_profile(
            "rgb",
            whitepoint=[0.3127, 0.3290, 1.0],
            primaries=[0.680, 0.320, 1.0, 0.265, 0.690, 1.0, 0.150, 0.060, 1.0],
            transferfunction=curve,
        )
    )


def p3_from_srgb() -> np.ndarray:
    import colour

    return colour.matrix_RGB_to_RGB(
        colour.RGB_COLOURSPACES["sRGB"], colour.RGB_COLOURSPACES["Display P3"]
    )


def test_a_display_p3_and_an_srgb_file_of_one_scene_read_the_same():
    scene = RNG.uniform(0.02, 0.95, (40, 60, 3))
    srgb = decode_photo(encoded(np.round(encode_srgb(scene) * 255).astype(np.uint8)), "s.png")
    in_p3 = np.round(encode_srgb(scene @ p3_from_srgb().T) * 255).astype(np.uint8)
    p3 = decode_photo(encoded(in_p3, icc_profile=display_p3()), "p.png")
    apart = difference(linear_to_lab(srgb.linear(WHOLE)), linear_to_lab(p3.linear(WHOLE)))
    assert p3.facts.colour_profile != srgb.facts.colour_profile
    assert np.percentile(apart, 99) < 1.0
    # Ignoring the profile would not pass: the same numbers taken as sRGB are far off.
    ignored = decode_photo(encoded(in_p3), "ignored.png")
    wrong = difference(linear_to_lab(srgb.linear(WHOLE)), linear_to_lab(ignored.linear(WHOLE)))
    assert wrong.mean() > 2.0


def test_a_colour_outside_srgb_survives_a_display_p3_file():
    pure_red = np.zeros((40, 60, 3), np.uint8)
    pure_red[..., 0] = 255
    photo = decode_photo(encoded(pure_red, icc_profile=display_p3()), "red.png")
    # P3 red in linear sRGB is (1.2249, -0.0420, -0.0197): colour-science's matrix, inverted.
    expected = np.linalg.inv(p3_from_srgb()) @ [1, 0, 0]
    assert photo.linear(WHOLE)[0, 0] == pytest.approx(expected, abs=2e-3)
    assert expected[1] < 0


def test_the_icc_srgb_profile_equals_no_profile():
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    with_icc = decode_photo(encoded(icc_profile=icc), "a.png").linear(WHOLE)
    assert with_icc == pytest.approx(decode_photo(encoded(), "b.png").linear(WHOLE), abs=1e-3)


def test_a_damaged_profile_is_said_and_srgb_assumed():
    photo = decode_photo(encoded(icc_profile=b"not a profile at all" * 20), "a.png")
    assert "profile was not used" in photo.warnings[0]
    assert photo.facts.colour_profile == "sRGB (assumed)"
    with pytest.raises(ValueError, match="damaged"):
        read_profile(b"rubbish" * 50)


def huge_png(width: int, height: int) -> bytes:
    data = bytearray(encoded())
    header = b"IHDR" + struct.pack(">II", width, height) + bytes(data[24:29])
    data[12:29] = header
    data[29:33] = struct.pack(">I", zlib.crc32(header))
    return bytes(data)


BAD_FILES = {
    "empty": (b"", "empty"),
    "text": (b"Dear sir, please find the bird attached." * 9, "not a photo"),
    "cut short": (encoded(cv2.resize(PICTURE, (600, 400)), "JPEG")[:9000], "cut short"),
    "grey": (encoded(format="JPEG", mode="L"), "grey-scale"),
    "cmyk": (encoded(format="JPEG", mode="CMYK"), "CMYK"),
    "moving": (
        encoded(format="WEBP", save_all=True, append_images=[Image.fromarray(255 - PICTURE)]),
        "moves",
    ),
    "132 megapixels": (huge_png(12000, 11000), "132 megapixels"),
    "500 megapixels": (huge_png(25000, 20000), "megapixels"),
}


@pytest.mark.parametrize("kind", BAD_FILES)
def test_an_unusable_file_gets_one_line_with_its_name_and_the_mend(kind):
    data, words = BAD_FILES[kind]
    with pytest.raises(PhotoError) as caught:
        decode_photo(data, "bird.jpg")
    line = str(caught.value)
    assert line.startswith("bird.jpg: ")
    assert words in line
    assert "\n" not in line
    assert caught.value.mend


@pytest.mark.parametrize("how", [{}, {"progressive": True}, {"quality": 30}])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.98])
def test_a_jpeg_cut_anywhere_is_not_taken_for_a_whole_one(how, share):
    thumbnail = Image.Exif()
    thumbnail[270] = "\xff\xd9 is how a picture ends"
    whole = encoded(cv2.resize(PICTURE, (600, 400)), "JPEG", exif=thumbnail, **how)
    assert decode_photo(whole, "whole.jpg").width == 600
    with pytest.raises(PhotoError, match="cut short"):
        decode_photo(whole[: int(len(whole) * share)], "part.jpg")


def test_a_jpeg_that_lost_its_end_is_cut_short_wherever_it_ends():
    whole = encoded(format="JPEG")
    starts = {marker: start for marker, start, _ in jpeg_segments(whole)}
    # Between two segments behind the frame header (0xC0), or anywhere in the coded picture (0).
    between = [start for start in starts.values() if start > starts[0xC0]]
    for length in (*between, *(n + 1 for n in between), *range(starts[0], len(whole) - 1)):
        with pytest.raises(PhotoError, match="cut short"):
            decode_photo(whole[:length], "part.jpg")


def test_a_16_bit_picture_that_decodes_to_grey_is_refused(monkeypatch):
    data = imagecodecs.png_encode(PICTURE.astype(np.uint16) * 257)
    assert decode_photo(data, "deep.png").white == 65535
    monkeypatch.setattr(cv2, "imdecode", lambda *_: np.zeros((40, 60), np.uint16))
    with pytest.raises(PhotoError, match="damaged"):
        decode_photo(data, "deep.png")


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P"])
def test_a_tall_picture_is_read_whole(mode):
    tall = cv2.resize(PICTURE, (30, 700))
    data = encoded(tall, mode=mode)
    pixels = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert (decode_photo(data, "tall.png").codes((0, 0, 30, 700)) == pixels).all()


def test_a_jpeg_gives_the_very_pixels_that_pillow_gives():
    data = encoded(cv2.resize(PICTURE, (600, 400)), "JPEG", quality=83)
    pixels = np.asarray(Image.open(io.BytesIO(data)))
    assert (decode_photo(data, "a.jpg").codes((0, 0, 600, 400)) == pixels).all()


def test_a_missing_file_is_said_by_name(tmp_path):
    with pytest.raises(PhotoError, match=r"^gone\.jpg: cannot be opened"):
        open_photo(tmp_path / "gone.jpg")


def test_the_place_a_photo_was_taken_is_noticed_but_not_kept():
    exif = Image.Exif()
    exif.get_ifd(0x8825)[2] = (52.0, 5.0, 1.0)
    photo = decode_photo(encoded(format="JPEG", exif=exif), "gps.jpg")
    assert photo.facts.has_position
    assert "52" not in repr(photo.facts)


def parametric(form: int, *numbers: float) -> bytes:
    """The curve of a profile as a formula (ICC.1:2022, 10.18)."""
    fixed = b"".join(struct.pack(">i", round(n * 65536)) for n in numbers)
    return b"para\0\0\0\0" + struct.pack(">HH", form, 0) + fixed


CURVES = {
    "straight": b"curv\0\0\0\0" + struct.pack(">I", 0),
    "gamma": b"curv\0\0\0\0" + struct.pack(">IH", 1, round(1.8 * 256)),
    "table": b"curv\0\0\0\0" + struct.pack(">I5H", 5, 0, 3000, 12000, 33000, 65535),
    "power": parametric(0, 2.2),
    "power from a foot": parametric(1, 2.0, 0.9, 0.1),
    "power on a floor": parametric(2, 2.0, 1.1, -0.13, 0.05),
    "line and power": parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
    "all of it": parametric(4, 2.4, 0.9, 0.05, 0.08, 0.04, 0.02, 0.01),
}


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("curve", CURVES)
def test_every_kind_of_curve_is_read_as_little_cms_reads_it(curve, bits):
    """Checked with Little CMS, which imagecodecs carries."""
    icc = bytearray(display_p3())
    count = struct.unpack_from(">I", icc, 128)[0]
    for at in range(132, 132 + 12 * count, 12):
        if bytes(icc[at : at + 4]) in (b"rTRC", b"gTRC", b"bTRC"):
            struct.pack_into(">II", icc, at + 4, len(icc), len(CURVES[curve]))
    icc += CURVES[curve]
    struct.pack_into(">I", icc, 0, len(icc))
    profile, codes = read_profile(bytes(icc), bits), RNG.integers(0, 2**bits, (30, 40, 3))
    codes = codes.astype(np.uint8 if bits == 8 else np.uint16)
    theirs = imagecodecs.cms_transform(
        codes, bytes(icc), imagecodecs.cms_profile("xyz"), colorspace="rgb", outcolorspace="xyz",
        outdtype="float32", intent=1,
    )  # fmt: skip
    linear = theirs @ D50_TO_D65.T @ XYZ_TO_RGB.T
    np.testing.assert_allclose(profile.to_linear(codes), linear, atol=1e-4)


def test_a_profile_made_of_tables_is_not_silently_left_out(monkeypatch):
    icc = bytearray(display_p3())
    at = 132 + 12 * (struct.unpack_from(">I", icc, 128)[0] - 1)
    icc[at : at + 4] = b"A2B0"
    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    photo = decode_photo(encoded(icc_profile=bytes(icc)), "a.png")
    assert "pip install imagecodecs" in photo.warnings[0]


def test_a_gps_block_without_coordinates_is_no_place():
    exif = Image.Exif()
    exif.get_ifd(0x8825)[29] = "2026:01:01"  # the day alone (EXIF 2.32, GPSDateStamp)
    assert not decode_photo(encoded(format="JPEG", exif=exif), "day.jpg").facts.has_position
