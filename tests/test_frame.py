"""The printed frame: found where it is, not where it is not, and true to scale on paper."""

import io

import cv2
import numpy as np
import pytest
from frame_picture import sheet_picture
from PIL import Image
from scenes import linear_scene, to_photo

from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.card_frame import (
    FAMILY,
    HEIGHT,
    MARKER,
    MARKERS,
    WHITES,
    WIDTH,
    WINDOW,
    find_frame,
)
from fieldmarks.measure.card_places import propose_cards
from fieldmarks.measure.colour import encode_srgb
from fieldmarks.measure.comparison import body_size
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Polygon, Rectangle, overlap
from fieldmarks.report.frame_sheet import cells, sheet_pdf


def framed(wide=300, angle=0.2, shadow=0.0, cover=(), size=(600, 800), focal=None):
    """A photo with a frame of a width in pixels, and the plane it lies in (mm to pixels)."""
    scale = wide / WIDTH
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = np.array([size[1] / 2, size[0] / 2]) - turn @ [WIDTH / 2, HEIGHT / 2]
    plane = np.vstack([np.column_stack([turn, shift]), [0, 0, 1]])
    sheet = sheet_picture(8)
    for marker in cover:
        x, y = (int(8 * v) for v in MARKERS[marker])
        sheet[y : y + 240, x : x + 240] = 0.3
    to_mm = np.diag([1 / 8, 1 / 8, 1.0])
    big = np.diag([4.0, 4.0, 1.0]) @ plane @ to_mm
    drawn, there = (
        cv2.resize(
            cv2.warpPerspective(p, big, (4 * size[1], 4 * size[0])),
            size[::-1],
            interpolation=cv2.INTER_AREA,
        )
        for p in (sheet, np.ones_like(sheet))
    )
    scene = np.full((*size, 3), 0.25, np.float32)
    scene += np.random.default_rng(0).normal(0, 0.01, scene.shape).astype(np.float32)
    scene = scene * (1 - there[..., None]) + drawn[..., None]
    scene[:, : size[1] // 2] *= 1 - shadow
    if focal is None:
        return to_photo(scene, format="JPEG", quality=85), plane
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = focal
    buffer = io.BytesIO()
    picture = np.round(encode_srgb(scene) * 255).astype(np.uint8)
    Image.fromarray(picture).save(buffer, "JPEG", quality=85, exif=exif)
    return decode_photo(buffer.getvalue(), "frame.jpg"), plane


def on(plane, box):
    x, y, width, height = box
    corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]], float)
    points = cv2.perspectiveTransform(corners.reshape(-1, 1, 2), plane)[:, 0]
    return Polygon(tuple((float(a), float(b)) for a, b in points))


@pytest.mark.parametrize(("wide", "angle"), [(120, 0.0), (160, 0.4), (300, -0.6), (480, 3.0)])
def test_a_frame_is_found_with_its_card_and_its_scale(wide, angle):
    photo, plane = framed(wide, angle)
    frame = find_frame(photo)
    assert frame is not None
    assert set(frame.markers) == set(MARKERS)
    assert frame.mm_per_pixel == pytest.approx(WIDTH / wide, rel=max(0.03, 2 * frame.scale_error))
    card, scale = frame.regions()
    inner = on(plane, (WINDOW[0] + 5, WINDOW[1] + 5, WINDOW[2] - 10, WINDOW[3] - 10))
    assert overlap(card.shape, inner) > 0.85
    assert scale.shape.length == pytest.approx(scale.value / frame.mm_per_pixel, rel=0.03)


def test_the_card_in_the_window_calibrates_and_the_scale_measures():
    photo, _ = framed(480, 0.1)
    frame = find_frame(photo)
    card, scale = frame.regions(reflectance=0.18)
    result = calibrate(photo, [card])
    assert result.calibrated
    assert result.gains == pytest.approx((1, 1, 1), rel=0.03)
    assert body_size("size", [scale], [scale]).value == pytest.approx(scale.value)


def test_two_markers_are_enough_when_they_agree_and_one_is_not():
    two, _ = framed(300, cover=(3, 27))
    assert find_frame(two).markers == (12, 41)
    one, _ = framed(300, cover=(3, 12, 27))
    assert find_frame(one) is None


