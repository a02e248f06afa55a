"""Assessment: statuses, conclusions, and what must hold whatever is read."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up import COLOURS, reading, relation

from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.judge.assess import assess
from fieldmarks.judge.findings import Status
from fieldmarks.judge.proposal import age_class, propose_variety
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.comparison import same_as
from fieldmarks.measure.quantities import paler_by
from fieldmarks.rules import load_tables

TABLES = load_tables(keepers_swatches=False)
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


def bird(species, sigma=1.0, calibrated=True, **changes):
    marks = {**CLEAN[species], **changes}
    return [
        reading(m, *(c if isinstance(c, list) else [c]), sigma=sigma, calibrated=calibrated)
        for m, c in marks.items()
    ]


@pytest.mark.parametrize("species", CLEAN)
@pytest.mark.parametrize("sigma", [1.0, 1.9])
def test_a_clean_bird_leaves_its_own_species_and_shows_no_sign(species, sigma):
    result = assess(bird(species, sigma), [], TABLES)
    assert result.conclusion.outcome == "one species left"
    assert result.conclusion.candidates == (species,)
    assert result.conclusion.held > 0.9
    assert not [s for s in result.signs if s.status is SignStatus.SEEN]


@pytest.mark.parametrize("species", CLEAN)
def test_a_true_claim_is_not_contradicted_and_a_false_one_is(species):
    result = assess(bird(species), [], TABLES, claimed=species)
    assert "as claimed" in result.conclusion.sentence
    for other in set(CLEAN) - {species}:
        result = assess(bird(species), [], TABLES, claimed=other)
        assert result.conclusion.outcome == "claim contradicted"
        assert species in result.conclusion.sentence
        assert result.conclusion.subjects == (other,)


def test_nothing_read():
    result = assess([], [], TABLES)
    assert result.conclusion.outcome == "nothing read"
    assert result.conclusion.held is None
    assert "Mark these next" in result.conclusion.sentence
    statuses = {f.status for s in result.sheets for f in s.findings}
    assert not statuses & {*DECIDED, Status.DOUBTFUL}


def test_without_a_card_colours_decide_nothing():
    result = assess(bird("personatus", calibrated=False), [], TABLES)
    assert result.conclusion.outcome == "not calibrated"
    for sheet in result.sheets:
        assert not [f for f in sheet.findings if f.status in DECIDED]
        assert not [s for s in sheet.signs if s.status is SignStatus.SEEN]


def test_without_a_card_relations_still_decide():
    colours = bird("nigrigenis", calibrated=False)
    seen = [relation("rump_as_back", 2.0, 3.0), relation("beak_fade", 30.0, 4.0)]
    result = assess(colours, seen, TABLES)
    assert set(result.conclusion.candidates) == {"nigrigenis", "lilianae"}
    assert result.conclusion.outcome == "several species left"
    assert "photograph it again" in result.conclusion.sentence


def test_several_left_names_the_marks_to_read_next_and_they_are_unread():
    result = assess([reading("rump", "green"), reading("iris", "light brown")], [], TABLES)
    assert set(result.conclusion.candidates) == {"nigrigenis", "lilianae"}
    assert result.next_marks[0].mark in {"face", "cheek", "forehead"}
    assert result.next_marks[0].name in result.conclusion.sentence
    assert not {"rump", "iris"} & {m.mark for m in result.next_marks}


def test_a_claim_that_is_not_the_only_one_left_says_so():
    marks = [reading("rump", "green"), reading("iris", "light brown")]
    result = assess(marks, [], TABLES, claimed="lilianae")
    assert result.conclusion.outcome == "several species left"
    assert "nigrigenis would fit too" in result.conclusion.sentence


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
        for sheet in result.sheets:
            (finding,) = [f for f in sheet.findings if f.mark == "size"]
            assert finding.status is Status.DOUBTFUL


def test_reading_the_named_mark_settles_it():
    marks = [reading("rump", "green"), reading("iris", "light brown"), reading("face", "jet black")]
    assert assess(marks, [], TABLES).conclusion.candidates == ("nigrigenis",)


def test_a_bird_of_no_species_gets_the_nearest_and_what_speaks_against_it():
    odd = bird("personatus", rump="bright blue")
    result = assess(odd, [], TABLES)
    assert result.conclusion.outcome == "none fits"
    assert result.conclusion.subjects == ("personatus",)
    assert "rump" in result.conclusion.sentence
    assert result.conclusion.held > 0.9


def test_conflicting_signs_stand_side_by_side():
    odd = bird(
        "personatus",
        collar=[("bright yellow", 0.8), ("orange", 0.2)],
        nape=[("bright yellow", 0.8), ("light green", 0.2)],
        iris="light brown",
    )
    result = assess(odd, [], TABLES, claimed="personatus")
    seen = {s.key for s in result.signs if s.status is SignStatus.SEEN}
    assert {"personatus_orange_collar", "personatus_green_nape", "personatus_light_iris"} <= seen
    assert "3 signs" in result.conclusion.sentence


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
        for sheet in result.sheets:
            (finding,) = [f for f in sheet.findings if f.mark == "collar"]
            assert finding.status not in DECIDED
            assert not [s for s in sheet.signs if s.status is SignStatus.NOT_SEEN]


def test_a_result_never_speaks_of_the_chance_of_being_pure():
    for species in CLEAN:
        result = assess(bird(species), [], TABLES)
        said = " ".join([result.conclusion.sentence, *result.cautions]).lower()
        assert "probab" not in said
        assert "% pure" not in said
        assert "is pure" not in said


def test_a_finding_carries_its_numbers():
    result = assess([reading("rump", (58, 0, -6))], [], TABLES)
    (finding,) = [f for f in result.sheet("personatus").findings if f.mark == "rump"]
    assert finding.nearest in finding.expected
    assert finding.interval[0] <= finding.value <= finding.interval[1] + 1
    assert 0 <= finding.held <= 1
    assert finding.tolerance == TABLES.swatches[finding.nearest].tolerance


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


def test_a_variety_is_proposed_with_its_evidence():
    blue = [reading("back", "blue"), reading("belly", "sky blue"), reading("face", "jet black")]
    ranked = propose_variety(blue, TABLES)
    assert ranked[0][0] == "blue"
    assert "back mid blue" in ranked[0][1]
    for variety, marks in {
        "green": {"back": "green", "belly": "light green"},
        "ino": {"back": "bright yellow", "belly": "bright yellow", "flights": "white"},
        "blue_ino": {"back": "white", "belly": "white", "flights": "white"},
    }.items():
        readings = [reading(m, c) for m, c in marks.items()]
        assert propose_variety(readings, TABLES)[0][0] == variety


def test_no_variety_is_proposed_without_a_card():
    assert propose_variety([reading("back", "blue", calibrated=False)], TABLES) == []


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
quick = settings(max_examples=30, deadline=None)


def contradictions(result):
    return {
        (s.species, f.mark)
        for s in result.sheets
        for f in s.findings
        if f.status is Status.DOES_NOT_FIT
    }


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
@given(BIRD, st.data())
def test_leaving_a_reading_out_never_adds_a_contradiction(marks, data):
    left_out = data.draw(st.sampled_from(sorted(marks)))
    readings = [reading(m, c, sigma=2.0) for m, c in marks.items()]
    fewer = [r for r in readings if r.mark != left_out]
    full, less = assess(readings, [], TABLES), assess(fewer, [], TABLES)
    assert contradictions(less) <= contradictions(full)


@quick
@given(ANY_LAB, st.floats(0.3, 4.0), st.floats(1.05, 6.0))
def test_more_uncertainty_never_turns_doubt_into_a_fit_nor_a_fit_into_a_contradiction(
    lab, sigma, times
):
    rank = {Status.DOES_NOT_FIT: 0, Status.DOUBTFUL: 1, Status.FITS: 2}
    for mark in ("collar", "belly", "iris"):  # one swatch each in personatus
        narrow, wide = (
            next(
                f.status
                for f in assess([reading(mark, lab, sigma=s)], [], TABLES)
                .sheet("personatus")
                .findings
                if f.mark == mark
            )
            for s in (sigma, sigma * times)
        )
        if narrow is not Status.FITS:
            assert wide is not Status.FITS
        if rank[narrow] == 2:
            assert rank[wide] > 0


@quick
@given(BIRD)
def test_uncalibrated_colours_never_decide(marks):
    readings = [reading(m, c, calibrated=False) for m, c in marks.items()]
    result = assess(readings, [], TABLES)
    assert contradictions(result) == set()
    assert result.conclusion.held is None


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
    assert paler_by(base.lab, tip.lab) > 0
    fade = replace(same_as("beak_fade", base, tip), kind="fade")
    assessment = assess([base, tip], [fade], TABLES, age="young", claimed="fischeri")
    statuses = {f.mark: f.status for f in assessment.sheet("fischeri").findings if f.held}
    assert Status.DOES_NOT_FIT not in statuses.values()
    assert "but this speaks against it" not in assessment.conclusion.sentence


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
        assert "speaks against it" in conclusion.sentence


def test_what_is_a_sign_on_one_of_the_nearest_species_is_not_pinned_on_the_others():
    rows = [reading("face", "jet black"), reading("bib", "red")]
    assessment = assess(rows, [], TABLES)
    conclusion = assessment.conclusion
    showing = {
        s.species
        for s in assessment.signs
        if s.status is SignStatus.SEEN and s.species in conclusion.subjects
    }
    assert showing
    assert showing < set(conclusion.subjects)
    assert "a sign of mixed ancestry would be: " in conclusion.sentence
    for one in conclusion.subjects:
        assert (f"if it is {one}" in conclusion.sentence) == (one in showing)
    assert "of mixed ancestry seen" not in conclusion.sentence
