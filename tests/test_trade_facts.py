"""What keepers go by, one row per fact.

Source of every row: common practice, no published source, unless it says "from memory". The colours
shown to the tool are words turned into CIELAB in ``made_up.py``, apart from the swatch file.
"""

import pytest
from made_up import reading, relation

from fieldmarks.assessment import assess
from fieldmarks.judging.findings import Status
from fieldmarks.judging.signs import SignStatus
from fieldmarks.tables import load_tables

TABLES = load_tables(keepers_swatches=False)
FIT, NOT, NOTHING = Status.FITS, Status.DOES_NOT_FIT, Status.SAYS_NOTHING
SEEN, UNSEEN, AGAIN = SignStatus.SEEN, SignStatus.NOT_SEEN, SignStatus.LOOK_AGAIN

P, F, N, L, R = "personatus", "fischeri", "nigrigenis", "lilianae", "roseicollis"

# species, variety, age, mark, colour(s), expected
MARK_FACTS = [
    # --- personatus, green adult
    (P, "green", "adult", "face", "jet black", FIT),
    (P, "green", "adult", "forehead", "jet black", FIT),
    (P, "green", "adult", "ear", "jet black", FIT),
    (P, "green", "adult", "back_of_head", "jet black", FIT),
    (P, "green", "adult", "nape", [("bright yellow", 0.8), ("jet black", 0.2)], FIT),
    (P, "green", "adult", "face", "orange", NOT),
    (P, "green", "adult", "beak_tip", "red", FIT),
    (P, "green", "adult", "beak_tip", "dark red", FIT),  # darker when mature
    (P, "green", "adult", "cere", "white", FIT),
    (P, "green", "adult", "eye_ring", "white", FIT),
    (P, "green", "adult", "iris", "dark eye", FIT),
    (P, "green", "adult", "collar", "bright yellow", FIT),
    (P, "green", "adult", "collar", "orange", NOT),
    (P, "green", "adult", "collar", "light green", NOT),
    (P, "green", "adult", "bib", "bright yellow", FIT),
    (P, "green", "adult", "belly", "light green", FIT),
    (P, "green", "adult", "back", "green", FIT),
    (P, "green", "adult", "wing_bend", "bright yellow", FIT),
    (P, "green", "adult", "rump", "grey", FIT),
    (P, "green", "adult", "rump", "greyish blue", FIT),
    (P, "green", "adult", "rump", "bright blue", NOT),
    (
        P,
        "green",
        "adult",
        "tail_centre",
        [("green", 0.5), ("jet black", 0.3), ("orange", 0.2)],
        FIT,
    ),
    (P, "green", "adult", "foot", "grey skin", FIT),
    (P, "green", "adult", "claw", "jet black", FIT),
    # --- fischeri, green adult
    (F, "green", "adult", "forehead", "orange", FIT),
    (F, "green", "adult", "face", "orange", FIT),
    (F, "green", "adult", "face", "jet black", NOT),
    (F, "green", "adult", "bib", "orange", FIT),
    (F, "green", "adult", "bib", "bright yellow", FIT),  # wild type
    (F, "green", "adult", "crown", "dark olive", FIT),
    (F, "green", "adult", "crown", "jet black", NOT),
    (F, "green", "adult", "nape", [("dark olive", 0.5), ("bright yellow", 0.5)], FIT),
    (F, "green", "adult", "rump", "bright blue", FIT),
    (F, "green", "adult", "rump", "greyish blue", FIT),  # show birds
    (F, "green", "adult", "rump", "green", NOT),
    (F, "green", "adult", "tail_tip", "bright blue", FIT),
    (F, "green", "adult", "beak_base", "red", FIT),
    (F, "green", "adult", "eye_ring", "white", FIT),
    (F, "green", "adult", "iris", "dark eye", FIT),
    # --- nigrigenis, green adult
    (N, "green", "adult", "cheek", "jet black", FIT),
    (N, "green", "adult", "forehead", "brownish orange", FIT),
    (N, "green", "adult", "forehead", "jet black", NOT),
    (N, "green", "adult", "bib", "salmon", FIT),
    (N, "green", "adult", "nape", "olive", FIT),
    (N, "green", "adult", "iris", (61, 0, 1), FIT),
    (N, "green", "adult", "iris", "light brown", FIT),
    (N, "green", "adult", "iris", "dark eye", NOT),
    (N, "green", "adult", "beak_tip", "red", FIT),
    (N, "green", "adult", "beak_base", "flesh", FIT),
    (N, "green", "adult", "beak_base", "red", NOT),
    (N, "green", "adult", "rump", "green", FIT),
    (N, "green", "adult", "flights", [("jet black", 0.7), ("green", 0.3)], FIT),
    # --- lilianae, green adult
    (L, "green", "adult", "face", "salmon red", FIT),
    (L, "green", "adult", "face", "jet black", NOT),
    (L, "green", "adult", "back_of_head", "olive", FIT),
    (L, "green", "adult", "back_of_head", "green", FIT),
    (L, "green", "adult", "collar", "bright yellow", NOT),
    (L, "green", "adult", "iris", "light brown", FIT),
    (L, "green", "adult", "beak_base", "flesh", FIT),
    (L, "green", "adult", "rump", "green", FIT),
    # --- roseicollis, green adult
    (R, "green", "adult", "beak_tip", "flesh", FIT),
    (R, "green", "adult", "beak_tip", "white", FIT),
    (R, "green", "adult", "beak_tip", "red", NOT),
    (R, "green", "adult", "face", "jet black", NOT),
    # --- young birds
    (P, "green", "young", "face", "dull black", FIT),
    (L, "green", "young", "face", "dark brown", FIT),
    (L, "green", "adult", "face", "dark brown", NOT),
    # --- blue series: green turns blue, yellow and red turn white
    (P, "blue", "adult", "belly", "sky blue", FIT),
    (P, "blue", "adult", "collar", "white", FIT),
    (P, "blue", "adult", "nape", "white", FIT),
    (P, "blue", "adult", "nape", "grey", NOT),
    (P, "blue", "adult", "face", "jet black", FIT),
    (P, "blue", "adult", "face", "dark grey", NOT),  # a mask still dull at maturity
    (P, "blue", "young", "face", "dark grey", FIT),
    (F, "blue", "adult", "forehead", "white", FIT),
    (F, "blue", "adult", "bib", "white", FIT),
    (F, "blue", "adult", "face", "jet black", NOT),
    (N, "blue", "adult", "iris", "dark eye", FIT),  # may darken
    (L, "blue", "adult", "iris", "dark eye", FIT),
    (N, "blue", "adult", "beak_tip", "flesh", FIT),  # may turn flesh
    (L, "blue", "adult", "beak_tip", "flesh", FIT),
    (N, "blue", "adult", "rump", "blue", FIT),
    # --- ino: yellow body, white flights, red to orange head
    (P, "ino", "adult", "back", "bright yellow", FIT),
    (P, "ino", "adult", "flights", "white", FIT),
    (P, "ino", "adult", "forehead", "pale orange", FIT),
    (P, "ino", "adult", "bib", "orange", NOT),  # the orange does not run into the bib
    (P, "ino", "adult", "rump", "white", FIT),
    (F, "ino", "adult", "forehead", "orange", FIT),
    (F, "ino", "adult", "bib", "orange", FIT),
    (F, "ino", "adult", "back_of_head", "bright yellow", FIT),
    (F, "ino", "adult", "back_of_head", "orange", FIT),
    (F, "ino", "adult", "rump", "white", FIT),
    (N, "ino", "adult", "forehead", "orange", FIT),
    (N, "ino", "adult", "cheek", "pinkish white", FIT),
    (N, "ino", "adult", "face", "white", FIT),
    (L, "ino", "adult", "face", "white", NOT),  # the white tinge is nigrigenis only
    (F, "ino", "adult", "face", "white", NOT),
    (L, "ino", "adult", "face", "salmon red", FIT),
    (L, "ino", "adult", "bib", "bright yellow", FIT),  # the red ends above the bib
    (L, "ino", "adult", "flights", "white", FIT),
    (R, "ino", "adult", "flights", "white", FIT),
    (F, "ino", "adult", "flights", "jet black", NOT),
    (L, "ino", "adult", "flights", "green", NOT),
    (N, "ino", "adult", "rump", "bright yellow", FIT),
    (L, "ino", "adult", "rump", "bright yellow", FIT),
    (L, "ino", "adult", "rump", "white", NOT),
    (N, "ino", "adult", "iris", "pale eye", FIT),
    (P, "ino", "adult", "iris", "pale eye", NOT),
    (N, "ino", "adult", "beak_base", "flesh", FIT),
    (R, "ino", "adult", "beak_tip", "flesh", FIT),
    # --- blue + ino: all white
    (P, "blue_ino", "adult", "face", "white", FIT),
    (F, "blue_ino", "adult", "face", "white", FIT),
    (N, "blue_ino", "adult", "rump", "white", FIT),
    (L, "blue_ino", "adult", "face", "white", FIT),
    (P, "blue_ino", "adult", "iris", "pale eye", NOT),
    (N, "blue_ino", "adult", "iris", "pale eye", FIT),
    # --- varieties in which a mark proves nothing (from memory)
    (P, "opaline", "adult", "rump", "green", NOTHING),
    (F, "pied", "adult", "back", "bright yellow", NOTHING),
]

