"""Assessment: statuses, conclusions, and what must hold whatever is read."""

from dataclasses import replace
from datetime import date
from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_up import COLOURS, assess, reading, relation

from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.colour import lab_to_linear, linear_to_lab
from fieldmarks.measure.comparison import same_as
from fieldmarks.measure.quantities import PixelCount
from fieldmarks.rules import load_rules
from fieldmarks.rules.tables import age_class

TABLES = load_rules()
DECIDED = (Status.FITS, Status.DOES_NOT_FIT)

CLEAN = {
    "personatus": {
        "face": "jet black",
        "forehead": "jet black",
        "collar": "bright yellow",
        "bib": "bright yellow",
        "rump": "grey",
        "back": "green",
        "beak_base": "red",
        "iris": "dark eye",
    },
    "fischeri": {
        "face": "orange",
        "forehead": "orange",
        "crown": "dark olive",
        "rump": "bright blue",
        "back": "green",
        "beak_base": "red",
        "iris": "dark eye",
        "tail_tip": "bright blue",
    },
    "nigrigenis": {
        "face": "jet black",
        "forehead": "brownish orange",
        "bib": "salmon",
        "nape": "olive",
        "rump": "green",
        "back": "green",
        "beak_base": "flesh",
        "beak_tip": "red",
        "iris": "light brown",
    },
    "lilianae": {
        "face": "salmon red",
        "cheek": "salmon red",
        "collar": "light green",
        "chest": "light green",
        "rump": "green",
        "back": "green",
        "beak_base": "flesh",
        "beak_tip": "red",
        "iris": "light brown",
    },
    "roseicollis": {
        "face": "rose",
        "beak_base": "flesh",
        "beak_tip": "flesh",
        "back": "green",
        "rump": "bright blue",
    },
}


# An iris that was drawn apart from its pupil.
LIGHT_EYE = [reading("iris", "light brown"), reading("pupil", "jet black")]


def bird(species, sigma=1.0, calibrated=True, **changes):
    marks = {**CLEAN[species], **changes}
    return [
        reading(m, *(c if isinstance(c, list) else [c]), sigma=sigma, calibrated=calibrated)
        for m, c in marks.items()
    ]


@cache
def clean(species, sigma=1.0, claimed=None):
    """The assessment of a clean bird: several tests look at the same."""
    return assess(bird(species, sigma), [], TABLES, claimed=claimed)


def conure():
    """Yellow body, orange cheeks, black beak, green flights: a small conure (from memory)."""
    marks = {
        "forehead": "bright yellow", "crown": "bright yellow", "cheek": "orange",
        "belly": "orange", "wing": "bright yellow", "flights": "green", "beak_base": "jet black",
        "beak_tip": "jet black", "back": "bright yellow", "rump": "bright yellow",
    }  # fmt: skip
    return [reading(mark, colour) for mark, colour in marks.items()]


@pytest.mark.parametrize("species", CLEAN)
@pytest.mark.parametrize("sigma", [1.0, 1.9])
def test_a_clean_bird_leaves_its_own_species_and_shows_no_sign(species, sigma):
    result = clean(species, sigma)
    assert result.conclusion.outcome == "one species left"
    assert result.conclusion.candidates == (species,)
    assert result.conclusion.held > 0.9
    assert not [s for s in result.signs if s.status is SignStatus.SEEN]


@pytest.mark.parametrize("species", CLEAN)
def test_a_true_claim_is_not_contradicted_and_a_false_one_is(species):
    result = clean(species, claimed=species)
    assert "as claimed" in result.conclusion.sentence
    for other in set(CLEAN) - {species}:
        result = clean(species, claimed=other)
        assert result.conclusion.outcome == "claim contradicted"
        assert species in result.conclusion.sentence
        assert result.conclusion.subjects == (species,)


@pytest.mark.parametrize("species", CLEAN)
def test_a_clean_bird_under_a_wrong_name_is_mislabelled_and_not_mixed(species):
    for other in set(CLEAN) - {species}:
        result = clean(species, claimed=other)
        assert "no sign of mixed ancestry was seen" in result.conclusion.sentence
        assert not [s for s in result.signs if s.status is SignStatus.SEEN]
        assert " x " not in result.conclusion.sentence


