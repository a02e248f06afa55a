"""Test mating against the binomial distribution."""

import math
from dataclasses import replace

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from made_birds import a_bird, an_entry

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.brood import mating_result
from fieldmarks.birds.mating import judge_mating, measured_finding, miss_chance, young_needed
from fieldmarks.birds.model import MarkPoint, Observation, Pair, SignPoint, Young, new_id
from fieldmarks.birds.standing import showing_signs
from fieldmarks.rules import load_rules


@pytest.mark.parametrize("n", range(0, 25))
@pytest.mark.parametrize("p", [0.5, 0.25])
def test_the_chance_of_missing_is_the_binomial_chance_of_no_sign(n, p):
    # SciPy's binomial distribution as reference.
    assert miss_chance(n, p) == pytest.approx(scipy.stats.binom.pmf(0, n, p))


def test_young_needed_for_five_percent():
    # 0.5^5 = 3.1 %, 0.5^4 = 6.3 %; 0.75^11 = 4.2 %, 0.75^10 = 5.6 %: worked by hand.
    assert young_needed(0.5) == 5
    assert young_needed(0.25) == 11
    assert young_needed(0.5, 0.5) == 1
    assert young_needed(0.5, 0.25) == 2


@given(st.floats(0.01, 0.99), st.floats(0.001, 0.9))
def test_young_needed_is_the_smallest_number_that_does(p, accepted):
    needed = young_needed(p, accepted)
    assert miss_chance(needed, p) <= accepted
    assert needed == 0 or miss_chance(needed - 1, p) > accepted


def test_impossible_chances_are_refused():
    for wrong in (0, 1, -0.2, 1.5):
        with pytest.raises(FieldmarksError):
            young_needed(wrong)
        with pytest.raises(FieldmarksError):
            miss_chance(3, wrong)


def brood(clean=0, sign=0, unclear=0):
    return (
        [Young("c", finding="clean")] * clean
        + [Young("s", finding="sign")] * sign
        + [Young("u", finding="unclear")] * unclear
    )


def test_once_a_young_is_no_green_bird_the_clean_ones_count_for_nothing():
    # Common practice, no published source: with a pure green mate all young are green.
    odd = Young("Z", finding="clean", shows="dark_green")
    result = judge_mating([*brood(clean=20), odd], "personatus")
    assert result.verdict == "wrong colour"
    assert "Z (dark green)" in result.sentence
    assert result.strengths == ()
    assert judge_mating(brood(clean=20), "personatus").strengths


def test_any_young_with_signs_means_a_wrong_pairing():
    result = judge_mating(brood(clean=20, sign=1), "personatus")
    assert result.verdict == "wrong pairing"
    assert "pets" in result.sentence


def test_clean_young_are_only_consistent_and_the_number_missing_is_said():
    result = judge_mating(brood(clean=6), "personatus")
    assert result.verdict == "not enough young"
    assert [s.more for s in result.strengths] == [0, 5]
    assert "1.6%" in str(result.strengths[0])
    enough = judge_mating(brood(clean=11), "personatus")
    assert enough.verdict == "consistent so far"
    assert "no proof" in enough.sentence


MARKS = tuple(load_rules().marks)


def grown_entry(statuses, stage="after first moult", number=1, read=MARKS):
    """An entry with one look; statuses by key of the sign, and the marks that were read."""
    marks = tuple(MarkPoint(m, 50, 0, 0, 1, 1, 1, 2, True, 0, 0.03, 0, 0.03) for m in read)
    signs = tuple(
        SignPoint(key, "personatus", status, "usually", "face", 0.1, 0.1)
        for key, status in statuses.items()
    )
    look = Observation(
        "0" * 32, "0" * 64, "x.jpg", ".jpg", "", "", "green", "adult", None, "", "0" * 64,
                marks, signs)  # fmt: skip
    return replace(an_entry(a_bird(), stage=stage), observations=(look,), number=number)


@pytest.fixture(scope="module")
def four(tables):
    """Four signs of the yellow-collared lovebird, as if no others could show."""
    return showing_signs("personatus", "green", tables)[:4]