# species, variety, age, relation, value, expected
RELATION_FACTS = [
    (N, "green", "adult", "rump_as_back", 2.0, FIT),
    (L, "green", "adult", "rump_as_back", 2.0, FIT),
    (N, "green", "adult", "rump_as_back", 30.0, NOT),
    (F, "green", "adult", "rump_as_back", 30.0, FIT),
    (P, "green", "adult", "rump_as_back", 2.0, NOT),
    (N, "blue", "adult", "rump_as_back", 2.0, FIT),
    (P, "blue", "adult", "rump_as_back", 2.0, NOT),
    (N, "ino", "adult", "rump_as_back", 2.0, FIT),
    (L, "ino", "adult", "rump_as_back", 2.0, FIT),
    (P, "ino", "adult", "rump_as_back", 2.0, NOT),
    (F, "ino", "adult", "rump_as_back", 2.0, NOT),
    (N, "green", "adult", "beak_fade", 30.0, FIT),
    (L, "green", "adult", "beak_fade", 30.0, FIT),
    (N, "green", "adult", "beak_fade", 1.0, NOT),
    (P, "green", "adult", "beak_fade", 30.0, NOT),
    (L, "ino", "adult", "beak_fade", 30.0, FIT),
    (P, "ino", "adult", "beak_fade", 30.0, NOT),
    (P, "green", "adult", "ring", 0.3, FIT),
    (F, "blue", "adult", "ring", 0.3, FIT),
    (R, "green", "adult", "ring", 0.0, FIT),
    (R, "green", "adult", "ring", 0.3, NOT),
    (N, "green", "adult", "size", 158.0, NOT),  # the smallest
    (F, "green", "adult", "size", 158.0, FIT),  # the largest of the four
    (R, "green", "adult", "size", 170.0, FIT),  # larger still
    (F, "green", "adult", "size", 170.0, NOT),
]

