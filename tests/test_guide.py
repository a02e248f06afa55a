"""The guide's drawing and rows agree with the rule tables; every word is explained plainly."""

import collections
import functools
import itertools
import re

import colour
import numpy as np
import pytest
from defusedxml.ElementTree import fromstring
from hypothesis import given
from hypothesis import strategies as st

from fieldmarks._util.errors import TableError
from fieldmarks.report.bird import Drawing, drawing, spread_out
from fieldmarks.report.glossary import explain, link_words, read_words, words, words_in
from fieldmarks.report.guide import guide_drawing, guide_rows, where_is
from fieldmarks.report.theme import LIGHT
from fieldmarks.rules import load_rules
from fieldmarks.rules.plumage import expected
from fieldmarks.rules.separation import MARGIN, next_marks

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def tables():
    return load_rules()


drawn = functools.cache(guide_drawing)  # by the tables themselves: they are one fixture
read = functools.cache(fromstring)


def painted(source, mark):
    """Fill of the largest shape of a mark, as written in the drawing."""
    shapes = [layer for layer in drawing().layers if layer.mark == mark and not layer.paint]
    path = max(shapes, key=lambda layer: len(layer.path)).path
    return [fill for fill in fills(source)[path] if fill != "none"]


@functools.cache
def fills(source):
    """Path -> fills of the shapes that have it."""
    found = collections.defaultdict(list)
    for shape in read(source).iter(f"{SVG}path"):
        if style := shape.get("style"):
            found[shape.get("d")].append(re.search(r"fill:([^;]+)", style)[1])
    return found


@functools.cache
def reference_code(lab):
    """A CIELAB colour as sRGB by colour-science, clipped to the screen's gamut."""
    rgb = np.clip(colour.XYZ_to_sRGB(colour.Lab_to_XYZ(lab)), 0, 1) * 255
    return [round(float(v)) for v in rgb]


def as_numbers(code):
    return [int(code[i : i + 2], 16) for i in (1, 3, 5)]


def choices(tables):
    return list(itertools.product(tables.species, tables.varieties))


def test_every_mark_of_the_tables_has_a_place_in_the_drawing(tables):
    drawn = {layer.mark for layer in drawing().layers if layer.anchor}
    assert set(tables.marks) <= drawn
    for layer in drawing().layers:
        assert layer.clip is None or layer.clip in drawing().outlines
        if layer.anchor:
            assert 0 <= layer.anchor[0] <= drawing().size[0]
            assert 0 <= layer.anchor[1] <= drawing().size[1]


def test_the_drawing_is_valid_for_every_species_and_variety(tables):
    for species, variety in choices(tables):
        source = drawn(tables, species, variety)
        root = read(source)
        assert tables.species[species].name in root.find(f"{SVG}title").text
        ids = [e.get("id") for e in root.iter() if e.get("id")]
        assert len(ids) == len(set(ids))
        assert set(re.findall(r"url\(#([^)]+)\)", source)) <= set(ids)


def test_a_mark_is_painted_in_its_expected_colour(tables):
    checked = 0
    for species, variety in choices(tables):
        source = drawn(tables, species, variety)
        for mark in tables.species[species].marks:
            found = expected(tables, species, mark, variety)
            if found.says_nothing or found.mixed:
                continue
            (fill,) = painted(source, mark)
            wanted = reference_code(tables.lab[found.swatches[0]])
            assert as_numbers(fill) == pytest.approx(wanted, abs=1), (species, variety, mark)
            checked += 1
    assert checked > 500


def test_a_mark_of_several_colours_shows_them_all_side_by_side(tables):
    source = guide_drawing(tables, "personatus")
    (fill,) = painted(source, "nape")
    key = re.fullmatch(r"url\(#([^)]+)\)", fill)[1]
    gradient = next(e for e in fromstring(source).iter(f"{SVG}linearGradient")
                    if e.get("id") == key)  # fmt: skip
    shown = {stop.get("stop-color") for stop in gradient}
    wanted = expected(tables, "personatus", "nape").swatches
    assert len(shown) == len(wanted) > 1


def test_a_mark_that_says_nothing_is_hatched(tables):
    source = guide_drawing(tables, "fischeri", "opaline")
    silent = [m for m in tables.species["fischeri"].marks
              if expected(tables, "fischeri", m, "opaline").says_nothing]  # fmt: skip
    assert "rump" in silent
    for mark in silent:
        assert all(fill.endswith("_hatch)") for fill in painted(source, mark)), mark
    assert not painted(source, "beak_base")[0].endswith("_hatch)")


