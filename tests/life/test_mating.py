"""Test mating against the binomial distribution."""

from dataclasses import replace

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from made_birds import a_bird, an_entry

from fieldmarks.errors import FieldmarksError
from fieldmarks.life.bird import Look, SignPoint, Young
from fieldmarks.life.mating import judge_mating, measured_finding, miss_chance, young_needed


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


@pytest.mark.parametrize(
    ("stage", "statuses", "finding"),
    [
        ("after first moult", ["not seen", "not seen"], "clean"),
        ("after first moult", ["not seen", "seen"], "sign"),
        ("after first moult", ["not seen", "doubtful"], "unclear"),
        ("after first moult", [], "unclear"),
        ("young plumage", ["not seen"], "unclear"),
        ("young plumage", ["seen"], "unclear"),
    ],
)
def test_a_young_birds_own_record_judges_it_once_it_is_grown(stage, statuses, finding):
    signs = tuple(SignPoint("x", "personatus", s, "usually", "face", 0.1, 0.1) for s in statuses)
    look = Look("0" * 32, "0" * 64, "x.jpg", ".jpg", "", "", "green", "adult", None, "", "0" * 64,
                (), signs)  # fmt: skip
    entry = replace(an_entry(a_bird(), stage=stage), looks=(look,))
    assert measured_finding([entry]) == finding


def test_young_not_yet_moulted_prove_nothing():
    result = judge_mating(brood(unclear=9), "personatus")
    assert result.verdict == "no young yet"
    assert "9 young cannot be judged yet" in result.sentence
