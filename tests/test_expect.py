"""What 'expect' prints for a keeper: grouped as one reads a bird, then signs, then facts."""

import io
import itertools

import pytest
from rich.console import Console

from fieldmarks._util.errors import TableError
from fieldmarks.cli.expectations import print_expectations
from fieldmarks.rules import load_rules

TABLES = load_rules()


def printed(species, variety="green", age="adult", make_up=False):
    out = io.StringIO()
    print_expectations(TABLES, species, variety, age, Console(file=out, width=600), make_up)
    return out.getvalue()


PLAIN = [key for key, row in TABLES.varieties.items() if not row.parts]


@pytest.mark.parametrize("species", TABLES.species)
def test_every_bird_is_read_from_head_to_bare_parts(species):
    # Each variety grown and at one other age, for each species at another one.
    others = itertools.cycle(age for age in TABLES.ages if age != "adult")
    others = itertools.islice(others, [*TABLES.species].index(species), None)
    ages = dict(zip(PLAIN, others, strict=False))
    for variety, age in itertools.chain.from_iterable(
        ((variety, "adult"), (variety, other)) for variety, other in ages.items()
    ):
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


@pytest.mark.parametrize("species", TABLES.species)
def test_black_that_stays_brown_is_called_brown(species):
    # From memory: cinnamon birds have brown flight feathers, fallow ones pale brown ones.
    for variety in ("cinnamon", "cinnamon_blue", "cinnamon_olive", "fallow", "fallow_cobalt"):
        flights, why = row(printed(species, variety), "flight feathers")
        assert "brown" in flights
        assert "grey" not in flights
        assert "black" not in flights
        assert "black pigment stays" in why or "brown" in why
    assert "dark grey" in row(printed(species, "pastel"), "flight feathers")[0]


def test_the_claws_of_a_cinnamon_bird_are_still_black():
    assert row(printed("fischeri", "cinnamon"), "claw")[0] == "black claw"


@pytest.mark.parametrize(
    ("variety", "word"),
    [
        ("cobalt", "cobalt"),
        ("mauve", "mauve"),
        ("violet_blue", "violet"),
        ("pastel_mauve", "mauve"),
    ],
)
def test_the_rump_of_a_personatus_may_deepen_with_its_back(variety, word):
    # From memory.
    rump, why = row(printed("personatus", variety), "rump")
    assert word in rump
    assert "gre" in rump
    assert "may deepen" in why or "may change" in why
    assert word not in str(row(printed("personatus", "blue"), "rump"))


def test_a_beak_that_may_be_smudged_gets_no_limit_for_its_fading():
    # Common practice, no published source: young birds have a smudge on the beak.
    for species in TABLES.species:
        assert "fading beak" in printed(species)
        for age in ("young", "moulting"):
            assert "fading beak" not in printed(species, age=age)


def test_a_bird_of_two_varieties_is_headed_by_both_their_looks():
    head, look = printed("fischeri", "pastel_cobalt").splitlines()[:2]
    assert "pastel, blue, one dark factor" in head
    assert TABLES.varieties["pastel"].look in look
    assert "deep blue body" in look
    assert "opaline, one dark factor" in printed("fischeri", "opaline_dark_green")


def test_a_blue_bird_is_not_said_to_be_yellowish_green():
    for key, kind in TABLES.varieties.items():
        assert kind.series != "blue" or "yellowish green" not in kind.look, key


def test_what_a_make_up_gives_is_printed_when_asked_for():
    # The rows of makeup.toml and of the species, as they stand there.
    assert "Made of" not in printed("fischeri")
    text = printed("fischeri", make_up=True).split("Made of")[1]
    (made,) = TABLES.species["fischeri"].marks["face"].makeup
    rule = TABLES.makeup_index["feather", made.psittacin, made.eumelanin, made.structure]
    said, gives = row(text, TABLES.marks["face"].name)
    assert said == f"psittacin {made.psittacin}"
    assert gives == ", ".join(rule.swatches)
    white = printed("fischeri", "blue_ino", make_up=True).split("Made of")[1]
    assert row(white, TABLES.marks["collar"].name) == ["no pigment", "white, whitish"]
