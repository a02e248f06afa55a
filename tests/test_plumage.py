"""The plumage model: colours that follow from pigment and structure."""

import dataclasses
import io
import itertools

import pytest
from rich.console import Console

from fieldmarks._util.errors import TableError
from fieldmarks.cli.expectations import print_separations
from fieldmarks.judge.signs import _as_in
from fieldmarks.measure.colour import difference, faded
from fieldmarks.rules import load_rules, plumage
from fieldmarks.rules.schema import SpeciesRelation
from fieldmarks.rules.separation import next_marks, plumage_separates, separating_marks

TABLES = load_rules()


def words(species, mark, variety="green", age="adult"):
    return set(plumage.expected(TABLES, species, mark, variety, age).swatches)


def test_blue_takes_the_yellow_out_of_green_and_leaves_blue():
    assert words("lilianae", "belly") == {"light_green"}
    assert words("lilianae", "belly", "blue") == {"sky_blue"}


def test_blue_turns_yellow_and_red_white():
    for species, mark in (("personatus", "collar"), ("fischeri", "face"), ("lilianae", "face")):
        assert words(species, mark, "blue") == {"white", "whitish"}


def test_ino_turns_green_yellow_and_a_blue_tail_tip_white():
    assert words("fischeri", "back", "ino") == {"bright_yellow"}
    assert words("roseicollis", "rump", "ino") == {"white", "whitish"}


def test_ino_shows_what_lay_under_the_black():
    assert words("personatus", "face", "ino") == {"pale_orange"}
    assert {"salmon", "pale_salmon"} <= words("nigrigenis", "cheek", "ino")


def test_blue_and_ino_together_leave_all_feathers_white():
    for species, row in TABLES.species.items():
        for mark in row.marks:
            if TABLES.marks[mark].kind == "feather" and not row.marks[mark].edge:
                assert words(species, mark, "blue_ino") == {"white", "whitish"}


def test_young_birds_may_show_all_that_adults_show():
    for species, row in TABLES.species.items():
        for variety in TABLES.varieties:
            for mark in row.marks:
                adult = words(species, mark, variety)
                assert adult <= words(species, mark, variety, "young")


def test_stated_green_colours_agree_with_the_make_up():
    strays = [
        (species, mark)
        for species, row in TABLES.species.items()
        for mark in row.marks
        if plumage.disagreeing_swatches(TABLES, species, mark) and not row.marks[mark].differs
    ]
    assert strays == []


def test_a_stated_colour_that_the_make_up_cannot_give_is_found():
    row = TABLES.species["fischeri"].marks["rump"]
    wrong = row.model_copy(update={"swatches": ("bright_yellow",)})
    species = TABLES.species["fischeri"]
    changed = species.model_copy(update={"marks": {**species.marks, "rump": wrong}})
    tables = dataclasses.replace(TABLES, species={**TABLES.species, "fischeri": changed})
    assert plumage.disagreeing_swatches(tables, "fischeri", "rump")[0] == "bright_yellow"


def test_at_least_four_in_five_variety_expectations_are_derived_and_overrides_have_reasons():
    found = [
        plumage.expected(TABLES, species, mark, variety)
        for species, row in TABLES.species.items()
        for variety in TABLES.varieties
        if variety != "green"
        for mark in row.marks
    ]
    overrides = [row for row in found if row.basis == "override"]
    derived = sum(row.basis == "derived" for row in found)
    assert derived > 500
    assert derived >= 0.8 * (derived + len(overrides))
    assert all(len(row.reason) > 20 for row in overrides)


def test_every_expectation_says_why():
    for species, row in TABLES.species.items():
        for variety in TABLES.varieties:
            for mark in row.marks:
                found = plumage.expected(TABLES, species, mark, variety)
                assert found.reason
                assert found.says_nothing == (found.basis == "says nothing")


def test_a_thin_edge_is_looked_at_for_signs_only():
    found = plumage.expected(TABLES, "personatus", "mask_edge")
    assert found.says_nothing
    assert "blends" in found.reason