def test_a_shadow_over_the_border_is_told_with_its_side():
    assert find_frame(framed(300, 0.0)[0]).shade < 0.08
    frame = find_frame(framed(300, 0.0, shadow=0.5)[0])
    assert frame.shade == pytest.approx(0.5, abs=0.08)
    assert "left" in frame.warnings[0]


def test_the_distance_comes_from_the_focal_length_in_the_file():
    # 26 mm equivalent: 36 mm of scene width per 26 mm of distance, over 800 pixels of 0.4 mm.
    frame = find_frame(framed(300, 0.0, focal=26)[0])
    assert frame.distance == pytest.approx(26 / 36 * 800 * 0.4, rel=0.03)
    assert "4.3%" in frame.distance_note
    assert find_frame(framed(300)[0]).distance == 0


def test_no_frame_is_seen_in_plain_scenes_or_in_other_square_codes():
    other = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(FAMILY), 7, 120)
    picture = np.full((400, 600, 3), 0.8)
    picture[60:180, 60:180] = np.where(other[..., None] > 128, 0.8, 0.04)
    own = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(FAMILY), 3, 120)
    picture[200:320, 300:420] = np.where(own[..., None] > 128, 0.8, 0.04)
    assert find_frame(to_photo(picture)) is None
    assert find_frame(to_photo(linear_scene([(Rectangle(100, 100, 80, 80), (20, 0, 0))]))) is None


def test_our_markers_are_those_of_the_general_dictionary():
    reader = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FAMILY))
    for marker in MARKERS:
        picture = np.pad(np.where(cells(marker), 0, 255).astype(np.uint8), 1, constant_values=255)
        _, ids, _ = reader.detectMarkers(np.kron(picture, np.ones((20, 20), np.uint8)))
        assert ids.ravel().tolist() == [marker]
        assert cells(marker)[0].all()


def test_nothing_on_the_sheet_overlaps():
    boxes = [(*at, MARKER, MARKER) for at in MARKERS.values()] + [WINDOW, *WHITES.values()]
    shapes = [Rectangle(*b) for b in boxes]
    for i, one in enumerate(shapes):
        assert one.x >= 0
        assert one.x + one.width <= WIDTH
        assert one.y + one.height <= HEIGHT
        assert all(overlap(one, other) == 0 for other in shapes[i + 1 :])


def test_the_printed_sheet_is_true_to_scale():
    pypdf = pytest.importorskip("pypdf")
    page = pypdf.PdfReader(io.BytesIO(sheet_pdf())).pages[0]
    # ISO 32000-1, 8.3.2.3: one unit of user space is 1/72 inch.
    millimetres = 25.4 / 72
    assert float(page.mediabox.width) * millimetres == pytest.approx(210, abs=0.1)
    assert float(page.mediabox.height) * millimetres == pytest.approx(297, abs=0.1)
    boxes = []
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        if operator == b"re":
            boxes.append([float(v) * millimetres for v in operands])
    assert any(
        abs(b[2]) == pytest.approx(WIDTH, abs=0.1) and abs(b[3]) == pytest.approx(HEIGHT, abs=0.1)
        for b in boxes
    )
    text = page.extract_text()
    assert "100 %" in text
    assert sheet_pdf() == sheet_pdf()


def test_without_a_frame_a_card_is_proposed_and_none_where_there_is_none():
    card = Rectangle(400, 60, 110, 140)
    scene = linear_scene([(card, (50, 2, 5)), (Rectangle(80, 80, 150, 150), (60, 50, 40))])
    scene *= 1 + 0.15 * np.random.default_rng(0).standard_normal(scene.shape)
    scene[60:200, 400:510] = np.array([0.2, 0.18, 0.15])
    found = propose_cards(to_photo(scene))
    assert overlap(found[0].shape, card) > 0.7
    scene[60:200, 400:510] = np.array([0.5, 0.1, 0.05])
    assert not any(overlap(p.shape, card) > 0.3 for p in propose_cards(to_photo(scene)))


def test_the_card_of_a_demo_photo_is_proposed():
    from fieldmarks._util.resources import shipped
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.measure.region_file import read_region_file

    folder = shipped("demo_images")
    photo = open_photo(folder / "personatus_clean.jpg")
    card = read_region_file(folder / "personatus_clean.regions.json").of("card")[0]
    assert overlap(propose_cards(photo)[0].shape, card.shape) > 0.6
    assert propose_cards(open_photo(folder / "fischeri_no_card.jpg")) == ()