# species taken for, variety, age, mark, colour(s), sign, expected, must point to
SIGN_FACTS = [
    (P, "green", "adult", "collar", [("bright yellow", 0.8), ("orange", 0.2)],
     "personatus_orange_collar", SEEN, F),
    (P, "green", "adult", "collar", "bright yellow", "personatus_orange_collar", UNSEEN, F),
    (P, "green", "adult", "forehead", [("jet black", 0.8), ("orange", 0.2)],
     "personatus_orange_head", SEEN, F),
    (P, "green", "adult", "face", [("jet black", 0.8), ("brownish orange", 0.2)],
     "personatus_orange_head", SEEN, F),
    (P, "green", "adult", "nape", [("bright yellow", 0.7), ("light green", 0.3)],
     "personatus_green_nape", SEEN, F),
    (P, "green", "adult", "nape", [("bright yellow", 0.7), ("olive", 0.3)],
     "personatus_green_nape", SEEN, L),
    (P, "green", "adult", "rump", "bright blue", "personatus_blue_rump", SEEN, F),
    (P, "green", "adult", "rump", "greyish blue", "personatus_blue_rump", UNSEEN, F),
    (P, "green", "adult", "tail_tip", "bright blue", "personatus_blue_tail_tip", SEEN, F),
    (F, "green", "adult", "face", [("orange", 0.8), ("jet black", 0.2)],
     "fischeri_black_face", SEEN, P),
    (F, "green", "adult", "face", "orange", "fischeri_black_face", UNSEEN, P),
    (F, "green", "adult", "ring_rim", [("orange", 0.6), ("jet black", 0.4)],
     "fischeri_dark_rim", SEEN, P),
    (F, "green", "adult", "ear", [("orange", 0.7), ("dull black", 0.3)],
     "fischeri_dark_ear", SEEN, P),
    (F, "green", "adult", "back_of_head", [("dark olive", 0.7), ("jet black", 0.3)],
     "fischeri_black_back_of_head", SEEN, P),
    (F, "green", "adult", "back_of_head", "dark olive", "fischeri_black_back_of_head", UNSEEN, P),
    (F, "green", "adult", "nape", [("green", 0.7), ("bright yellow", 0.3)],
     "fischeri_green_nape", SEEN, L),
    (N, "green", "adult", "rump", "bright blue", "nigrigenis_blue_rump", SEEN, F),
    (N, "green", "adult", "rump", "grey", "nigrigenis_blue_rump", SEEN, P),
    (N, "green", "adult", "rump", "green", "nigrigenis_blue_rump", UNSEEN, P),
    (N, "green", "adult", "back_of_head", [("olive", 0.6), ("jet black", 0.4)],
     "nigrigenis_black_back_of_head", SEEN, P),
    (N, "green", "adult", "collar", [("light green", 0.5), ("orange", 0.5)],
     "nigrigenis_orange_neck", SEEN, L),
    (N, "green", "adult", "iris", "dark eye", "nigrigenis_dark_iris", SEEN, F),
    (N, "green", "young", "iris", "dark eye", "nigrigenis_dark_iris", AGAIN, F),  # from memory
    (L, "green", "adult", "collar", [("light green", 0.7), ("bright yellow", 0.3)],
     "lilianae_yellow_neck", SEEN, F),
    (L, "green", "adult", "chest", [("light green", 0.7), ("bright yellow", 0.3)],
     "lilianae_yellow_neck", SEEN, F),
    (L, "green", "adult", "face", [("salmon red", 0.6), ("dark brown", 0.4)],
     "lilianae_dark_face", SEEN, F),
    (L, "green", "young", "face", [("salmon red", 0.6), ("dark brown", 0.4)],
     "lilianae_dark_face", AGAIN, F),
    (P, "green", "young", "mask_edge", [("jet black", 0.7), ("orange", 0.3)],
     "personatus_orange_line", AGAIN, F),
    (P, "green", "adult", "mask_edge", [("jet black", 0.7), ("orange", 0.3)],
     "personatus_orange_line", SEEN, F),
    (P, "blue", "adult", "forehead", [("jet black", 0.8), ("white", 0.2)],
     "personatus_white_head", SEEN, F),
    (P, "blue", "adult", "face", (39, 0, 0), "personatus_dull_mask", SEEN, F),
    (P, "green", "adult", "face", (39, 0, 0), "personatus_dull_mask", SEEN, F),
    (N, "green", "young", "cheek", (39, 0, 0), "nigrigenis_dull_mask", AGAIN, L),
    (P, "blue", "young", "face", (39, 0, 0), "personatus_dull_mask", AGAIN, F),
    (P, "blue", "adult", "nape", [("white", 0.5), ("grey", 0.5)],
     "personatus_grey_nape", SEEN, F),
    (F, "blue", "adult", "face", [("white", 0.8), ("jet black", 0.2)],
     "fischeri_black_front", SEEN, P),
    (R, "green", "adult", "beak_tip", [("flesh", 0.6), ("red", 0.4)],
     "roseicollis_red_bill", SEEN, P),
    (R, "green", "adult", "face", [("rose", 0.8), ("jet black", 0.2)],
     "roseicollis_black_face", SEEN, P),
]  # fmt: skip