@pytest.mark.parametrize(
    ("species", "sign", "variety"),
    [
        ("nigrigenis", "nigrigenis_rump_differs", "euwing"),
        ("lilianae", "lilianae_rump_differs", "euwing_blue"),
        ("fischeri", "fischeri_dark_rim_blended", "opaline"),
    ],
)
def test_a_comparison_with_a_mark_that_the_variety_changes_is_no_sign(species, sign, variety):
    # From memory: euwing darkens the back, opaline the head.
    row = TABLES.signs[sign]
    assert row.species == species
    assert plumage.speaking_marks(TABLES, row, TABLES.varieties["green"])
    assert plumage.speaking_marks(TABLES, row, TABLES.varieties[variety]) == ()
    ring = TABLES.signs[f"{species}_thin_ring"]  # no feather is compared there
    assert plumage.speaking_marks(TABLES, ring, TABLES.varieties[variety])


def test_an_unknown_mark_row_says_nothing_with_a_reason():
    found = plumage.expected(TABLES, "roseicollis", "cere")
    assert found.says_nothing
    assert "No rule" in found.reason


@pytest.mark.parametrize(
    ("species", "variety", "age"),
    [
        ("nobody", "green", "adult"),
        ("fischeri", "plaid", "adult"),
        ("fischeri", "green", "ancient"),
    ],
)
def test_unknown_choices_are_refused_with_the_list(species, variety, age):
    with pytest.raises(TableError, match="there is no"):
        plumage.expected(TABLES, species, "rump", variety, age)


def test_rump_as_back_follows_from_the_make_up():
    low = {
        v: plumage.expected_relation(TABLES, "fischeri", "rump_as_back", v).low
        for v in ("green", "blue")
    }
    assert all(limit is not None for limit in low.values())
    for variety in ("green", "blue", "ino", "blue_ino"):
        found = plumage.expected_relation(TABLES, "nigrigenis", "rump_as_back", variety)
        assert found.high is not None
        assert found.basis == "derived"


def test_fading_beak_is_lost_in_blue_and_kept_in_ino():
    assert plumage.expected_relation(TABLES, "lilianae", "beak_fade", "ino").low is not None
    assert plumage.expected_relation(TABLES, "lilianae", "beak_fade", "blue").low is None


def test_no_feather_tells_blue_ino_birds_apart_and_that_is_worked_out():
    assert not plumage_separates(TABLES, list(TABLES.species), "blue_ino", "adult")
    assert plumage_separates(TABLES, list(TABLES.species), "blue", "adult")
    for pair, rows in separating_marks(TABLES, "blue_ino").items():
        feathers = [
            r.mark for r in rows if getattr(TABLES.marks.get(r.mark), "kind", "") == "feather"
        ]
        assert feathers == [], pair
        bare = {"iris", "ring", "size"} | (
            {"beak_base", "beak_tip"} if "roseicollis" in pair else set()
        )
        assert {r.mark for r in rows} <= bare, pair


def test_separation_agrees_with_the_trade_in_green_birds():
    """Common practice, no published source."""
    table = separating_marks(TABLES, "green")
    always = {pair: {r.mark for r in rows if r.how == "always"} for pair, rows in table.items()}
    assert {"face", "forehead", "crown"} <= always["personatus", "fischeri"]
    assert "face" not in always["personatus", "nigrigenis"]  # both black
    assert {"iris", "rump", "beak_fade"} <= always["personatus", "nigrigenis"]
    assert {"face", "cheek"} <= always["nigrigenis", "lilianae"]
    assert not {"iris", "rump", "rump_as_back"} & always["nigrigenis", "lilianae"]  # alike
    assert all("ring" in always[s, "roseicollis"] for s in list(TABLES.species)[:4])


def test_orange_marks_separate_nothing_in_the_blue_series():
    """Common practice, no published source: no orange to see, look at black and white only."""
    rows = separating_marks(TABLES, "blue")["fischeri", "lilianae"]
    assert not {"face", "forehead", "cheek"} & {r.mark for r in rows}