def test_nothing_read():
    result = assess([], [], TABLES)
    assert result.conclusion.outcome == "nothing read"
    assert result.conclusion.held is None
    assert "Mark these next" in result.conclusion.sentence
    statuses = {f.status for s in result.sheets for f in s.findings}
    assert statuses <= {Status.NOT_READ, Status.SAYS_NOTHING}


@pytest.mark.parametrize("species", CLEAN)
def test_without_a_card_plain_colours_still_decide(species):
    result = assess(bird(species, calibrated=False), [], TABLES)
    assert result.conclusion.candidates == (species,)
    assert "fine tints" in result.conclusion.sentence
    assert not [s for s in result.signs if s.status is SignStatus.SEEN]


def test_comparisons_inside_the_photo_count_where_their_colours_were_not_read():
    seen = [relation("rump_as_back", 2.0, 3.0), relation("beak_fade", 30.0, 4.0)]
    result = assess([], seen, TABLES)
    assert set(result.conclusion.candidates) == {"nigrigenis", "lilianae"}
    assert result.conclusion.outcome == "several species left"


CAST = {"warm": (1.5, 1.0, 0.6), "cold": (0.7, 1.0, 1.5), "dark": (0.4, 0.4, 0.4)}


@pytest.mark.parametrize("species", CLEAN)
@pytest.mark.parametrize("light", CAST)
def test_a_cast_over_the_whole_photo_changes_no_species(species, light):
    """Every reading off in the same way, as a wrong white balance or exposure makes it."""
    seen = []
    for one in bird(species, calibrated=False):
        lab = linear_to_lab(lab_to_linear(one.lab) * CAST[light])
        seen.append(reading(one.mark, tuple(float(v) for v in lab), calibrated=False))
    assert assess(seen, [], TABLES).conclusion.candidates[:1] == (species,)


THING = {"white wall": (0.25, 0.25, 0.25), "dark perch": (3.5, 3.3, 2.9)}


@pytest.mark.parametrize("species", CLEAN)
@pytest.mark.parametrize("thing", THING)
def test_something_else_taken_for_the_grey_card_strikes_no_species_out(species, thing):
    """The colours of the bird give it away; the gains are those that such a card asks for."""
    seen = []
    for one in bird(species):
        lab = linear_to_lab(lab_to_linear(one.lab) * THING[thing])
        seen.append(reading(one.mark, tuple(float(v) for v in lab)))
    conclusion = assess(seen, [], TABLES).conclusion
    assert conclusion.candidates == (species,)
    assert "the card was not believed" in conclusion.sentence
    assert "not believed" not in clean(species).conclusion.sentence


def test_several_left_names_the_marks_to_read_next_and_they_are_unread():
    result = assess([reading("rump", "green"), *LIGHT_EYE], [], TABLES)
    assert set(result.conclusion.candidates) == {"nigrigenis", "lilianae"}
    assert result.next_marks[0].mark in {"face", "cheek", "forehead"}
    assert result.next_marks[0].name in result.conclusion.sentence
    assert not {"rump", "iris"} & {m.mark for m in result.next_marks}


def test_a_claim_that_is_not_the_only_one_left_says_so():
    result = assess([reading("rump", "green"), *LIGHT_EYE], [], TABLES, claimed="lilianae")
    assert result.conclusion.outcome == "several species left"
    assert "too close to call" in result.conclusion.sentence
    assert "claimed to be lilianae" in result.conclusion.sentence


def test_a_sign_on_one_of_several_species_left_is_not_yet_a_sign_of_mixed_ancestry():
    """A black rim outside the ring is a sign in fischeri and plain mask in personatus."""
    rim = [reading("ring_rim", "jet black")]
    result = assess(rim, [], TABLES)
    assert result.conclusion.outcome == "nothing decided"
    assert any(s.key == "fischeri_dark_rim" and s.status == "seen" for s in result.signs)
    assert assess(rim, [], TABLES, claimed="fischeri").conclusion.outcome == "signs"


def test_a_vague_length_decides_nothing():
    for expanded in (100.0, 1000.0):
        result = assess([], [relation("size", 150.0, expanded)], TABLES)
        assert result.conclusion.candidates == tuple(TABLES.species)


def test_a_ring_between_two_ranges_contradicts_nothing():
    """0.265 lies between the widths of rings (at least 0.29) and of lids (at most 0.25)."""
    result = assess([], [relation("ring", 0.265, 0.01)], TABLES)
    found = [f for s in result.sheets for f in s.findings if f.mark == "ring"]
    assert len(found) == len(TABLES.species)
    assert {f.status for f in found} == {Status.TOO_CLOSE}