# species taken for, variety, relation, value, sign, expected
SIGN_RELATION_FACTS = [
    (N, "green", "beak_fade", 1.0, "nigrigenis_no_fade", SEEN),
    (N, "green", "beak_fade", 30.0, "nigrigenis_no_fade", UNSEEN),
    (N, "blue", "rump_as_back", 25.0, "nigrigenis_rump_differs", SEEN),
    (L, "green", "size", 155.0, "lilianae_size", SEEN),
    (N, "blue", "size", 155.0, "nigrigenis_size", SEEN),
    (L, "green", "size", 135.0, "lilianae_size", UNSEEN),
    (R, "green", "ring", 0.1, "roseicollis_thin_ring", SEEN),
    (P, "green", "ring", 0.06, "personatus_thin_ring", SEEN),
    (P, "green", "ring", 0.3, "personatus_thin_ring", UNSEEN),
    (R, "green", "size", 130.0, "roseicollis_small", SEEN),
    (P, "green", "size", 170.0, "personatus_size", SEEN),  # a size out of proportion
    (P, "blue", "size", 150.0, "personatus_size", UNSEEN),
    (F, "ino", "size", 175.0, "fischeri_size", SEEN),
    (F, "green", "size", 158.0, "fischeri_size", UNSEEN),
]


