"""Species and varieties go by every name keepers use; an unknown one gets the nearest.

Source of the names: from memory.
"""

import pytest
from typer.testing import CliRunner

from fieldmarks._util.errors import TableError
from fieldmarks.cli.main import app
from fieldmarks.rules import load_rules
from fieldmarks.rules.plumage import check_choice
from fieldmarks.rules.tables import key_of, nearest_to

TABLES = load_rules()
SPECIES = {
    "fischeri": ["Fischer", "fischers", "Fischer's lovebird", "Agapornis fischeri", "A. fischeri"],
    "personatus": ["masked", "black-masked", "Black Masked Lovebird", "yellow collared", "mask"],
    "roseicollis": ["peach-faced", "peach faced lovebird", "rosy-faced", "Peachface", "ROSY FACED"],
    "lilianae": ["Nyasa", "nyasa lovebird", "Lilian's", "Lilian"],
    "nigrigenis": ["black-cheeked", "Black cheeked lovebird", "blackcheek"],
}
VARIETIES = {
    "ino": ["lutino", "Lutino", "ino"],
    "blue_ino": ["albino", "blue ino"],
    "cobalt": ["cobalt", "dark blue"],
    "olive": ["olive", "DD green"],
    "aqua": ["aqua", "par-blue"],
    "turquoise": ["Turquoise", "white-faced"],
    "dark_eyed_clear": ["dark-eyed clear", "DEC"],
    "pied_blue": ["pied blue", "blue pied"],
    "pastel_cobalt": ["pastel cobalt", "cobalt pastel"],
    "opaline_mauve": ["opaline mauve"],
}
NAMED = [(TABLES.species, key, name) for key, names in SPECIES.items() for name in names]
NAMED += [(TABLES.varieties, key, name) for key, names in VARIETIES.items() for name in names]


@pytest.mark.parametrize(("rows", "key", "name"), NAMED, ids=lambda part: str(part)[:30])
def test_a_name_as_keepers_say_it_is_known(rows, key, name):
    assert key_of(name, rows) == key


@pytest.mark.parametrize("rows", [TABLES.species, TABLES.varieties], ids=["species", "varieties"])
def test_each_name_and_alias_leads_to_its_own_row_only(rows):
    for key, row in rows.items():
        for name in (key, row.name, *row.aliases):
            assert key_of(name, rows) == key, name


@pytest.mark.parametrize(
    ("rows", "given", "near"),
    [
        (TABLES.species, "Fischr", "fischeri (Fischer's lovebird)"),
        (TABLES.species, "peach fased", "roseicollis"),
        (TABLES.varieties, "lutno", "ino (lutino)"),
        (TABLES.varieties, "turqoise", "turquoise"),
    ],
)
def test_an_unknown_name_gets_the_nearest(rows, given, near):
    assert key_of(given, rows) is None
    assert near in nearest_to(given, rows)
    what = {"species": given} if rows is TABLES.species else {"species": None}
    with pytest.raises(TableError, match="Did you mean"):
        check_choice(TABLES, what["species"], "green" if what["species"] else given, "adult")


def test_the_nearest_name_is_not_said_twice():
    assert nearest_to("lutno", TABLES.varieties) == "Did you mean ino (lutino)?"
    assert nearest_to("pestel", TABLES.varieties) == "Did you mean pastel?"


@pytest.mark.parametrize("command", [["expect", "Fischer"], ["tell-apart"]])
def test_the_command_line_takes_a_variety_by_any_name(command):
    by_name, by_key = (
        CliRunner().invoke(app, [*command, "--variety", word]) for word in ("lutino", "ino")
    )
    assert by_name.exit_code == 0
    assert by_name.output == by_key.output


def test_a_name_like_no_other_gets_the_list():
    assert "personatus" in nearest_to("zzzz", TABLES.species)
