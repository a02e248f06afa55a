"""Regions: shapes, checks, and the Web Annotation file."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldmarks._util.errors import RegionError
from fieldmarks._util.sanitize import harmless
from fieldmarks.measure.region import (
    Ellipse,
    Line,
    Polygon,
    Rectangle,
    Region,
    RegionSet,
    area,
    centre,
    check_regions,
    mask,
    overlap,
    window,
)
from fieldmarks.measure.region_file import (
    from_annotations,
    read_region_file,
    to_annotations,
    write_region_file,
)

MARKS = {"rump": "area", "card": "area", "scale": "line"}
TRIANGLE = Polygon(((10.0, 10.0), (60.0, 12.5), (30.25, 70.0)))


def one(shape, mark="rump", **more) -> RegionSet:
    return RegionSet("bird.jpg", 100, 80, (Region("r1", mark, shape, **more),))


def test_an_ellipse_has_the_area_of_an_ellipse():
    assert area(Ellipse(50, 40, 20, 10, 33)) == pytest.approx(math.pi * 200, rel=1e-9)


def test_a_mask_counts_the_pixels_of_its_shape_and_leaves_out_what_is_cut():
    ring, eye = Ellipse(50, 40, 30, 30), Ellipse(50, 40, 15, 15)
    inside = mask(ring, window(ring, 100, 80), [eye])
    assert inside.sum() == pytest.approx(math.pi * (900 - 225), rel=0.02)


def test_a_rectangle_on_pixel_edges_covers_exactly_its_pixels():
    shape = Rectangle(10, 20, 30, 5)
    inside = mask(shape, (0, 0, 100, 80))
    rows, columns = np.nonzero(inside)
    assert (columns.min(), columns.max(), rows.min(), rows.max()) == (10, 39, 20, 24)
    assert inside.sum() == 150


def test_overlap_of_a_half_shifted_square_is_one_third():
    assert overlap(Rectangle(0, 0, 10, 10), Rectangle(5, 0, 10, 10)) == pytest.approx(1 / 3)


coordinate = st.floats(1, 79).map(lambda v: round(v, 2))
size = st.floats(2, 30).map(lambda v: round(v, 2))
shapes = st.one_of(
    st.builds(Rectangle, coordinate, coordinate, size, size),
    st.builds(Ellipse, coordinate, coordinate, size, size, st.integers(-90, 90).map(float)),
    st.builds(Line, st.tuples(coordinate, coordinate), st.tuples(coordinate, coordinate)),
    st.builds(Polygon, st.lists(st.tuples(coordinate, coordinate), min_size=3).map(tuple)),
)
texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=40)


@given(st.lists(shapes, max_size=4), texts)
def test_a_region_file_gives_back_what_was_saved(drawn, note):
    regions = tuple(
        Region(f"r{i}", "scale" if isinstance(s, Line) else "card", s, 0.5 + i, harmless(note))
        for i, s in enumerate(drawn)
    )
    before = RegionSet("bird.jpg", 100, 80, regions, "ab" * 32)
    assert from_annotations(json.loads(json.dumps(to_annotations(before)))) == before


def test_the_file_is_a_web_annotation_page(tmp_path):
    # W3C Web Annotation Data Model: context, type, motivation, target with source and selector.
    path = tmp_path / "r.json"
    write_region_file(one(TRIANGLE), path)
    page = json.loads(path.read_text())
    assert page["@context"][0] == "http://www.w3.org/ns/anno.jsonld"
    assert page["type"] == "AnnotationPage"
    item = page["items"][0]
    assert item["type"] == "Annotation"
    assert item["motivation"] == "tagging"
    assert item["target"]["selector"]["type"] == "SvgSelector"
    assert item["target"]["selector"]["conformsTo"] == "http://www.w3.org/TR/SVG/"
    assert "<polygon" in item["target"]["selector"]["value"]
    assert read_region_file(path) == one(TRIANGLE)


def test_an_annotation_of_another_tool_is_read():
    page = {
        "@context": "http://www.w3.org/ns/anno.jsonld",
        "type": "AnnotationPage",
        "items": [
            {
                "type": "Annotation",
                "body": {"type": "TextualBody", "purpose": "tagging", "value": "rump"},
                "target": {
                    "source": "https://example.org/bird.jpg",
                    "selector": {"type": "FragmentSelector", "value": "xywh=5,6,20,30"},
                },
            }
        ],
    }
    assert from_annotations(page).regions == (Region("1", "rump", Rectangle(5, 6, 20, 30)),)


def page_of(*bodies: tuple[str, str], **source) -> dict:
    """A page of one annotation on a rectangle: (purpose, value) of each body."""
    body = [{"type": "TextualBody", "purpose": p, "value": value} for p, value in bodies]
    selector = {"type": "FragmentSelector", "value": "xywh=5,6,20,30"}
    target = {"source": {"id": "bird.jpg", **source}, "selector": selector}
    return {"items": [{"type": "Annotation", "body": body, "target": target}]}


@pytest.mark.parametrize(
    "said",
    ["reflectance=abc", "reflectance: 0.5", "Reflectance=0.36", "0.5", "18 %", "",
     "reflectance=0,18", "length mm=0.2"],
)  # fmt: skip
def test_a_card_described_in_words_that_cannot_be_read_is_refused(said):
    """Silently taken for 18 %, it would shift every lightness."""
    with pytest.raises(RegionError) as caught:
        from_annotations(page_of(("tagging", "card"), ("describing", said)), "b.json")
    wrong = f"b.json, annotation 1 (card): its describing body {said!r} cannot be read"
    assert str(caught.value) == f"{wrong}. Write it as reflectance=0.18"


def test_what_another_tool_says_of_a_mark_that_holds_no_value_is_passed_over():
    page = page_of(("tagging", "rump"), ("describing", "pale, in the shade"))
    assert from_annotations(page).regions[0].value is None


@pytest.mark.parametrize("purpose", ["tagging", "describing"])
def test_an_annotation_that_says_two_things_of_one_kind_is_refused(purpose):
    bodies = [("tagging", "card"), ("describing", "reflectance=0.18")]
    twice = [*bodies, next(body for body in bodies if body[0] == purpose)]
    with pytest.raises(RegionError, match=f"annotation 1.*several {purpose} bodies. Keep one"):
        from_annotations(page_of(*twice))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"exif:width": 100}, {"exif:width": 101}),
        ({"schema:sha256": "a" * 64}, {"schema:sha256": "b" * 64}),
        ({}, {"id": "other.jpg"}),
    ],
)
def test_annotations_of_two_photos_in_one_file_are_refused(one, other):
    pages = [page_of(("tagging", "rump"), **source) for source in (one, other)]
    with pytest.raises(RegionError, match=r"of several photos.* and "):
        from_annotations({"items": [item for page in pages for item in page["items"]]})


@pytest.mark.parametrize(
    "svg",
    [
        '<g transform="scale(2)"><ellipse cx="9" cy="9" rx="5" ry="5"/></g>',
        '<ellipse cx="9" cy="9" rx="5" ry="5" transform="translate(5 5)"/>',
        '<polygon points="1,1 9,1 9,9" transform="rotate(5)"/>',
    ],
)
def test_a_change_to_a_shape_that_is_not_read_is_not_passed_over(svg):
    page = page_of(("tagging", "rump"))
    page["items"][0]["target"]["selector"] = {"type": "SvgSelector", "value": f"<svg>{svg}</svg>"}
    with pytest.raises(RegionError, match=r"annotation 1 \(rump\): its SVG cannot be read"):
        from_annotations(page)


def test_a_size_may_be_written_as_text():
    page = page_of(("tagging", "rump"), **{"exif:width": "100", "exif:height": "80"})
    assert (from_annotations(page).width, from_annotations(page).height) == (100, 80)


BAD_REGIONS = {
    "off the photo": (one(Rectangle(90, 10, 20, 20)), "outside the photo"),
    "self-crossing": (one(Polygon(((10, 10), (50, 50), (50, 10), (10, 50)))), "crosses itself"),
    "empty": (one(Polygon(((10, 10), (11, 10), (10, 11)))), "less than 9 pixels"),
    "no points": (one(Polygon(())), "needs at least 3 corners; it has 0"),
    "two points": (one(Polygon(((10, 10), (60, 60)))), "needs at least 3 corners; it has 2"),
    "unknown mark": (one(TRIANGLE, "rumpp"), "no such mark"),
    "line for an area": (one(Line((1, 1), (50, 50))), "is an area"),
    "area for a line": (one(TRIANGLE, "scale"), "is a length"),
    "not a number": (one(Ellipse(math.nan, 3, 5, 5)), "not a number"),
    "bright card": (one(TRIANGLE, "card", value=18.0), "more than 100 %"),
    "id twice": (
        RegionSet("bird.jpg", 100, 80, (Region("r1", "rump", TRIANGLE),) * 2),
        "used twice",
    ),
}


def test_an_outline_may_be_given_as_a_list_or_an_array():
    corners = [(10.0, 10.0), (60.0, 12.5), (30.25, 70.0)]
    assert Polygon(corners) == Polygon(np.array(corners)) == TRIANGLE
    assert hash(Polygon(corners)) == hash(TRIANGLE)


@pytest.mark.parametrize("kind", BAD_REGIONS)
def test_an_unusable_region_is_named_with_the_mend(kind):
    regions, words = BAD_REGIONS[kind]
    with pytest.raises(RegionError) as caught:
        check_regions(regions, MARKS)
    assert "'r1'" in str(caught.value)
    assert words in str(caught.value)
    assert caught.value.mend


def test_a_misspelt_mark_gets_the_nearest_name():
    with pytest.raises(RegionError, match=r"Did you mean 'rump'\? .*own.*--more-tables FOLDER"):
        check_regions(one(TRIANGLE, "rumpp"), MARKS)


BAD_FILES = {
    "not json": b"{ this is not json",
    "no page": b'{"type": "Annotation"}',
    "no target": b'{"items": [{"type": "Annotation"}]}',
    "no selector": b'{"items": [{"body": {"purpose": "tagging", "value": "x"}, "target": {}}]}',
    "entity bomb": json.dumps(
        {
            "items": [
                {
                    "body": {"purpose": "tagging", "value": "rump"},
                    "target": {
                        "selector": {
                            "type": "SvgSelector",
                            "value": '<!DOCTYPE s [<!ENTITY a "aaaa">]><svg>&a;</svg>',
                        }
                    },
                }
            ]
        }
    ).encode(),
    "deep": b"[" * 100_000,
    "binary": bytes(range(256)),
}


@pytest.mark.parametrize("kind", BAD_FILES)
def test_an_unreadable_region_file_is_refused_in_one_line(kind, tmp_path):
    path = tmp_path / "regions.json"
    path.write_bytes(BAD_FILES[kind])
    with pytest.raises(RegionError) as caught:
        read_region_file(path)
    assert str(caught.value).startswith("regions.json")
    assert "\n" not in str(caught.value)


def test_the_centre_of_a_triangle_is_its_centroid():
    assert centre(Polygon(((0, 0), (30, 0), (0, 30)))) == pytest.approx((10, 10))
