"""Records on disk: read back whole, repeated, resumed, and safe to open in a spreadsheet."""

import csv
import io
import json

import jsonschema
import pytest
from PIL import Image
from scenes import GREY_18, card, linear_scene
from test_phone_profile import chart_tiles, phone_photo, tile

from fieldmarks._util.errors import FieldmarksError, PhotoError, RegionError
from fieldmarks.folder import assess_many, photos_in
from fieldmarks.measure.chart import calibrate_with_chart
from fieldmarks.measure.colour import encode_srgb
from fieldmarks.measure.phone_profile import make_profile
from fieldmarks.measure.photo import open_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.measure.region_file import write_region_file
from fieldmarks.pipeline import make_record, record_of_file
from fieldmarks.record import (
    FINDING_COLUMNS,
    Question,
    Record,
    finding_rows,
    record_schema,
    record_to_json,
    to_csv,
    write_whole,
)
from fieldmarks.rules import load_rules

FACE, COLLAR = Ellipse(250, 150, 40, 40), Ellipse(400, 250, 40, 40)


@pytest.fixture(scope="module")
def tables():
    return load_rules()


def save_bird(folder, name="bird", face=(20, 1, 1), note=""):
    scene = linear_scene(
        [(Rectangle(20, 20, 80, 80), GREY_18), (FACE, face), (COLLAR, (80, 2, 70))],
        cast=(0.9, 0.8, 0.7),
    )
    path = folder / f"{name}.jpg"
    pixels = (encode_srgb(scene) * 255).round().astype("uint8")
    Image.fromarray(pixels).save(path, quality=95)
    regions = (card(), Region("f", "face", FACE, note=note), Region("c", "collar", COLLAR))
    write_region_file(RegionSet(path.name, 600, 400, regions), folder / f"{name}.regions.json")
    return path


def test_a_record_is_read_back_exactly(tmp_path, tables):
    record, _ = record_of_file(save_bird(tmp_path), tables)
    assert Record.from_json(record_to_json(record)) == record


def test_a_record_file_keeps_to_the_published_schema(tmp_path, tables):
    record, _ = record_of_file(save_bird(tmp_path), tables)
    schema = record_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(record_to_json(record)), schema)


def test_the_same_photo_gives_the_same_record(tmp_path, tables):
    path = save_bird(tmp_path)
    first, _ = record_of_file(path, tables)
    second, _ = record_of_file(path, tables)
    assert record_to_json(first) == record_to_json(second)


def test_every_reading_says_its_colour_space(tmp_path, tables):
    record, _ = record_of_file(save_bird(tmp_path), tables)
    assert record.colour_space == "CIELAB, illuminant D65, CIE 1931 2 degree observer"


def test_a_region_file_of_another_photo_is_refused(tmp_path, tables):
    path = save_bird(tmp_path)
    regions = RegionSet(path.name, 600, 400, (card(),), sha256="0" * 64)
    write_region_file(regions, tmp_path / "bird.regions.json")
    with pytest.raises(RegionError, match=r"not drawn on this bird\.jpg"):
        record_of_file(path, tables)


@pytest.mark.parametrize(
    ("photo", "size", "said"),
    [
        ("other.jpg", (0, 0), r"it belongs to other\.jpg, not to bird\.jpg\. If both are one"),
        ("bird.jpg", (601, 400), r"601 x 400 pixels, and bird\.jpg has 600 x 400"),
        ("bird.jpg", (400, 600), r"400 x 600 pixels, and bird\.jpg has 600 x 400"),
    ],
)
def test_without_a_fingerprint_name_and_size_tell_another_photo(
    tmp_path, tables, photo, size, said
):
    path = save_bird(tmp_path)
    write_region_file(RegionSet(photo, *size, (card(),)), tmp_path / "bird.regions.json")
    with pytest.raises(RegionError, match=rf"^bird\.regions\.json: .*{said}"):
        record_of_file(path, tables)


def test_a_photo_may_be_renamed_and_its_name_be_written_in_many_ways(tmp_path, tables):
    path, beside = save_bird(tmp_path), tmp_path / "bird.regions.json"
    same = open_photo(path).sha256
    for name, sha256 in (
        ("before.jpg", same), ("https://example.org/a/bird.jpg", ""), ("BIRD.JPG", ""), ("", "")
    ):  # fmt: skip
        write_region_file(RegionSet(name, 600, 400, (card(),), sha256), beside)
        assert record_of_file(path, tables)[0].measurement.regions.photo == "bird.jpg"