@pytest.mark.parametrize("value", [0.02, 0.6])
def test_a_ring_far_from_a_range_still_contradicts(value):
    result = assess([], [relation("ring", value)], TABLES)
    found = {f.species: f.status for s in result.sheets for f in s.findings if f.mark == "ring"}
    bare = value > 0.3
    assert (found["roseicollis"] is Status.DOES_NOT_FIT) is bare
    assert (found["fischeri"] is Status.DOES_NOT_FIT) is not bare


def test_reading_the_named_mark_settles_it():
    marks = [reading("rump", "green"), *LIGHT_EYE, reading("face", "jet black")]
    assert assess(marks, [], TABLES).conclusion.candidates == ("nigrigenis",)


def test_one_odd_mark_never_strikes_out_a_species_alone():
    for species, marks in CLEAN.items():
        for mark in marks:
            odd = "red" if mark in ("rump", "back", "collar", "iris") else "sky blue"
            result = assess(bird(species, **{mark: odd}), [], TABLES)
            assert species in result.conclusion.candidates, mark


def test_a_bird_of_no_species_in_the_tables_is_told_so_with_the_marks_that_say_it():
    result = assess(conure(), [], TABLES)
    assert result.conclusion.outcome == "none fits"
    assert "beak" in result.conclusion.sentence
    assert result.conclusion.held > 0.9


def test_a_cross_is_named_with_both_parents():
    """Brown-black face, orange collar and blue rump: personatus x fischeri (common practice)."""
    cross = bird("personatus", face="dark brown", forehead="dark brown", collar="orange",
                 bib="orange", rump="bright blue", crown="dark brown")  # fmt: skip
    conclusion = assess(cross, [], TABLES, claimed="personatus").conclusion
    assert conclusion.outcome == "mixed"
    assert "personatus x fischeri" in conclusion.sentence
    assert "probably" in conclusion.sentence


def test_conflicting_signs_stand_side_by_side():
    odd = bird(
        "personatus",
        collar=[("bright yellow", 0.8), ("orange", 0.2)],
        nape=[("bright yellow", 0.8), ("light green", 0.2)],
        iris="light brown",
    )
    result = assess(odd, [], TABLES, claimed="personatus")
    seen = {s.key for s in result.sheet("personatus").signs if s.status is SignStatus.SEEN}
    assert {"personatus_orange_collar", "personatus_green_nape", "personatus_light_iris"} <= seen


def test_a_young_birds_tint_is_looked_at_again_after_the_moult():
    marks = bird("personatus", mask_edge=[("jet black", 0.7), ("orange", 0.3)])
    young = assess(marks, [], TABLES, age="young")
    assert young.conclusion.outcome == "one species left"
    assert "after the moult" in young.conclusion.sentence
    assert any("after the first moult" in text for text in young.cautions)
    assert assess(marks, [], TABLES, age="adult").conclusion.outcome != "one species left"


def test_a_vague_reading_decides_nothing():
    for colour in ("bright yellow", "orange", "jet black"):
        result = assess([reading("collar", colour, sigma=30)], [], TABLES)
        assert result.conclusion.candidates == tuple(TABLES.species)
        for sheet in result.sheets:
            (finding,) = [f for f in sheet.findings if f.mark == "collar"]
            assert finding.status in (Status.PROBABLY_FITS, Status.TOO_CLOSE)
            assert not [s for s in sheet.signs if s.status is SignStatus.NOT_SEEN]


def test_a_result_never_calls_a_bird_pure():
    for species in CLEAN:
        result = clean(species)
        said = " ".join([result.conclusion.sentence, *result.cautions]).lower()
        assert "% pure" not in said
        assert "is pure" not in said
        assert "probably pure" not in said


def test_a_finding_carries_its_numbers():
    result = assess([reading("rump", (58, 0, -6))], [], TABLES)
    (finding,) = [f for f in result.sheet("personatus").findings if f.mark == "rump"]
    assert finding.nearest in finding.expected
    assert finding.interval[0] <= finding.value <= finding.interval[1]
    assert 0 <= finding.held <= 1
    assert finding.tolerance == TABLES.swatches[finding.nearest].tolerance


