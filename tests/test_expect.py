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
