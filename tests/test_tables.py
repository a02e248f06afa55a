"""Tables: loading, a new species by data alone, and what a broken row prints."""

import shutil
import sys
from pathlib import Path

import pytest
from made_up import assess, reading

from fieldmarks._util.errors import TableError
from fieldmarks.rules import load_rules, validate_tables
from fieldmarks.rules.load import shipped_folders

FIVE = ["personatus", "fischeri", "nigrigenis", "lilianae", "roseicollis"]

SIXTH = """
key = "caeruleus"
name = "made-up lovebird"
scientific = "Agapornis inventus"
look = "Violet face, white collar, yellow rump."
order = 6

[facts]
body_length_mm = [100, 110]
mass_g = [20, 25]
leg_ring_mm = [4.0, 4.0]
first_moult_months = [4, 6]
mature_months = 9
iucn = "made up"
cites = "made up"
evidence = "made up for a test"

[marks.face]
look = "Violet."
evidence = "made up for a test"
swatches = ["violet"]
makeup = [{ eumelanin = "much", structure = "violet" }]

[marks.collar]
look = "White."
evidence = "made up for a test"
swatches = ["white"]
makeup = [{}]

[marks.rump]
look = "Yellow."
evidence = "made up for a test"
swatches = ["bright_yellow"]
makeup = [{ psittacin = "yellow" }]

[marks.back]
look = "Green."
evidence = "made up for a test"
swatches = ["mid_green"]
makeup = [{ psittacin = "yellow", eumelanin = "much", structure = "sky" }]

[relations.ring]
low = 0.5
look = "A very broad ring."
evidence = "made up for a test"
"""


@pytest.fixture
def extra(tmp_path):
    (tmp_path / "species").mkdir()
    return tmp_path


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return folder


def test_the_shipped_tables_have_no_problem():
    assert validate_tables() == []


def test_all_five_species_are_there_in_order():
    assert list(load_rules().species) == FIVE


def test_every_row_a_keeper_may_doubt_says_where_it_comes_from():
    tables = load_rules()
    rows = [r for s in tables.species.values() for r in s.marks.values()]
    rows += [*tables.signs.values(), *tables.varieties.values(), *tables.makeup]
    rows += [*tables.tints.values(), *tables.cautions.values(), *tables.ages.values()]
    for row in rows:
        assert row.evidence.startswith(("common practice, no published source", "from memory"))


def test_the_fingerprint_changes_with_any_file(extra):
    plain = load_rules().fingerprint
    assert plain == load_rules().fingerprint
    assert len(plain) == 64
    write(extra, "species/caeruleus.toml", SIXTH)
    one = load_rules(extra).fingerprint
    write(extra, "species/caeruleus.toml", SIXTH + "\n")
    assert len({plain, one, load_rules(extra).fingerprint}) == 3


def test_a_sixth_species_needs_a_data_file_only(extra):
    write(extra, "species/caeruleus.toml", SIXTH)
    sign = """
[signs.caeruleus_black]
species = "caeruleus"
text = "Black on the face."
marks = ["face"]
tints = ["black"]
points_to = ["personatus"]
strength = "always"
evidence = "made up for a test"
"""
    write(extra, "more_signs.toml", sign)
    assert validate_tables(extra) == []
    tables = load_rules(extra)
    assert list(tables.species) == [*FIVE, "caeruleus"]
    bird = [
        reading("face", (41, 21, -34)),
        reading("collar", "white"),
        reading("rump", "bright yellow"),
        reading("back", "green"),
    ]
    result = assess(bird, [], tables)
    assert result.conclusion.outcome == "one species left"
    assert result.conclusion.candidates == ("caeruleus",)
    # Its varieties are derived like those of any other species.
    blue = [reading("rump", "white"), reading("back", "blue"), reading("face", (41, 21, -34))]
    result = assess(blue, [], tables, variety="blue")
    assert "caeruleus" in result.conclusion.candidates
    spotted = [reading("face", ((41, 21, -34), 0.7), ("jet black", 0.3))]
    (found,) = [
        s
        for s in assess(spotted, [], tables, claimed="caeruleus").signs
        if s.key == "caeruleus_black"
    ]
    assert found.status == "seen"