def shown(mark, colours):
    return reading(mark, *(colours if isinstance(colours, list) else [colours]))


def name_of(row):
    return "-".join(str(part) for part in row if isinstance(part, str))


@pytest.mark.parametrize("fact", MARK_FACTS, ids=name_of)
def test_marks(fact):
    species, variety, age, mark, colours, status = fact
    sheet = assess([shown(mark, colours)], [], TABLES, variety=variety, age=age).sheet(species)
    (finding,) = [f for f in sheet.findings if f.mark == mark]
    assert finding.status is status, finding.reason


@pytest.mark.parametrize("fact", RELATION_FACTS, ids=name_of)
def test_relations(fact):
    species, variety, age, key, value, status = fact
    sheet = assess([], [relation(key, value)], TABLES, variety=variety, age=age).sheet(species)
    (finding,) = [f for f in sheet.findings if f.mark == key]
    assert finding.status is status, finding.reason


@pytest.mark.parametrize("fact", SIGN_FACTS, ids=name_of)
def test_signs(fact):
    species, variety, age, mark, colours, key, status, points_to = fact
    result = assess([shown(mark, colours)], [], TABLES, variety=variety, age=age, claimed=species)
    (sign,) = [s for s in result.signs if s.key == key]
    assert sign.status is status, sign.reason
    assert points_to in sign.points_to


@pytest.mark.parametrize("fact", SIGN_RELATION_FACTS, ids=name_of)
def test_signs_without_a_card(fact):
    species, variety, key, value, name, status = fact
    result = assess([], [relation(key, value)], TABLES, variety=variety, claimed=species)
    (sign,) = [s for s in result.signs if s.key == name]
    assert sign.status is status, sign.reason


def test_blue_ino_cannot_be_told_and_the_advice_is_to_test_mate():
    marks = [shown(m, "white") for m in ("face", "bib", "collar", "rump", "back", "belly")]
    result = assess(marks, [relation("ring", 0.3)], TABLES, variety="blue_ino")
    assert result.conclusion.outcome == "cannot be told"
    assert result.conclusion.candidates == (P, F, N, L)
    assert any("test-mate it with a pure green bird" in text for text in result.cautions)
    assert any("breeder" in text for text in result.cautions)


def test_a_light_iris_narrows_a_blue_ino_bird_to_two():
    marks = [shown("face", "white"), shown("iris", "pale eye")]
    result = assess(marks, [], TABLES, variety="blue_ino")
    assert result.conclusion.candidates == (N, L)
    assert result.conclusion.outcome == "cannot be told"


def test_blue_nigrigenis_and_lilianae_keep_the_rump_when_eye_and_beak_say_nothing():
    marks = [shown("iris", "dark eye"), shown("beak_base", "flesh"), shown("beak_tip", "flesh")]
    without = assess(marks, [], TABLES, variety="blue").conclusion.candidates
    assert {P, F, N, L} <= set(without)
    result = assess(marks, [relation("rump_as_back", 2.0)], TABLES, variety="blue")
    assert set(result.conclusion.candidates) == {N, L}


def test_blue_series_shows_no_orange_sign():
    marks = [shown("collar", [("white", 0.8), ("orange", 0.2)])]
    result = assess(marks, [], TABLES, variety="blue", claimed=P)
    assert not [s for s in result.signs if "orange" in s.key]


def test_roseicollis_differs_by_ring_and_beak():
    result = assess([shown("beak_tip", "flesh")], [relation("ring", 0.0)], TABLES)
    assert result.conclusion.candidates == (R,)