@pytest.mark.parametrize(
    ("stage", "statuses", "finding"),
    [
        ("after first moult", ["not seen", "not seen"], "clean"),
        ("after first moult", ["not seen", "seen"], "sign"),
        ("after first moult", ["not seen", "doubtful"], "unclear"),
        ("after first moult", ["not seen", "not seen", "doubtful"], "unclear"),
        ("after first moult", ["not seen", "not calibrated"], "unclear"),
        ("after first moult", [], "unclear"),
        ("young plumage", ["not seen", "not seen"], "unclear"),
        ("young plumage", ["seen"], "unclear"),
    ],
)
def test_a_young_birds_own_record_judges_it_once_it_is_grown(four, stage, statuses, finding):
    keys = [sign.key for sign in four]
    entry = grown_entry(dict(zip(keys, statuses, strict=False)), stage)
    assert measured_finding([entry], four).finding == finding


def test_a_young_bird_of_which_one_mark_was_read_is_not_clean(tables):
    can_show = showing_signs("personatus", "green", tables)
    needed = math.ceil(advice_table().clean.share * len(can_show))
    assert needed > 1
    for read in (1, needed - 1, needed):
        entry = grown_entry({sign.key: "not seen" for sign in can_show[:read]})
        found = measured_finding([entry], can_show)
        assert found.finding == ("clean" if read == needed else "unclear")
        assert (found.looked_at, found.can_show) == (read, len(can_show))
        assert found.not_looked_at == tuple(can_show[read:])


def test_a_sign_of_several_marks_is_looked_at_when_half_of_them_were_read(tables):
    can_show = showing_signs("personatus", "green", tables)
    statuses = {sign.key: "not seen" for sign in can_show}
    several = [s for s in can_show if len(s.marks) >= 3]
    assert several
    for sign in several:
        half = math.ceil(advice_table().clean.share * len(sign.marks))
        others = [m for m in MARKS if m not in sign.marks]
        own = sorted(sign.marks, key=lambda m: m != "face")  # where grown_entry puts its signs
        for count in (half - 1, half):
            entry = grown_entry(statuses, read=(*others, *own[:count]))
            found = measured_finding([entry], can_show)
            assert (sign in found.not_looked_at) == (count < half)
        seen = grown_entry(statuses | {sign.key: "seen"}, read=())
        assert measured_finding([seen], can_show).finding == "sign", "one mark is enough for that"


def test_a_later_photo_does_not_wipe_out_a_sign_seen_on_a_grown_young_bird(four):
    keys = [sign.key for sign in four]
    first = grown_entry({keys[0]: "seen"})
    later = grown_entry(dict.fromkeys(keys[1:], "not seen"), number=2)
    assert measured_finding([first, later], four).finding == "sign"
    without = grown_entry(dict.fromkeys(keys, "not seen"), number=2)
    assert measured_finding([first, without], four).finding == "unclear"


def test_a_test_mating_says_what_was_not_looked_at_and_does_not_count_that_young(
    store, tables, clean_shot
):
    bird, mate = store.save(a_bird("Velvet")), store.save(a_bird("Mate"))
    child = store.save(a_bird("Child"))
    store.save_entry(an_entry(child), [clean_shot], tables)
    pair = Pair(new_id(), bird.id, mate.id, "test mating", young=(Young("C1", bird=child.id),))
    result = mating_result(store, store.save(pair), tables)
    can_show = showing_signs("personatus", "green", tables)
    statuses = {s.sign: s.status for s in store.entries(child.id)[0].observations[0].signs}
    read = {r.mark for r in clean_shot.record.measurement.readings}
    judged = [
        s
        for s in can_show
        if statuses.get(s.key) not in (None, "not calibrated")
        and (not s.marks or 2 * len(read.intersection(s.marks)) >= len(s.marks))
    ]
    assert 0 < len(judged) < len(can_show)
    assert "seen" not in statuses.values()
    assert (result.clean, result.unclear) == (0, 1)
    (gap,) = result.gaps
    assert gap.startswith(f"C1: {len(judged)} of {len(can_show)} signs were looked at.")
    assert all(s.text in gap for s in can_show if s not in judged)


def test_young_not_yet_moulted_prove_nothing():
    result = judge_mating(brood(unclear=9), "personatus")
    assert result.verdict == "no young yet"
    assert "9 young cannot be judged yet" in result.sentence
