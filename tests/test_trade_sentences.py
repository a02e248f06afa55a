"""What keepers go by that is more than one row: sentences, cautions, and what is from memory.

Source: common practice, no published source, unless it says "from memory".
"""

import pytest
from made_up import assess, relation
from test_trade_facts import FIT, SEEN, TABLES, F, L, N, P, R, shown


def test_blue_ino_cannot_be_told_and_the_advice_is_to_test_mate():
    marks = [shown(m, "white") for m in ("face", "bib", "collar", "rump", "back", "belly")]
    result = assess(marks, [relation("ring", 0.45)], TABLES, variety="blue_ino")
    assert result.conclusion.outcome == "cannot be told"
    assert result.conclusion.candidates == (P, F, N, L)
    assert any("test-mate it with a pure green bird" in text for text in result.cautions)
    assert any("breeder" in text for text in result.cautions)


def test_the_eye_of_a_white_bird_decides_nothing_and_is_called_a_hint():
    for eye in ("pale eye", "dark eye", "red eye"):
        result = assess([shown("iris", eye)], [], TABLES, variety="blue_ino")
        assert set(result.conclusion.candidates) == set(TABLES.species)
        assert any("light eye hints at nigrigenis or lilianae" in t for t in result.cautions)


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
    (sign,) = [s for s in result.sheet(species).signs if s.key == key]
    assert sign.status is SEEN
    longest = TABLES.species[species].facts.body_length_mm[1]
    result = assess([], [relation("size", longest, 9.0)], TABLES, claimed=species)
    (sign,) = [s for s in result.sheet(species).signs if s.key == key]
    assert sign.status is not SEEN


# Signs whose ancestry (or ages) keepers name themselves; all others must say "from memory".
ANCESTRY_STATED = {
    "fischeri_black_face", "fischeri_dark_rim", "fischeri_dark_ear", "fischeri_black_back_of_head",
    "fischeri_green_nape", "fischeri_dark_rim_blended", "fischeri_dark_cap",
    "fischeri_orange_back_of_head", "fischeri_white_face", "personatus_white_face",
    "lilianae_white_face", "nigrigenis_blue_rump", "nigrigenis_rump_differs",
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