def test_a_table_that_a_record_has_not_is_refused_with_those_it_has(tmp_path, tables):
    record, _ = record_of_file(save_bird(tmp_path), tables)
    with pytest.raises(FieldmarksError, match=r"no table 'finding'.*findings or readings"):
        record.to_frame("finding")


def test_a_record_of_another_make_is_refused_in_one_line():
    with pytest.raises(FieldmarksError, match="not a record") as caught:
        Record.from_json('{"program": 3}', where="old.record.json")
    assert "\n" not in str(caught.value)


def test_a_folder_goes_on_after_a_bad_file_and_after_being_stopped(tmp_path, tables):
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    for name in ("a", "c"):
        save_bird(photos, name)
    (photos / "b.jpg").write_text("no photo at all")
    first = assess_many(photos_in(photos), out, tables, Question())
    assert (first.done, first.kept, len(first.problems)) == (2, 0, 1)
    assert first.problems[0].startswith("b.jpg: ")
    before = (out / "a.record.json").stat().st_mtime_ns
    save_bird(photos, "d")
    second = assess_many(photos_in(photos), out, tables, Question())
    assert (second.done, second.kept) == (1, 2)
    assert (out / "a.record.json").stat().st_mtime_ns == before
    with (out / "readings.csv").open(newline="") as file:
        assert {row["photo"] for row in csv.DictReader(file)} == {"a.jpg", "c.jpg", "d.jpg"}


@pytest.mark.parametrize("change", ["photo", "regions", "question"])
def test_a_changed_photo_region_or_question_is_measured_again(tmp_path, tables, change):
    path, out = save_bird(tmp_path), tmp_path / "out"
    assess_many([path], out, tables, Question())
    question = Question()
    if change == "photo":
        save_bird(tmp_path, face=(60, 40, 50))
    elif change == "regions":
        save_bird(tmp_path, note="seen by another")
    else:
        question = Question(variety="blue")
    assert assess_many([path], out, tables, question).done == 1


def test_an_empty_folder_is_said(tmp_path):
    with pytest.raises(PhotoError, match="no photo lies in this folder"):
        photos_in(tmp_path)


def test_a_failed_write_leaves_no_half_file(tmp_path, monkeypatch):
    import os

    target = tmp_path / "x.json"
    target.write_text("old")

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FieldmarksError, match="the disk is full"):
        write_whole(target, "new")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_cell_that_a_spreadsheet_would_run_is_disarmed():
    text = to_csv(["a", "b"], [{"a": "=cmd|' /C calc'!A0", "b": -3.5}])
    row = next(csv.DictReader(io.StringIO(text)))
    assert row == {"a": "'=cmd|' /C calc'!A0", "b": "-3.5"}


def test_findings_have_a_row_for_every_species_and_mark(tmp_path, tables):
    path = save_bird(tmp_path)
    record = make_record(
        open_photo(path),
        RegionSet(path.name, 600, 400, (card(), Region("f", "face", FACE))),
        tables,
    )
    rows = list(finding_rows(record))
    faces = [r for r in rows if r["mark or sign"] == "face"]
    assert {r["species"] for r in faces} == set(tables.species)
    assert all(set(r) == set(FINDING_COLUMNS) for r in rows)
    status = {r["species"]: r["status"] for r in faces}
    # Common practice, no published source: personatus has a black mask, fischeri an orange face.
    assert status["personatus"] == "fits"
    assert status["fischeri"] == "does not fit"


def test_a_record_made_with_a_phone_profile_is_kept_and_repeated_whole(tmp_path, tables):
    chart_photo, _ = phone_photo()
    on_chart = calibrate_with_chart(chart_photo, [tile(24)], chart_tiles())
    profile = make_profile("my phone", chart_photo, on_chart)
    path = save_bird(tmp_path)
    record, photo = record_of_file(path, tables, phone=profile)
    again = Record.from_json(record_to_json(record))
    assert again == record
    assert again.phone == profile
    remembered = {}
    regions = record.measurement.regions
    for _ in range(2):
        made = make_record(photo, regions, tables, remembered=remembered, phone=again.phone)
        assert record_to_json(made) == record_to_json(record)
    assert len(remembered) == 2