def test_crosses_with_roseicollis_are_called_sterile():
    marks = [shown("beak_tip", [("flesh", 0.6), ("red", 0.4)])]
    result = assess(marks, [relation("ring", 0.08)], TABLES, claimed=R)
    assert any("sterile" in text for text in result.cautions)


@pytest.mark.parametrize("species", [P, F])
def test_clean_birds_of_a_selected_line_are_never_called_pure(species):
    face = "jet black" if species == P else "orange"
    result = assess([shown("face", face)], [], TABLES, claimed=species)
    text = " ".join(result.cautions)
    assert "selected" in text
    assert "no proof of purity" in text
    assert "only in its young" in text
    assert "pure" not in result.conclusion.sentence


@pytest.mark.parametrize("species", [P, F, N, L, R])
def test_every_species_carries_its_facts_to_be_checked_today(species):
    facts = TABLES.species[species].facts
    assert "check today's listing" in facts.iucn
    assert "check today's listing" in facts.cites
    assert facts.evidence.startswith("from memory")
    assert 100 < facts.body_length_mm[0] < facts.body_length_mm[1] < 200
    assert 20 < facts.mass_g[0] < facts.mass_g[1] < 80


def test_nigrigenis_is_the_smallest_and_fischeri_the_largest_of_the_four():
    middle = {s: sum(TABLES.species[s].facts.body_length_mm) / 2 for s in (P, F, N, L)}
    assert min(middle, key=middle.get) == N
    assert max(middle, key=middle.get) == F
    facts = {s: TABLES.species[s].facts for s in (P, F, N, L)}
    for end in (0, 1):
        lengths = {s: row.body_length_mm[end] for s, row in facts.items()}
        assert min(lengths, key=lengths.get) == N
        assert max(lengths, key=lengths.get) == F
    # Its grams lie above those of lilianae: then the facts must say what "smallest" means.
    lightest = min(facts, key=lambda s: sum(facts[s].mass_g))
    assert lightest == N or "the shortest" in facts[N].evidence


@pytest.mark.parametrize("species", [P, F, N, L])
def test_a_size_out_of_proportion_may_mean_roseicollis(species):
    key = f"{species}_size"
    row = TABLES.signs[key]
    assert R in row.points_to
    assert row.above > TABLES.species[species].facts.body_length_mm[1]
    result = assess([], [relation("size", row.above + 12, 9.0)], TABLES, claimed=species)
    (sign,) = [s for s in result.signs if s.key == key]
    assert sign.status is SEEN
    longest = TABLES.species[species].facts.body_length_mm[1]
    result = assess([], [relation("size", longest, 9.0)], TABLES, claimed=species)
    (sign,) = [s for s in result.signs if s.key == key]
    assert sign.status is not SEEN


# Signs whose ancestry (or ages) keepers name themselves; all others must say "from memory".
ANCESTRY_STATED = {
    "fischeri_black_face", "fischeri_dark_rim", "fischeri_dark_ear", "fischeri_black_back_of_head",
    "fischeri_green_nape", "nigrigenis_blue_rump", "nigrigenis_rump_differs",
    "nigrigenis_black_back_of_head", "nigrigenis_orange_neck", "lilianae_blue_rump",
    "lilianae_rump_differs", "roseicollis_red_bill",
}  # fmt: skip
AGES_STATED = {
    "personatus_orange_line", "personatus_dull_mask", "nigrigenis_dull_mask", "lilianae_dark_face"
}  # fmt: skip


@pytest.mark.parametrize("key", list(TABLES.signs))
def test_a_sign_says_what_of_it_is_from_memory(key):
    row = TABLES.signs[key]
    if key not in ANCESTRY_STATED:
        assert "from memory" in row.evidence
    if row.juvenile and key not in AGES_STATED:
        assert "ages are from memory" in row.evidence


@pytest.mark.parametrize("species", list(TABLES.species))
def test_every_ino_bird_has_white_flights(species):
    row = TABLES.species[species].marks["flights"]
    assert row.evidence.startswith(("from memory", "common practice"))
    result = assess([shown("flights", "white")], [], TABLES, variety="ino")
    (finding,) = [f for f in result.sheet(species).findings if f.mark == "flights"]
    assert finding.status is FIT
