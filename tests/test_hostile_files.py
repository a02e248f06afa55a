"""Faults that broken files once brought to light; each stays mended."""

import io
import json
import struct

import geotagged
import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from fieldmarks._util.errors import CardError, FieldmarksError, RegionError
from fieldmarks.app.marker.wire import event_from_wire
from fieldmarks.birds.agreement import compare_photos
from fieldmarks.birds.known_birds import read_known_birds
from fieldmarks.birds.listfile import preview_list
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.cli.text import print_record
from fieldmarks.measure.phone_profile import load_profile
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.photo_quality import file_facts
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import region_set_from_text, to_annotations
from fieldmarks.record import Record, record_to_json
from fieldmarks.report.plane import colour_plane
from fieldmarks.rules import load_rules


@pytest.fixture(scope="module")
def tables():
    return load_rules()


@pytest.mark.parametrize("kind", [(3, [1, 2]), (2, b"x\0"), (5, [1, 0])])
def test_an_exif_number_of_another_kind_says_nothing_of_blending(kind):
    block = geotagged.tiff_blocks(
        {"first": {0x010F: (2, b"Invented\0"), 0x8769: "detail"}, "detail": {0xA401: kind}}, {}
    )
    assert not file_facts(decode_photo(geotagged.jpeg(block), "x.jpg")).hdr


@pytest.mark.parametrize("size", [(3000, 1), (1, 3000)])
@pytest.mark.parametrize("format", ["JPEG", "PNG"])
def test_a_photo_one_pixel_wide_can_be_previewed(size, format):
    out = io.BytesIO()
    Image.new("RGB", size, (90, 120, 60)).save(out, format)
    assert min(decode_photo(out.getvalue(), "x").preview(100).size) == 1


def test_a_raw_file_of_one_colour_is_refused():
    pytest.importorskip("rawpy")
    from test_raw import negative

    data = negative()
    # The sensor's pattern (tag 33422) is given an impossible length: LibRaw then sees no pattern.
    at = data.index(struct.pack("<HHI", 33422, 1, 4)) + 7
    with pytest.raises(FieldmarksError, match="not a camera raw file that can be read"):
        decode_photo(data[:at] + b"\1" + data[at + 1 :], "x.dng")


@pytest.mark.parametrize("number", [float("inf"), float("nan"), 10**400, "9" * 9999, [], {}])
def test_an_absurd_number_from_the_browser_is_refused(number):
    square = {"kind": "polygon", "points": [[1, 1], [9, 1], [9, 9]]}
    region = {"id": "A", "mark": "face", "shape": square, "value": None, "note": ""}
    base = RegionSet("bird.png", 96, 72)
    changes = [{"at": [number, 1]}, {"reach": number}]
    changes += [] if isinstance(number, int) else [{"serial": number}]
    for change in changes:
        message = {"serial": 1, "kind": "tap", "regions": [region], **change}
        with pytest.raises(RegionError):
            event_from_wire(message, base)
    for change in ({"value": number}, {"shape": {**square, "points": [[number, 1]] * 3}}):
        message = {"serial": 1, "kind": "drawn", "regions": [{**region, **change}]}
        with pytest.raises(RegionError):
            event_from_wire(message, base)


@pytest.mark.parametrize(
    "year",
    ["\u00b2\u2070\u00b2\u2074", "9" * 5000, "20 24", "-2024", "\u0662\u0660\u0662\u0664"],
)
def test_a_ring_year_that_only_looks_like_one_is_a_problem_of_its_row(year, tables):
    preview = preview_list(f"name,ring,ring year\nPip,A1,{year}\n".encode(), [], tables)
    assert [p.column for p in preview.problems] == ["ring year"]


@pytest.mark.parametrize("text", [b"record,bird\rcamera\n", b'record,bird,camera\n"x\r"y,1,2\n',
                                  b"record,bird,camera\n\0a.record.json,A,phone\n"])  # fmt: skip
def test_a_list_of_known_birds_that_is_no_csv_is_refused(text, tmp_path, tables):
    (tmp_path / "list.csv").write_bytes(text)
    with pytest.raises(FieldmarksError):
        read_known_birds(tmp_path / "list.csv", tables, "jet_black", ["face"])


