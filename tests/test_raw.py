"""Camera raw: read linearly and without a look. The file is made here, no camera wrote it."""

import io
from dataclasses import replace

import numpy as np
import pytest
import tifffile

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.colour import RGB_TO_XYZ, difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.raw import camera_to_srgb
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region, RegionSet
from fieldmarks.measure.uncertainty import camera_part
from fieldmarks.pipeline import make_record
from fieldmarks.record import Record, record_to_json
from fieldmarks.report.page import report_page
from fieldmarks.report.picture import to_jpeg
from fieldmarks.rules import load_rules

rawpy = pytest.importorskip("rawpy")

# XYZ to camera: an invented camera, a little unlike sRGB.
MIX = np.array([[0.80, 0.15, 0.05], [0.10, 0.80, 0.10], [0.02, 0.18, 0.80]])
XYZ_TO_CAMERA = MIX @ np.linalg.inv(RGB_TO_XYZ)
NEUTRAL = (0.5, 1.0, 0.6)  # how the sensor sees a white
COLOURS = [(49.5, 0, 0), (62.0, 40.0, 55.0), (80.0, 2.0, 70.0), (45.0, -30.0, 30.0)]
SIDE = 64


def negative(colours=COLOURS):
    """A minimal Digital Negative (specification 1.4): four flat patches on an RGGB sensor."""
    linear = np.array([lab_to_linear(np.array(c)) for c in colours]) * 0.8
    sensor = linear @ MIX.T * NEUTRAL
    mosaic = np.zeros((2 * SIDE, 2 * SIDE))
    for index, value in enumerate(sensor):
        row, column = divmod(index, 2)
        part = mosaic[row * SIDE : (row + 1) * SIDE, column * SIDE : (column + 1) * SIDE]
        part[0::2, 0::2], part[1::2, 1::2] = value[0], value[2]
        part[0::2, 1::2] = part[1::2, 0::2] = value[1]
    codes = np.round(256 + np.clip(mosaic, 0, 1) * (16383 - 256)).astype(np.uint16)
    # Rows of the matrix are stored for an unbalanced sensor.
    matrix = np.round(np.array(NEUTRAL)[:, None] * XYZ_TO_CAMERA * 10000).astype(int).ravel()
    pairs = [n for value in matrix.tolist() for n in (value, 10000)]
    white = [n for value in NEUTRAL for n in (int(value * 10000), 10000)]
    tags = [
        (271, "s", 0, "Invented", True),
        (272, "s", 0, "Sensor 1", True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, (0, 1, 1, 2), True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50708, "s", 0, "Invented Sensor 1", True),
        (50714, "H", 1, 256, True),
        (50717, "H", 1, 16383, True),
        (50721, "2i", 9, pairs, True),
        (50728, "2I", 3, white, True),
        (50778, "H", 1, 21, True),
    ]
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, codes, photometric=32803, extratags=tags, metadata=None)
    return buffer.getvalue()


def patch(index):
    row, column = divmod(index, 2)
    return Rectangle(column * SIDE + 10, row * SIDE + 10, SIDE - 20, SIDE - 20)


def test_a_raw_file_reads_linearly_and_in_the_cameras_own_matrix():
    photo = decode_photo(negative(), "own.dng")
    assert photo.facts.format == "RAW"
    card = calibrate(photo, [Region("c", "card", patch(0), 0.18)])
    assert card.calibrated
    for index in (1, 2, 3):
        reading = read_mark(photo, "bib", [Region("r", "bib", patch(index))], card)
        assert difference(reading.lab, COLOURS[index]) < 1.0


def test_nobody_is_told_that_a_raw_file_holds_no_place():
    """A raw file may hold GPS tags, which are not looked for."""
    photo = decode_photo(negative(), "own.dng")
    assert photo.facts.has_position is None
    tables = load_rules()
    record = make_record(photo, RegionSet(photo.name, photo.width, photo.height), tables)
    words = " ".join(report_page(record, to_jpeg(photo.preview()), tables).split())
    assert "may hold the place where it was taken; it was not searched" in words
    assert "No GPS place was found" not in words
    assert Record.from_json(record_to_json(record)) == record


def test_raw_is_the_better_evidence():
    photo = decode_photo(negative(), "own.dng")
    straight = calibrate(photo, [Region("c", "card", patch(0), 0.18)])
    assert straight.straight
    lab = (80.0, 10.0, 60.0)
    raw, phone = (camera_part(lab, 0.5, c) for c in (straight, replace(straight, straight=False)))
    assert raw.lightness < 0.7 * phone.lightness
    assert raw.chroma < phone.chroma
    assert "raw" in raw.source


def test_the_matrix_of_an_srgb_camera_is_the_identity():
    assert camera_to_srgb(np.linalg.inv(RGB_TO_XYZ)) == pytest.approx(np.eye(3), abs=1e-9)
    white = camera_to_srgb(XYZ_TO_CAMERA) @ np.ones(3)
    assert linear_to_lab(white) == pytest.approx([100, 0, 0], abs=0.02)


@pytest.mark.parametrize("data", [b"no raw file at all", negative()[:300]])
def test_what_is_no_raw_file_gets_one_clear_line(data):
    with pytest.raises(PhotoError, match="not a camera raw file"):
        decode_photo(data, "x.dng")


def test_a_huge_raw_file_is_refused_before_it_is_developed():
    with pytest.raises(PhotoError, match="megapixels"):
        decode_photo(negative(), "x.dng", max_megapixels=0.001)
