"""One reader of region files: a file beside a photo and the workbench refuse alike."""

import json

import pytest
from made_birds import CLEAN, paint, regions_for

from fieldmarks._util.errors import RegionError
from fieldmarks.app.state import Day
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import read_region_file, region_set_from_text, to_annotations


def opened(tables):
    return Day(tables).open(paint(CLEAN), "bird.png")


def text_for(sha256):
    return json.dumps(to_annotations(RegionSet("bird.png", 280, 200, regions_for(CLEAN), sha256)))


def test_all_ways_in_read_the_same_regions(tables, tmp_path):
    work = opened(tables)
    text = text_for(work.photo.sha256)
    (tmp_path / "r.json").write_text(text, encoding="utf-8")
    work.open_regions(text, "r.json")
    read = region_set_from_text(text)
    assert read.regions
    assert read == read_region_file(tmp_path / "r.json")
    assert work.regions.regions == read.regions


@pytest.mark.parametrize("broken", [b"no json", b"", b"\xff\xfe", b"[" * 200_000])
def test_what_is_no_json_is_refused_with_each_ones_own_mend(tables, tmp_path, broken):
    (tmp_path / "r.json").write_bytes(broken)
    with pytest.raises(RegionError, match=r"not JSON.*saved with the photo"):
        read_region_file(tmp_path / "r.json")
    with pytest.raises(RegionError, match=r"not JSON.*saved by this app"):
        opened(tables).open_regions(broken.decode("utf-8", "replace"), "r.json")


def test_regions_of_another_photo_are_refused(tables):
    text = text_for("0" * 64)
    with pytest.raises(RegionError, match=r"not drawn on this bird\.png, but on another photo"):
        opened(tables).open_regions(text, "r.json")
