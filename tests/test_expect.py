"""What 'expect' prints for a keeper: grouped as one reads a bird, then signs, then facts."""

import io
import itertools

import pytest
from rich.console import Console

from fieldmarks._util.errors import TableError
from fieldmarks.cli.expectations import print_expectations
from fieldmarks.rules import load_rules

TABLES = load_rules()


def printed(species, variety="green", age="adult"):
    out = io.StringIO()
    print_expectations(TABLES, species, variety, age, Console(file=out, width=160))
    return out.getvalue()


PLAIN = [key for key, row in TABLES.varieties.items() if not row.parts]


@pytest.mark.parametrize("species", TABLES.species)
def test_every_bird_is_read_from_head_to_bare_parts(species):
    for variety, age in itertools.product(PLAIN, TABLES.ages):
        kind = TABLES.varieties[variety]
        if kind.species and species not in kind.species:
            with pytest.raises(TableError, match="is not known in"):
                printed(species, variety, age)
            continue
        text = printed(species, variety, age)
        places = [
            text.index(f"\n{part}\n")
            for part in ("Head", "Neck", "Body", "Rump and tail", "Bare parts")
        ]
        assert places == sorted(places)
        assert text.index("Would speak of mixed ancestry") > places[-1]


def test_facts_a_breeder_needs_are_printed_for_every_species():
    # From memory; the same for all five.
    for species in TABLES.species:
        text = printed(species)
        for words in (
            "only a DNA test, or eggs, can tell",
            "4 to 6 eggs",
            "after about 23 days",
            "at 8 to 10 days",
            "at about 6 weeks",
            "10 to 12 months on",
            "check today's listing",
        ):
            assert words in text


def test_hints_are_called_hints_and_sure_signs_sure():
    text = printed("fischeri")
    assert text.index("a sure sign") < text.index("only a hint")
    assert "Any tint of black" in text


def row(text, place):
    """The cells of one place in a printout as wide as no cell needs to wrap."""
    lines = (
        [cell.strip() for cell in line.split("  ") if cell.strip()] for line in text.splitlines()
    )
    return next(cells[1:] for cells in lines if cells and cells[0] == place)


def test_a_young_bird_is_told_why_it_may_differ_and_a_grown_one_is_not():
    # Common practice, no published source: young birds are duller, with a smudge on the beak.
    young, grown = (printed("personatus", age=age) for age in ("young", "adult"))
    assert "Young birds are duller" in young
    assert "Young birds are duller" not in grown
    assert "nothing is taken away" not in young
    assert "lighten later" in printed("lilianae", age="young")
    assert row(printed("fischeri", age="young"), "rump") == row(printed("fischeri"), "rump")


def test_the_eye_is_the_one_the_variety_is_named_for():
    # From memory: dark-eyed clear birds have dark eyes, fallow and many lutino birds red ones.
    for species in ("personatus", "fischeri"):
        assert "red iris" in str(row(printed(species, "ino"), "iris"))
        assert "red iris" not in str(row(printed(species, "dark_eyed_clear"), "iris"))
    for species in TABLES.species:
        assert "red iris" in str(row(printed(species, "fallow"), "iris"))


def test_only_what_can_stand_beside_something_else_is_called_side_by_side():
    assert "side by side" in str(row(printed("fischeri", "pied"), "back"))
    for variety in ("blue_ino", "pied_blue"):
        assert "side by side" not in str(row(printed("fischeri", variety), "collar"))
    for age in TABLES.ages:
        assert "side by side" not in str(row(printed("roseicollis", "turquoise", age), "beak tip"))


def test_no_comparison_of_patches_is_printed_that_any_bird_would_pass():
    assert "rump against back" in printed("nigrigenis")
    assert "rump against back" not in printed("nigrigenis", "pied")


def test_a_blue_bird_is_not_said_to_be_yellowish_green():
    for key, kind in TABLES.varieties.items():
        assert kind.series != "blue" or "yellowish green" not in kind.look, key
