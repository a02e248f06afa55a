"""A regression table: what the rule tables say of one mark, one comparison or one sign at a time.

It keeps a rule from being lost unnoticed, and proves no more: rows and rules come from the same
hands. What a breeder would conclude from whole birds is in ``trade/cases.toml``. Source of every
row: common practice, no published source, unless it says "from memory". The colours shown to the
tool are words turned into CIELAB in ``made_up.py``, apart from the swatch file.
"""

import pytest
from made_up import assess, reading, relation

from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import load_rules

TABLES = load_rules()
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
    (P, "blue_ino", "adult", "iris", "pale eye", NOTHING),
    (N, "blue_ino", "adult", "iris", "pale eye", NOTHING),
    (P, "ino", "adult", "iris", "dark eye", FIT),
    (F, "ino", "adult", "iris", "red eye", FIT),
    # --- varieties in which a mark proves nothing (from memory)
    (P, "opaline", "adult", "rump", "green", NOTHING),
    # --- patches without black: what they give fits too
    (F, "pied", "adult", "back", "bright yellow", FIT),
    (F, "pied", "adult", "back", "green", FIT),
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
    (P, "ino", "adult", "rump_as_back", 2.0, NOTHING),
    (F, "ino", "adult", "rump_as_back", 2.0, NOTHING),
    (N, "green", "adult", "beak_fade", 30.0, FIT),
    (L, "green", "adult", "beak_fade", 30.0, FIT),
    (N, "green", "adult", "beak_fade", 1.0, NOT),
    (P, "green", "adult", "beak_fade", 30.0, NOT),
    (L, "ino", "adult", "beak_fade", 30.0, FIT),
    (P, "ino", "adult", "beak_fade", 30.0, NOT),
    (P, "green", "adult", "ring", 0.3, FIT),
    (F, "blue", "adult", "ring", 0.3, FIT),
    (R, "green", "adult", "ring", 0.0, FIT),
    (R, "green", "adult", "ring", 0.4, NOT),
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
    # The edge of the lid is 0.09 to 0.29 of the eye in photographs of four birds.
    (R, "green", "ring", 0.1, "roseicollis_thin_ring", UNSEEN),
    (R, "green", "ring", 0.45, "roseicollis_thin_ring", SEEN),
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
    read = [shown(mark, colours)]
    if mark == "iris":  # drawn apart from the pupil, which is black in every bird
        read.append(shown("pupil", "jet black"))
    sheet = assess(read, [], TABLES, variety=variety, age=age).sheet(species)
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
    (sign,) = [s for s in result.sheet(species).signs if s.key == key]
    assert sign.status is status, sign.reason
    assert points_to in sign.points_to


@pytest.mark.parametrize("fact", SIGN_RELATION_FACTS, ids=name_of)
def test_signs_without_a_card(fact):
    species, variety, key, value, name, status = fact
    result = assess([], [relation(key, value)], TABLES, variety=variety, claimed=species)
    (sign,) = [s for s in result.sheet(species).signs if s.key == name]
    assert sign.status is status, sign.reason