@pytest.mark.parametrize("deep", ["[" * 50_000, '{"a":' * 50_000, '{"items": ' + "[" * 9000])
def test_a_region_file_nested_without_end_is_refused(deep):
    with pytest.raises(RegionError):
        region_set_from_text(deep)


def test_a_half_sign_in_a_region_file_does_not_stop_the_record():
    note = {"purpose": "commenting", "value": "\ud800"}
    mark = {"purpose": "tagging", "value": "face"}
    selector = {"type": "FragmentSelector", "value": "xywh=pixel:1,1,9,9"}
    page = {"items": [{"id": "\udfff", "body": [mark, note], "target": {"selector": selector}}]}
    read = region_set_from_text(json.dumps(page))
    json.dumps(to_annotations(read), ensure_ascii=False).encode("utf-8")


@pytest.fixture(scope="module")
def record(tables):
    from test_hostile_names import record_named

    return record_named("bird.png", tables)[1]


def changed(record, change):
    data = json.loads(record_to_json(record))
    change(data)
    return json.dumps(data)


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d["measurement"]["calibration"].update(patches=[]),
        lambda d: d["measurement"]["calibration"].update(gains=[0, 1, 1]),
        lambda d: d["measurement"]["calibration"].update(gains=[-1, 1, 1]),
    ],
)
def test_a_record_that_says_it_is_calibrated_on_nothing_is_refused(record, change):
    with pytest.raises(FieldmarksError, match="not how"):
        Record.from_json(changed(record, change))


def test_records_judged_by_different_tables_can_be_compared(record):
    fewer = changed(record, lambda d: d["assessment"]["sheets"].clear())
    both = [MeasuredPhoto(b"", record, "Ada"), MeasuredPhoto(b"", Record.from_json(fewer), "Bo")]
    assert compare_photos(both).findings is not None


@pytest.mark.parametrize(
    "change",
    [{"known": []}, {"tone": [1e300, 0]}, {"gains": [float("nan"), 1, 1]},
     {"basis": "matrix", "coefficients": [[1, 0], [0, 1], [0, 0]]},
     {"basis": "matrix", "coefficients": [[1, 0, 0]]}],
)  # fmt: skip
def test_a_phone_profile_that_cannot_be_one_is_refused(change, tmp_path):
    correction = {"tone": [0.06, 0.0], "known": [[20, 0, 0], [95, 0, 0]], "source": "chart"}
    profile = {"name": "mine", "camera": "", "software": "", "hdr": False, "colour_profile": "",
               "taken": "", "correction": correction}  # fmt: skip
    path = tmp_path / "x.phone.json"
    path.write_text(json.dumps(profile))
    load_profile(str(path))
    path.write_text(json.dumps({**profile, "correction": {**correction, **change}}))
    with pytest.raises(CardError, match="cannot be"):
        load_profile(str(path))


def test_a_picture_that_unpacks_to_more_than_allowed_is_refused_before_it_is_decoded():
    size = 30_000
    header = struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0)
    png = b"\x89PNG\r\n\x1a\n" + geotagged.chunk(b"IHDR", header)
    png += geotagged.chunk(b"IDAT", b"x") + geotagged.chunk(b"IEND", b"")
    with pytest.raises(FieldmarksError, match="megapixels"):
        decode_photo(png, "x.png")
    assert np.prod([size, size]) > 120e6


def test_a_photo_of_an_endless_name_keeps_its_ending():
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "PNG")
    name = decode_photo(out.getvalue(), "x" * 10_000 + ".png").name
    assert len(name) == 255
    assert name.endswith("x.png")


def test_a_record_of_a_mark_that_the_tables_do_not_know_is_still_shown(record, tables):
    def rename(data):
        data["measurement"]["readings"][0]["mark"] = "wattle"
        for region in data["measurement"]["regions"]["regions"]:
            region["mark"] = "wattle" if region["mark"] == "face" else region["mark"]

    other = Record.from_json(changed(record, rename))
    out = io.StringIO()
    print_record(other, tables, Console(file=out, width=100))
    assert "wattle" in out.getvalue()
    assert "wattle" in colour_plane(other, tables)