def test_a_mark_of_several_colours_tells_of_its_largest_and_keeps_inside_its_own_interval():
    drawn_badly = reading("collar", ("dark grey", 0.4), ("orange", 0.35), ("green", 0.25))
    drawn_badly = replace(drawn_badly, lab=(60, 10, 30))
    of_one = reading("rump", "white")  # not off at all: every draw lies further off than this
    told = []
    for sheet in assess([drawn_badly, of_one], [], TABLES).sheets:
        read = {f.mark: f for f in sheet.findings if f.value is not None}
        for finding in read.values():
            assert finding.interval[0] <= finding.value <= finding.interval[1]
        if "collar" in read:
            told.append(read["collar"].reason)
    assert told
    for reason in told:
        assert reason.startswith("Its largest colour is ")
        assert "all its colours together" in reason
        assert "e+" not in reason


def test_the_same_seed_gives_the_same_result():
    one, other = (assess(bird("fischeri", 2.5), [], TABLES, seed=7) for _ in range(2))
    assert one == other


def test_wrong_questions_are_refused():
    with pytest.raises(TableError, match="no variety 'bleu'"):
        assess([], [], TABLES, variety="bleu")
    with pytest.raises(TableError, match="no species"):
        assess([], [], TABLES, claimed="sparrow")
    with pytest.raises(FieldmarksError, match="given twice"):
        assess([reading("rump", "grey"), reading("rump", "grey")], [], TABLES)
    with pytest.raises(FieldmarksError, match="too few"):
        assess([], [], TABLES, draws=3)


def test_a_mark_no_species_speaks_of_is_kept_but_decides_nothing():
    result = assess([reading("pupil", "jet black")], [], TABLES)
    assert result.conclusion.candidates == tuple(CLEAN)


@pytest.mark.parametrize(
    ("variety", "marks"),
    [
        ("blue", {"back": "blue", "belly": "sky blue", "face": "jet black", "collar": "white"}),
        ("green", {"back": "green", "belly": "light green", "face": "orange"}),
        ("ino", {"back": "bright yellow", "belly": "bright yellow", "flights": "white"}),
        ("blue_ino", {"back": "white", "belly": "white", "flights": "white", "face": "white"}),
    ],
)
def test_a_wrong_variety_is_found_out_and_said(variety, marks):
    readings = [reading(m, c) for m, c in marks.items()]
    stated = "blue" if variety != "blue" else "green"
    conclusion = assess(readings, [], TABLES, variety=stated).conclusion
    assert conclusion.variety == variety
    assert TABLES.varieties[variety].name in conclusion.sentence
    assert assess(readings, [], TABLES, variety=variety).conclusion.variety is None


def test_an_iris_of_a_few_pixels_is_not_judged():
    tiny = replace(reading("iris", "light brown"), pixels=PixelCount(16, 0, 0, 0, 16))
    result = assess([tiny], [], TABLES)
    assert result.conclusion.outcome == "nothing read"
    (finding,) = [f for f in result.sheet("personatus").findings if f.mark == "iris"]
    assert finding.status is Status.NOT_READ
    assert "Too few pixels" in finding.reason


def test_an_eye_whose_pupil_was_not_drawn_may_be_dark_in_every_species():
    dark = [reading("iris", "dark eye")]
    assert "nigrigenis" in assess(dark, [], TABLES).conclusion.candidates
    settled = assess([*dark, reading("pupil", "jet black")], [], TABLES).conclusion
    assert "nigrigenis" not in settled.candidates


def test_age_class_follows_from_the_hatch_date():
    hatched = date(2026, 1, 10)
    assert age_class(TABLES, hatched, date(2026, 3, 1)) == "young"
    assert age_class(TABLES, hatched, date(2026, 7, 1)) == "moulting"
    assert age_class(TABLES, hatched, date(2027, 1, 10)) == "adult"
    assert age_class(TABLES, hatched, hatched) == "young"
    with pytest.raises(FieldmarksError, match="hatched"):
        age_class(TABLES, hatched, date(2025, 12, 31))


# --- invariants ---

COLOUR = st.sampled_from(sorted(COLOURS))
MARK = st.sampled_from(["face", "collar", "rump", "nape", "iris", "beak_base", "belly", "bib"])
BIRD = st.dictionaries(MARK, COLOUR, min_size=1, max_size=6)
ANY_LAB = st.tuples(st.floats(5, 95), st.floats(-60, 60), st.floats(-60, 80))
quick = settings(max_examples=15, deadline=None)


