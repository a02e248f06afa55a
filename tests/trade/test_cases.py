"""The described birds themselves: enough of them for every rule, and each word has a colour."""

import matings
import pytest
import verdicts
from described import NUMBERS, book

from fieldmarks.rules import load_rules

BOOK, TABLES = book(), load_rules()


def test_every_rule_has_at_least_fifteen_birds_or_matings():
    counts = {point.number: len(point.cases) for point in BOOK.point}
    counts[11] += len(BOOK.mating)
    assert sum(counts.values()) >= 250
    assert all(counts[number] >= 15 for number in range(1, 16)), counts


@pytest.mark.parametrize("point", BOOK.point, ids=lambda point: str(point.number))
def test_every_word_of_a_bird_has_a_colour(point):
    names = [(case.bird, case.name) for case in point.cases]
    assert len(set(names)) == len(names)
    for case in point.cases:
        for mark, words in BOOK.described(case).items():
            if mark not in NUMBERS:
                shares = [share for _, share in BOOK.colours_of(str(words))]
                assert sum(shares) == pytest.approx(1)


def test_every_rule_has_birds_on_both_sides():
    for point in BOOK.point:
        if point.number != 11:
            assert len({case.says.split(",")[0].split()[0] for case in point.cases}) > 1 or any(
                case.untold for case in point.cases
            ), point.text


@pytest.mark.parametrize("case", BOOK.mating, ids=lambda case: case.name)
def test_matings_are_judged_as_a_breeder_would(case):
    said, told = matings.answer(case, TABLES)
    assert said == case.says, told
    assert case.tells.lower() in told.lower()


# One bird in four, chosen by its place; benchmarks/trade.py takes them all, with more noise.
SOME = [(point, case) for point, case in BOOK.every()][::4]


@pytest.fixture(scope="module")
def answers():
    return [(point, case, verdicts.answer(BOOK, case, TABLES)) for point, case in SOME]


def test_the_program_agrees_with_a_breeder(answers):
    wrong = [f"{p.number}: {c.bird}, {c.name}" for p, c, v in answers if not v.agrees(c)]
    assert len(wrong) <= 0.02 * len(answers), wrong


def test_no_bird_with_a_strong_sign_is_called_clean(answers):
    assert not [c.name for _, c, v in answers if c.says.startswith("mixed") and v.clean]


def test_no_good_bird_is_contradicted(answers):
    against = ("other", "mixed")
    assert not [c.name for _, c, v in answers if c.says.startswith("pure") and v.kind in against]