BROKEN = {
    "unknown word": (
        'swatches = ["violet"]',
        'swatchs = ["violet"]',
        "marks.face.swatchs",
        "Did you mean 'swatches'?",
    ),
    "unknown swatch": (
        'swatches = ["violet"]',
        'swatches = ["vilet"]',
        "marks.face.swatches",
        "Did you mean 'violet'?",
    ),
    "unknown level": ('eumelanin = "much"', 'eumelanin = "lots"', "makeup.0.eumelanin", "Use"),
    "unknown mark": ("[marks.rump]", "[marks.rumpp]", "marks.rumpp", "Did you mean 'rump'?"),
    "missing": ('iucn = "made up"\n', "", "facts.iucn", "Add it"),
    "backwards": ("mass_g = [20, 25]", "mass_g = [25, 20]", "facts.mass_g", "Correct it"),
    "a name of two": ("order = 6", 'aliases = ["Fischer"]', "aliases", "Give it another"),
    "a key of two": ("order = 6", 'aliases = ["fischeri"]', "aliases", "Give it another"),
    "a place of two": ("order = 6", "order = 2", "order", "Give it another"),
    "nothing in it": ('swatches = ["violet"]', "swatches = []", "face.swatches", "at least one"),
    "not a number": ("low = 0.5", 'low = "wide"', "relations.ring.low", "Correct it"),
    "colour that cannot be": (
        'swatches = ["violet"]',
        'swatches = ["orange"]',
        "marks.face.swatches",
        "Correct the make-up",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_row_is_named_with_file_row_and_mend(extra, case):
    right, wrong, row, mend = BROKEN[case]
    assert right in SIXTH
    write(extra, "species/caeruleus.toml", SIXTH.replace(right, wrong, 1))
    problems = validate_tables(extra)
    found = [p for p in problems if row in p.where]
    assert found, problems
    assert found[0].where.startswith("species/caeruleus.toml, ")
    assert mend in found[0].mend
    assert "\n" not in str(found[0])


def test_a_refused_word_of_a_list_is_told_once_and_in_our_words(extra):
    write(extra, "species/caeruleus.toml", SIXTH.replace('["violet"]', '["vilet"]', 1))
    (problem,) = validate_tables(extra)
    assert problem.problem == "there is no swatch 'vilet'"


def test_what_two_rows_have_alike_is_told_of_the_keepers_own(extra):
    """Also where the own file takes the place of a shipped one: nobody can mend that."""
    shipped = (shipped_folders()[0] / "species" / "personatus.toml").read_text(encoding="utf-8")
    assert "aliases = [" in shipped
    own = shipped.replace("aliases = [", 'aliases = ["peach-faced", ', 1)
    write(extra, "species/masked.toml", own)
    (problem,) = validate_tables(extra)
    assert problem.where == "species/masked.toml, aliases"
    assert "'peach faced' is that of" in problem.problem
    assert "roseicollis" in problem.problem
    assert load_rules(extra)  # neither is found by that name; all else stands


def test_two_species_that_state_no_place_are_no_fault(extra):
    for key, name in (("caeruleus", "made-up"), ("rubeus", "other")):
        text = SIXTH.replace("caeruleus", key).replace("made-up lovebird", f"{name} lovebird")
        text = text.replace("inventus", key).replace("order = 6\n", "")
        write(extra, f"species/{key}.toml", text)
    assert validate_tables(extra) == []


@pytest.mark.parametrize("place", ["", "signs/"])
def test_a_species_beside_its_folder_is_one_clear_line(extra, place):
    write(extra, f"{place}caeruleus.toml", SIXTH)
    (problem,) = validate_tables(extra)
    assert str(problem) == (
        f"{place}caeruleus.toml: this is a species. Put it into the folder species"
    )


def test_a_word_of_another_row_is_not_suggested_for_itself(extra):
    write(extra, "tints.toml", '[tints.odd]\nname = "odd"\nevidence = "made up"\nlow = 3\n')
    (problem,) = validate_tables(extra)
    assert problem.problem == "'low' is not known here"
    assert "Did you mean" not in problem.mend


def test_all_problems_are_listed_not_only_the_first(extra):
    text = SIXTH.replace('eumelanin = "much"', 'eumelanin = "lots"').replace(
        'iucn = "made up"\n', ""
    )
    write(extra, "species/caeruleus.toml", text)
    write(extra, "tints.toml", '[tints.odd]\nname = "odd"\n')
    problems = validate_tables(extra)
    assert {p.where.partition(", ")[0] for p in problems} == {
        "species/caeruleus.toml",
        "tints.toml",
    }
    assert len(problems) >= 4
    with pytest.raises(TableError, match=r"more rows are wrong"):
        load_rules(extra)


def test_an_unknown_table_hides_no_wrong_row_of_another_file(extra):
    write(extra, "signs.toml", "[nonsense.x]\ntext = 'a'\n")
    write(extra, "tints.toml", '[tints.odd]\nname = "odd"\n')
    problems = validate_tables(extra)
    assert [p.where for p in problems] == ["signs.toml, nonsense", "tints.toml, tints.odd.evidence"]
    with pytest.raises(TableError, match=r"no such table.*\(1 more rows are wrong\)"):
        load_rules(extra)


def test_a_row_that_refers_to_an_unreadable_file_is_not_blamed(extra):
    sign = '[signs.own]\nspecies = "fischeri"\ntext = "Odd."\nmarks = ["belly"]\n'
    sign += 'tints = ["mine"]\npoints_to = ["personatus"]\nstrength = "hint"\nevidence = "none"\n'
    write(extra, "signs.toml", sign)
    write(extra, "tints.toml", "[tints.mine\n")
    (problem,) = validate_tables(extra)
    assert "not TOML" in problem.problem


def test_a_species_outside_its_folder_is_no_table(extra):
    write(extra, "odd.toml", "[species.caeruleus]\nname = 'Sky'\n")
    (problem,) = validate_tables(extra)
    assert (problem.where, problem.problem) == ("odd.toml, species", "there is no such table")
    assert "'species'" not in problem.mend


def test_a_file_that_is_no_toml_names_the_line(extra):
    write(extra, "signs.toml", "[signs.x]\ntext = oops\n")
    (problem,) = validate_tables(extra)
    assert "line 2" in problem.problem


def test_a_file_that_is_no_text_is_one_line(extra):
    (extra / "signs.toml").write_bytes(b"\xff\xfe\x00\x01")
    (problem,) = validate_tables(extra)
    assert problem.where == "signs.toml"


@pytest.mark.parametrize(
    "text",
    [
        "[sings.x]\ntext = 'a'\n",
        "signs = 3\n",
        "[signs]\nx = 3\n",
        "makeup = 5\n",
        "[[makeup]]\nground = 'feather'\n",
        "[cautions.x]\ntext = 'Mind it.'\nevidence = 'from memory'\noutcomes = ['sings']\n",
    ],
)
def test_odd_tables_are_problems_not_crashes(extra, text):
    write(extra, "odd.toml", text)
    assert validate_tables(extra)


def test_an_unknown_folder_is_one_line(tmp_path):
    (problem,) = validate_tables(tmp_path / "nowhere")
    assert "no such folder" in str(problem)
    with pytest.raises(TableError, match="no such folder"):
        load_rules(tmp_path / "nowhere")


def test_a_makeup_without_a_rule_is_a_problem(extra):
    odd = SIXTH.replace('makeup = [{}]', 'makeup = [{ psittacin = "red", structure = "weak", '
                        'eumelanin = "some" }]')  # fmt: skip
    write(extra, "species/caeruleus.toml", odd)
    assert any("no rule for feather" in p.problem for p in validate_tables(extra))


def test_two_rules_for_one_makeup_are_a_problem(extra):
    rule = """
[[makeup]]
ground = "feather"
psittacin = ["yellow"]
eumelanin = ["none"]
structure = ["none"]
swatches = ["white"]
reason = "Made up."
evidence = "made up for a test"
"""
    write(extra, "makeup.toml", rule)
    assert any("two rules" in p.problem for p in validate_tables(extra))


def test_a_mark_with_the_key_of_a_relation_is_a_problem(extra):
    relation = next(iter(load_rules().relations))
    row = """
name = "odd"
kind = "feather"
part = "head"
look = "Made up."
"""
    write(extra, "marks.toml", f"[marks.{relation}]{row}")
    (problem,) = validate_tables(extra)
    assert problem.where == f"marks.{relation}"
    assert "one key" in problem.problem
    with pytest.raises(TableError, match="another key"):
        load_rules(extra)


def test_a_swatch_that_is_no_munsell_notation_is_a_problem(extra):
    text = """
[swatches.odd]
name = "odd"
munsell = "5Z 5/5"
tolerance = 10
source = "Made up."
"""
    write(extra, "swatches.toml", text)
    (problem,) = validate_tables(extra)
    assert problem.where == "swatches.toml, swatches.odd.munsell"
    assert "5Z 5/5" in problem.problem


def test_loading_leaves_the_slow_libraries_alone():
    import subprocess

    code = (
        "import sys; from fieldmarks.rules import load_rules; load_rules(); "
        "print([m for m in ('colour', 'numpy', 'sklearn', 'skimage') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_shipped_folders_stand_alone(tmp_path):
    """The tables work from a copy anywhere, as in an installed wheel."""
    for folder in shipped_folders():
        shutil.copytree(folder, tmp_path / folder.name)
    assert sorted(p.name for p in (tmp_path / "data" / "species").glob("*.toml"))[0] == (
        "fischeri.toml"
    )
    assert validate_tables(tmp_path / "data") == []


def test_signs_lie_in_one_file_per_species_and_all_are_read():
    tables = load_rules()
    assert [f for f in tables.files if f.startswith("signs/")] == sorted(
        f"signs/{species}.toml" for species in FIVE
    )
    assert {sign.species for sign in tables.signs.values()} == set(FIVE)


def test_a_keepers_own_signs_may_lie_in_a_sub_folder_too(extra):
    sign = """
[signs.odd_belly]
species = "fischeri"
text = "A blue belly."
marks = ["belly"]
tints = ["blue"]
points_to = ["personatus"]
strength = "hint"
evidence = "made up for a test"
"""
    write(extra, "signs/odd.toml", sign)
    assert "odd_belly" in load_rules(extra).signs
    write(extra, "signs/odd.toml", sign.replace('"belly"', '"bely"'))
    (problem,) = validate_tables(extra)
    assert problem.where.startswith("signs/odd.toml, ")
    assert "bely" in problem.problem


def test_other_sub_folders_hold_no_rule_tables(extra):
    write(extra, "charts/chart.toml", "[patches]\nred = [1, 2, 3]\n")
    assert validate_tables(extra) == []