@quick
@given(BIRD, st.randoms())
def test_the_order_of_readings_does_not_matter(marks, random):
    readings = [reading(m, c, sigma=2.0) for m, c in marks.items()]
    shuffled = readings.copy()
    random.shuffle(shuffled)
    one, other = assess(readings, [], TABLES), assess(shuffled, [], TABLES)
    assert one.conclusion == other.conclusion
    assert one.signs == other.signs
    for a, b in zip(one.sheets, other.sheets, strict=True):
        assert set(a.findings) == set(b.findings)


@quick
@example(
    {
        "collar": "blue",
        "face": "blue",
        "bib": "dark brown",
        "belly": "blue",
        "beak_base": "dark brown",
    }
)  # with the first of them the card is believed, without it not
@given(BIRD)
def test_the_shares_of_all_explanations_add_up_and_the_odd_mark_costs_a_bounded_amount(marks):
    readings = [reading(m, c, sigma=2.0) for m, c in marks.items()]
    conclusion = assess(readings, [], TABLES).conclusion
    assert sum(row.share for row in conclusion.standing) == pytest.approx(1)
    assert conclusion.standing[0].behind == 1
    fewer = assess(readings[1:], [], TABLES).conclusion
    for row in fewer.standing:
        (same,) = [r for r in conclusion.standing if r.species == row.species]
        assert same.behind <= row.behind * 1e6


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from(["collar", "belly", "iris"]),  # one swatch each in personatus
    ANY_LAB, st.floats(0.3, 4.0), st.floats(1.05, 6.0),
)  # fmt: skip
def test_more_uncertainty_never_makes_a_contradiction_of_a_fit(mark, lab, sigma, times):
    narrow, wide = (
        next(
            f.status
            for f in assess([reading(mark, lab, sigma=s)], [], TABLES).sheet("personatus").findings
            if f.mark == mark
        )
        for s in (sigma, sigma * times)
    )
    if narrow is Status.FITS:
        assert wide is not Status.DOES_NOT_FIT


@quick
@given(BIRD, st.sampled_from(list(TABLES.varieties)), st.sampled_from(list(TABLES.ages)))
def test_every_bird_gets_one_sentence_and_the_standing_cautions(marks, variety, age):
    readings = [reading(m, c, sigma=2.0) for m, c in marks.items()]
    result = assess(readings, [], TABLES, variety=variety, age=age, draws=50)
    assert result.conclusion.sentence.endswith(".")
    assert "\n" not in result.conclusion.sentence
    assert result.cautions[0] == "A clean sheet is no proof of purity."
    held = result.conclusion.held
    assert held is None or 0 <= held <= 1


def test_the_smudge_of_a_young_bird_at_its_beak_base_speaks_against_nothing():
    """Common practice, no published source: young birds often have a dark smudge there."""
    smudged = {"beak_base": "bill_smoky", "beak_tip": "bill_red"}
    base, tip = (reading(mark, TABLES.lab[swatch]) for mark, swatch in smudged.items())
    fade = replace(same_as("beak_fade", base, tip), kind="fade")
    assessment = assess([base, tip], [fade], TABLES, age="young", claimed="fischeri")
    statuses = {f.mark: f.status for f in assessment.sheet("fischeri").findings if f.held}
    assert Status.DOES_NOT_FIT not in statuses.values()
    assert assessment.conclusion.outcome != "claim contradicted"


def test_a_sign_seen_in_every_draw_is_not_called_unsettled_for_the_species_next_to_it():
    """Orange in the collar of a bird said to be personatus; nothing else is read."""
    rows = [reading("collar", ("orange", 0.4), ("bright yellow", 0.6))]
    assessment = assess(rows, [], TABLES, claimed="personatus")
    sign = next(s for s in assessment.sheet("personatus").signs if s.status is SignStatus.SEEN)
    assert sign.held > 0.95
    conclusion = assessment.conclusion
    if conclusion.outcome == "signs":
        assert conclusion.held >= sign.held - 1e-9
    else:
        assert conclusion.outcome == "claim contradicted"


def test_what_is_a_sign_on_one_of_the_nearest_species_is_not_pinned_on_the_others():
    assessment = assess([reading("ring_rim", "jet black")], [], TABLES)
    seen = [s for s in assessment.signs if s.status is SignStatus.SEEN]
    assert {s.species for s in seen} < set(assessment.conclusion.subjects)
    assert "of mixed ancestry" not in assessment.conclusion.sentence