def with_relations(**changes):
    rows = {k: r.model_copy(update=changes) for k, r in TABLES.relations.items()}
    return dataclasses.replace(TABLES, relations=rows)


def test_a_relation_always_tells_apart_only_across_its_stated_margin():
    for variety in TABLES.varieties:
        for pair, rows in separating_marks(TABLES, variety).items():
            for row in rows:
                if row.relation and row.how == "always":
                    assert row.gap >= TABLES.relations[row.mark].margin, (variety, pair, row)
    wide = separating_marks(with_relations(margin=1000.0))
    assert not [r for rows in wide.values() for r in rows if r.relation and r.how == "always"]


def test_ranges_that_touch_are_not_told_apart_for_certain_without_a_margin():
    """At most 5 and at least 5: a bird of either may show just 5."""
    species = {}
    for key, ends in (("personatus", {"low": 5.0}), ("fischeri", {"high": 5.0})):
        row = SpeciesRelation(**ends, look="Made up.", evidence="made up")
        species[key] = TABLES.species[key].model_copy(update={"relations": {"ring": row}})
    tables = dataclasses.replace(with_relations(margin=None), species=species)
    (found,) = [r for r in separating_marks(tables)["personatus", "fischeri"] if r.mark == "ring"]
    assert found.how == "sometimes"
    assert found.gap == 0


def test_body_length_does_not_tell_every_two_species_apart():
    """Lengths a few millimetres apart are within what a photo may be off."""
    table = separating_marks(TABLES)
    told = {pair: r.how for pair, rows in table.items() for r in rows if r.mark == "size"}
    assert ("personatus", "fischeri") not in told
    assert ("nigrigenis", "lilianae") not in told
    assert [pair for pair, how in told.items() if how == "always"] == [
        ("nigrigenis", "roseicollis")
    ]


def test_gaps_are_printed_with_their_unit_and_never_as_nought():
    out = io.StringIO()
    print_separations(TABLES, "green", "adult", Console(file=out, width=500, highlight=False))
    text = out.getvalue()
    assert "(0)" not in text
    assert "(0 " not in text
    assert "(0.00" not in text
    assert "eye ring width (0.04 of the eye's diameter)" in text
    assert "rump against back (13 CIEDE2000)" in text


def test_next_marks_are_ranked_by_the_pairs_they_tell_apart():
    ranked = next_marks(TABLES, ["personatus", "nigrigenis", "lilianae"], ["face"], "green")
    assert "face" not in {m.mark for m in ranked}
    assert [m.always for m in ranked] == sorted((m.always for m in ranked), reverse=True)
    assert ranked[0].always == ranked[0].of_pairs == 3


def test_next_marks_of_one_candidate_are_none():
    assert next_marks(TABLES, ["fischeri"], [], "green") == ()


def test_two_marks_in_expected_colours_are_never_said_to_be_too_far_apart():
    """For every species, variety and age: a pure bird may show any of the colours of each mark."""
    seen = wide = 0
    for species, variety, age in itertools.product(TABLES.species, TABLES.varieties, TABLES.ages):
        for key, kind in TABLES.relations.items():
            wanted = plumage.expected_relation(TABLES, species, key, variety, age)
            if kind.kind not in ("same", "fade") or wanted.basis != "derived":
                continue
            first, second = (
                plumage.expected(TABLES, species, m, variety, age).swatches for m in kind.marks
            )
            for one, other in itertools.product(first, second):
                a, b = TABLES.lab[one], TABLES.lab[other]
                apart = float(difference(a, b))
                if kind.kind == "fade":
                    apart = float(faded(a, b))
                assert wanted.low is None or apart >= wanted.low
                assert wanted.high is None or apart <= wanted.high
                for sign in TABLES.signs.values():
                    if (sign.species, sign.relation) == (species, key) and sign.above is not None:
                        above = _as_in(TABLES, sign, variety, age).above
                        assert wanted.high is None or above >= wanted.high + kind.margin
                seen += 1
            wide += wanted.high is not None and wanted.high > kind.limit
    assert seen > 500
    assert wide > 0