def test_numbers_of_the_drawing_are_those_of_the_rows(tables):
    for species in tables.species:
        rows = guide_rows(tables, species)
        numbered = [r.number for r in rows if r.number and not r.relation]
        assert len(numbered) == len(set(numbered))
        texts = [e.text for e in fromstring(guide_drawing(tables, species)).iter(f"{SVG}text")]
        assert sorted(texts) == sorted(numbered)
        for row in rows:
            if row.relation and row.number:
                marks = tables.relations[row.mark].marks
                assert row.number.split("+") == [
                    r.number for m in marks for r in rows if r.mark == m and r.number
                ]


def test_rows_come_in_the_order_in_which_they_tell_most(tables):
    for species, variety in choices(tables):
        rows = guide_rows(tables, species, variety)
        order = [(r.says_nothing, -r.always, -r.sometimes) for r in rows]
        assert order == sorted(order)


def test_how_much_a_mark_tells_is_counted_rightly(tables):
    """Counted again from the swatches, with CIEDE2000 of colour-science."""
    rows = {r.mark: r for r in guide_rows(tables, "fischeri") if not r.relation}

    def outside(ones, others):
        return [
            all(
                colour.difference.delta_E_CIE2000(np.array(tables.lab[a]), np.array(tables.lab[b]))
                - tables.swatches[b].tolerance
                > MARGIN
                for b in others
            )
            for a in ones
        ]

    for mark in ("face", "rump", "collar", "iris", "belly", "beak_base"):
        surely = 0
        for other in tables.species:
            one = expected(tables, "fischeri", mark).swatches
            two = expected(tables, other, mark).swatches
            if other != "fischeri" and one and two:
                surely += all(outside(one, two)) and all(outside(two, one))
        assert rows[mark].always == surely, mark
        assert rows[mark].of_others == len(tables.species) - 1


def test_the_guide_ranks_as_the_advice_on_what_to_mark_next_does(tables):
    """For two species left, what the guide calls telling is what next_marks would ask for."""
    asked = {m.mark for m in next_marks(tables, ["personatus", "fischeri"], []) if m.always}
    rows = {r.mark: r for r in guide_rows(tables, "personatus")}
    assert asked
    assert all(rows[mark].always >= 1 for mark in asked)


def test_a_green_row_says_what_the_species_file_says_and_another_variety_its_colours(tables):
    green = {r.mark: r for r in guide_rows(tables, "personatus")}
    assert green["collar"].look == tables.species["personatus"].marks["collar"].look
    blue = {r.mark: r for r in guide_rows(tables, "personatus", "blue")}
    assert blue["collar"].look.startswith("White")
    assert all("yellow" not in row.look.lower() for row in blue.values()
               if not row.relation and not row.says_nothing)  # fmt: skip
    opaline = {r.mark: r for r in guide_rows(tables, "personatus", "opaline")}
    assert opaline["rump"].says_nothing
    assert opaline["rump"].look.startswith("Says nothing here")


def test_a_highlighted_mark_keeps_its_colour_and_the_others_fade(tables):
    source = guide_drawing(tables, "fischeri", highlight="rump")
    shapes = {layer.mark: layer.path for layer in drawing().layers if layer.mark}
    by_path = {}
    for element in fromstring(source).iter(f"{SVG}path"):
        by_path.setdefault(element.get("d"), []).append(element)
    assert all(e.get("opacity") is None for e in by_path[shapes["rump"]])
    assert any(e.get("opacity") == "0.3" for e in by_path[shapes["wing"]])
    assert source != guide_drawing(tables, "fischeri")


def test_where_a_mark_is_can_be_asked_for_every_mark(tables):
    for mark, row in tables.marks.items():
        source = where_is(tables, mark)
        root = fromstring(source)
        assert root.find(f"{SVG}title").text == f"Where is the {row.name}?"
        assert [e.text for e in root.iter(f"{SVG}text")] == [row.name]
        assert LIGHT["accent"] in source
    with pytest.raises(TableError, match="no drawing of 'wattle'"):
        where_is(tables, "wattle")


def test_an_unknown_species_variety_or_age_is_refused(tables):
    for asked in (("parrot",), ("fischeri", "plaid"), ("fischeri", "green", "ancient")):
        with pytest.raises(TableError):
            guide_drawing(tables, *asked)


