"""Cautions: each shows when it should, and is silent when it has no ground."""

import pytest
from made_up import assess, reading, relation
from test_assessment import TABLES, bird, conure

from fieldmarks.judge.signs import SignStatus


def caution(key):
    return TABLES.cautions[key].text


SPOTTED = [("bright yellow", 0.8), ("orange", 0.2)]
BLUE_PERSONATUS = [
    reading(mark, colour)
    for mark, colour in {
        "face": "jet black",
        "forehead": "jet black",
        "crown": "jet black",
        "nape": "white",
        "rump": "greyish blue",
    }.items()
]
LUTINO_LILIANAE = [
    reading(mark, colour)
    for mark, colour in {
        "face": "salmon red",
        "bib": "bright yellow",
        "rump": "bright yellow",
        "iris": "pale eye",
    }.items()
]
# caution -> readings, relations, and the question with which it must show
CAUTIONED = {
    "no_proof": ([], [], {}),
    "hidden_genes": ([], [], {}),
    "selected_line": (bird("fischeri"), [], {}),
    "ask_records": ([], [], {"variety": "blue_ino"}),
    "light_iris": ([], [], {"variety": "blue_ino"}),
    "blue_by_crossing": ([], [], {"variety": "blue", "claimed": "fischeri"}),
    "lutino_by_crossing": ([], [], {"variety": "ino", "claimed": "fischeri"}),
    "white_by_crossing": ([], [], {"variety": "blue_ino"}),
    "young": ([], [], {"age": "young"}),
    "sterile": (bird("fischeri"), [], {"claimed": "roseicollis"}),
    "sterile_sign": (bird("personatus"), [relation("ring", 0.08)], {"claimed": "personatus"}),
    "keep_as_pet": ([reading("collar", *SPOTTED)], [], {"claimed": "personatus"}),
    "test_mating": ([], [], {"variety": "blue_ino"}),
    "handling": ([reading("foot", "grey skin")], [], {}),
    "buying": ([], [], {"claimed": "lilianae"}),
    "law": ([], [], {}),
    "ring": ([], [], {}),
}
# caution -> readings, relations, and the question with which it must not show
NOT_CAUTIONED = {
    "selected_line": (bird("lilianae"), [], {}),
    "ask_records": (bird("lilianae"), [], {}),
    "light_iris": (bird("lilianae"), [], {}),
    "blue_by_crossing": (BLUE_PERSONATUS, [], {"variety": "blue", "claimed": "personatus"}),
    "lutino_by_crossing": (LUTINO_LILIANAE, [], {"variety": "ino", "claimed": "lilianae"}),
    "white_by_crossing": (bird("lilianae"), [], {}),
    "young": ([], [], {}),
    "sterile": (bird("personatus"), [], {"claimed": "personatus"}),
    "sterile_sign": (bird("personatus"), [relation("ring", 0.3)], {"claimed": "personatus"}),
    "keep_as_pet": (bird("personatus"), [], {"claimed": "personatus"}),
    "test_mating": (bird("lilianae"), [], {}),
    "buying": (bird("personatus"), [], {}),
}


def test_every_caution_of_the_tables_is_tried():
    assert set(CAUTIONED) == set(TABLES.cautions)
    conditions = ("species", "points_to", "series", "ages", "outcomes", "claimed")
    for key, row in TABLES.cautions.items():
        assert (key in NOT_CAUTIONED) == any(getattr(row, name) for name in conditions)


@pytest.mark.parametrize("key", CAUTIONED)
def test_a_caution_shows_when_it_should(key):
    readings, relations, question = CAUTIONED[key]
    assert caution(key) in assess(readings, relations, TABLES, **question).cautions


@pytest.mark.parametrize("key", NOT_CAUTIONED)
def test_a_caution_is_silent_when_it_has_no_ground(key):
    readings, relations, question = NOT_CAUTIONED[key]
    assert caution(key) not in assess(readings, relations, TABLES, **question).cautions


@pytest.mark.parametrize(
    ("outcome", "readings", "question"),
    [
        ("signs", [reading("ring_rim", "jet black")], {"claimed": "fischeri"}),
        ("claim contradicted", bird("fischeri"), {"claimed": "personatus"}),
        ("none fits", conure(), {}),
    ],
)
def test_breeding_is_left_to_the_keeper_with_what_is_usual(outcome, readings, question):
    result = assess(readings, [], TABLES, **question)
    assert result.conclusion.outcome == outcome
    assert caution("keep_as_pet") in result.cautions


def test_a_doubtful_thin_ring_already_warns_that_such_crosses_are_sterile():
    result = assess(bird("personatus"), [relation("ring", 0.22)], TABLES, claimed="personatus")
    (thin,) = [s for s in result.signs if s.key == "personatus_thin_ring"]
    assert thin.status is SignStatus.DOUBTFUL
    assert caution("sterile_sign") in result.cautions


@pytest.mark.parametrize("mark", ["foot", "claw", "ring_rim", "rump", "tail_tip"])
def test_a_mark_that_takes_a_hand_on_the_bird_is_cautioned(mark):
    assert caution("handling") in assess([reading(mark, "jet black")], [], TABLES).cautions


def test_measuring_the_length_is_cautioned():
    result = assess([], [relation("size", 150.0, 9.0)], TABLES)
    assert caution("handling") in result.cautions


def test_no_caution_is_said_twice():
    marks = bird("fischeri")
    result = assess(marks, [relation("ring", 0.08)], TABLES, claimed="roseicollis")
    assert len(result.cautions) == len(set(result.cautions))


def test_handling_and_law_are_cautioned():
    result = assess([reading("face", "jet black")], [], TABLES)
    said = " ".join(result.cautions)
    assert "CITES" in said
    assert "vet" in said