@given(
    st.lists(st.floats(0, 430), max_size=18).map(sorted),
    st.floats(5, 23),
)
def test_numbers_beside_the_bird_keep_their_order_and_distance(places, gap):
    spread = spread_out(places, gap, 430)
    assert len(spread) == len(places)
    assert all(b - a >= gap - 1e-6 for a, b in itertools.pairwise(spread))
    assert all(gap / 2 - 1e-6 <= p <= 430 - gap / 2 + 1e-6 for p in spread)


def test_numbers_that_are_far_enough_apart_stay_where_they_are():
    assert spread_out([40, 100, 300], 23, 430) == [40, 100, 300]


def test_numbers_in_the_drawing_do_not_overlap(tables):
    for species in tables.species:
        circles = [
            (float(e.get("cx")), float(e.get("cy")))
            for e in fromstring(guide_drawing(tables, species)).iter(f"{SVG}circle")
            if e.get("r") == "9.5"
        ]
        for one, other in itertools.combinations(circles, 2):
            assert np.hypot(*np.subtract(one, other)) >= 19


# --- words ---

NEEDED = (
    "mask", "collar", "bib", "rump", "cere", "moult", "nape", "hood", "psittacin", "eumelanin",
    "CIEDE2000", "L*", "a*", "b*", "C*", "h", "tolerance", "uncertainty", "95 %", "grey card",
    "sign", "draw", "lutino", "albino", "dark factor", "opaline", "pied", "dilute", "violet",
)  # fmt: skip


@pytest.mark.parametrize("word", NEEDED)
def test_a_trade_or_measuring_word_is_explained(word):
    assert explain(word) == explain(word.upper()) == explain(f"  {word} ")
    assert explain(word).endswith(".")


def test_every_variety_of_the_tables_has_an_explained_word(tables):
    for row in tables.varieties.values():
        spellings = [s for w in words().values() for s in (w.word, *w.also)]
        assert any(
            re.search(rf"\b{re.escape(s)}s?\b", row.name, re.IGNORECASE) for s in spellings
        ), row.name


def test_explanations_are_short_and_plain():
    for row in words().values():
        sentences = [s for s in re.split(r"(?<=[.!?])\s+", row.text) if s]
        assert 1 <= len(sentences) <= 2, row.word
        for sentence in sentences:
            assert len(sentence.split()) <= 24, row.word
    lengths = [len(s.split()) for row in words().values() for s in row.text.split(". ")]
    assert np.mean(lengths) <= 13


def test_an_unknown_word_names_a_near_one():
    with pytest.raises(TableError, match="Did you mean 'collar'"):
        explain("colar")


def test_words_in_a_text_are_found_whole_and_linked_once():
    found = [w.word for w in words_in("The mask and the MASK; draws of L*; unmasked collars")]
    assert found == ["draw", "L*", "mask"]
    linked = link_words("A mask, a mask & <b>rump</b>.")
    assert linked.count("<a ") == 2
    assert linked.startswith('A <a class="fm-word" href="#word-mask">mask</a>, a mask &amp; ')
    assert "<b>" not in linked
    root = fromstring(f"<p>{linked}</p>")
    assert "".join(root.itertext()) == "A mask, a mask & <b>rump</b>."


@given(st.text(max_size=200))
def test_linking_changes_no_text(text):
    from fieldmarks.report.svg import plain

    root = fromstring(f"<p>{link_words(text)}</p>")
    assert "".join(root.itertext()) == plain(text, 2000)


def test_every_word_has_a_place_of_its_own_on_a_page():
    anchors = [row.anchor for row in words().values()]
    assert len(anchors) == len(set(anchors))
    assert all(re.fullmatch(r"word-[a-z0-9-]*[a-z0-9]", a) for a in anchors)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ('[words.bib]\ntext = "short"', "bib: text"),
        ('[words.bib]\ntext = "no capital at the start."', "bib: text"),
        ('[words.bib]\ntext = "A patch on the throat."\nlink = 1', "bib: link"),
        ('[words.bib]\ntext = "A patch on the throat."\nalso = ["Bib"]', "explained twice"),
        ("[words", "not TOML"),
    ],
)
def test_a_wrong_row_of_the_glossary_is_named(row, said):
    with pytest.raises(TableError, match=said):
        read_words(row)


@pytest.mark.parametrize("paint", ["length", "chosen", "outline"])
def test_a_paint_that_is_used_but_not_there_is_refused_on_reading(paint):
    whole = drawing().model_dump()
    del whole["paints"][paint]
    with pytest.raises(ValueError, match=f"no paint {paint}"):
        Drawing.model_validate(whole)
