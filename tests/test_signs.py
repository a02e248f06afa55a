"""Signs: tints by area, each with its ancestry, never averaged."""

import dataclasses
import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up import assess, reading
from reported import record, shipped_tables
from rich.console import Console

from fieldmarks.cli.text import print_record
from fieldmarks.judge.signs import STRENGTHS, SignStatus, look_for_signs, tint_fraction
from fieldmarks.measure.colour import lab_to_polar
from fieldmarks.measure.quantities import Budget, Population, UncertaintyPart
from fieldmarks.measure.uncertainty import camera_terms, deviations, draw_colours, glare_part
from fieldmarks.report.content import _next
from fieldmarks.rules import load_rules
from fieldmarks.rules.plumage import expected
from fieldmarks.rules.schema import Sign, Tint

TABLES = load_rules()


def sign(result, key):
    return next(s for sheet in result.sheets for s in sheet.signs if s.key == key)


def lch(light, chroma, hue):
    return (
        light,
        chroma * math.cos(math.radians(hue)),
        chroma * math.sin(math.radians(hue)),
    )


def test_tints_are_spans_of_lightness_chroma_and_hue():
    tint = Tint(
        key="t", name="tint", lightness=(40, 60), chroma=(20, 50), hue=(30, 70), evidence="test"
    )
    inside, outside = lch(50, 30, 50), [
        lch(39, 30, 50),
        lch(50, 19, 50),
        lch(50, 30, 29),
        lch(50, 30, 71),
    ]  # fmt: skip
    for lab, share in [(inside, 1), *((o, 0) for o in outside)]:
        assert tint_fraction([tint], lab_to_polar([[lab]]), np.array([1.0]))[0] == share


@given(st.floats(0, 359.9))
def test_a_hue_span_may_run_through_zero(hue):
    tint = Tint(key="t", name="tint", hue=(350, 20), evidence="test")
    found = tint_fraction([tint], lab_to_polar([[lch(50, 30, hue)]]), np.array([1.0]))[0]
    if not any(abs(hue - edge) < 1e-6 for edge in (350, 20)):
        assert found == (1 if hue > 350 or hue < 20 else 0)


def test_a_tint_without_a_hue_span_takes_every_hue():
    tint = TABLES.tints["black"]
    colours = lab_to_polar([[lch(20, 5, h)] for h in (0, 90, 180, 270, 359)])
    assert tint_fraction([tint], colours, np.full(5, 0.2))[0] == pytest.approx(1)


def test_shares_of_several_tints_add_up_without_counting_twice():
    colours = lab_to_polar([[[20.0, 0, 0]], [[64.0, 37, 62]], [[80.0, -2, 80]]])
    tints = [TABLES.tints["black"], TABLES.tints["dark"], TABLES.tints["orange"]]
    assert tint_fraction(tints, colours, np.array([0.2, 0.3, 0.5]))[0] == pytest.approx(0.5)


@pytest.mark.parametrize(("share", "status"), [(0.02, "not seen"), (0.2, "seen")])
def test_a_sign_needs_its_share_of_the_area(share, status):
    mark = reading("collar", ("bright yellow", 1 - share), ("orange", share))
    result = assess([mark], [], TABLES, claimed="personatus")
    assert sign(result, "personatus_orange_collar").status == status


def test_a_hue_between_yellow_and_orange_is_doubtful_not_seen():
    between = lch(72, 70, 79)
    mark = reading("collar", ("bright yellow", 0.7), (between, 0.3), sigma=1.9)
    result = assess([mark], [], TABLES, claimed="personatus")
    found = sign(result, "personatus_orange_collar")
    assert found.status is SignStatus.DOUBTFUL
    assert 0.05 < found.held < 0.95
    assert result.conclusion.outcome != "signs"


def test_an_unread_mark_was_not_looked_at_and_without_a_card_a_tint_is_not_settled():
    result = assess([reading("face", "jet black")], [], TABLES, claimed="personatus")
    assert sign(result, "personatus_orange_collar").status is SignStatus.NOT_LOOKED_AT
    mark = reading("collar", lch(72, 70, 74), calibrated=False)  # orange, near to yellow
    result = assess([mark], [], TABLES, claimed="personatus")
    assert sign(result, "personatus_orange_collar").status is SignStatus.DOUBTFUL
    assert "No grey card" in result.conclusion.sentence


def test_signs_are_silent_where_the_variety_moves_the_pigment():
    mark = reading("collar", ("bright yellow", 0.6), ("orange", 0.4))
    result = assess([mark], [], TABLES, variety="opaline", claimed="personatus")
    assert sign(result, "personatus_orange_collar").status is SignStatus.SAYS_NOTHING
    assert result.conclusion.outcome != "signs"


def test_each_sign_names_ancestry_strength_and_evidence():
    for row in TABLES.signs.values():
        assert row.points_to
        assert row.species not in row.points_to
        assert row.strength in ("always", "usually", "hint")


def test_no_expected_colour_of_an_adult_is_itself_a_sign():
    """A pure bird at the very centre of its swatches must show none of its own signs."""
    for species, row in TABLES.species.items():
        for variety, kind in TABLES.varieties.items():
            if kind.parts or (kind.species and species not in kind.species):
                continue
            for mark in row.marks:
                for key in expected(TABLES, species, mark, variety).swatches:
                    drawn = draw_colours(reading(mark, TABLES.lab[key], sigma=0.05), 5)
                    sightings = look_for_signs(
                        TABLES, species, {mark: [drawn]}, {}, variety, "adult"
                    )
                    seen = [
                        s
                        for s in sightings
                        # A hint may be a colour that good birds show too.
                        if s.status is SignStatus.SEEN and s.strength != "hint"
                    ]
                    assert not seen, (species, variety, mark, key)


def printed():
    out = io.StringIO()
    print_record(record(), shipped_tables(), Console(file=out, width=400, highlight=False))
    return out.getvalue()


def test_a_sign_is_never_printed_as_a_certainty():
    """The strength is how keepers hold it, in the same words in every view."""
    strengths = set(Sign.model_fields["strength"].annotation.__args__)
    assert set(STRENGTHS) == strengths
    assert all(words.startswith("keepers hold it") for words in STRENGTHS.values())
    lines = [line for line in printed().splitlines() if "Points to" in line]
    assert lines
    for line in lines:
        assert any(f" ({words})." in line for words in STRENGTHS.values())
        assert not any(f"({word})" in line for word in STRENGTHS)


def test_what_a_mark_always_tells_is_kept_apart_from_what_it_sometimes_tells():
    (coming,) = _next(record())
    for row in record().assessment.next_marks[:4]:
        assert f"{row.name}: {row.look}" in printed()
        always = f"{row.look} It tells {row.always} of {row.of_pairs} pairs of species apart"
        more = f", and {row.sometimes} more in part." if row.sometimes else "."
        assert f"{row.name}: {always}{more}" in coming.items


# --- draws ---


def test_draws_have_the_covariance_of_the_budget():
    """JCGM 101: the sample covariance of the draws estimates the stated one."""
    one = reading("collar", "bright yellow", sigma=1.5)
    drawn = draw_colours(one, 200_000, 3).median
    assert np.cov(drawn.T) == pytest.approx(one.budget.covariance(one.lab), rel=0.02, abs=0.15)
    assert drawn.mean(axis=0) == pytest.approx(one.lab, abs=0.1)


def test_populations_share_the_errors_of_the_photo():
    one = reading("collar", ("bright yellow", 0.6), ((75, 15, 70), 0.4), sigma=1.5)
    drawn = draw_colours(one, 5000, 3)
    light = [drawn.median[:, 0], drawn.populations[1][:, 0]]
    assert np.corrcoef(light)[0, 1] > 0.99


def test_the_cameras_part_grows_away_from_the_card_when_carried_to_another_colour():
    one = reading("face", ("jet black", 0.8), ("white", 0.2))
    camera = UncertaintyPart("camera", *camera_terms(one.lab, [49.5]), "made up")
    black = dataclasses.replace(one, budget=Budget((camera,)), anchors=(49.5,))
    for population in black.populations:
        there = camera_terms(population.lab, [49.5])
        assert deviations(black, population.lab) == pytest.approx(there)


@pytest.mark.parametrize("tone_known", [True, False])
def test_veiling_glare_is_worked_out_for_the_card_that_was_used(tone_known):
    """With a white card a white part is hardly touched, whatever is known of the tone."""
    one = reading("eye_ring", ("white", 0.6), ("white", 0.4))
    for anchors, least, most in (((95.0,), 0.0, 0.3), ((49.5,), 0.8, 1.5)):
        budget = Budget((glare_part(one.lab, anchors),))
        ring = dataclasses.replace(one, budget=budget, anchors=anchors, tone_known=tone_known)
        near = (one.lab[0] + 1e-6, *one.lab[1:])
        assert deviations(ring, near) == pytest.approx(budget.combined, abs=1e-3)
        assert least <= deviations(ring, near)[0] <= most


def test_the_cameras_part_grows_with_chroma_when_carried_to_another_colour():
    one = reading("face", ("jet black", 0.8), ("orange", 0.2))
    camera = UncertaintyPart("camera", 2.0, 0.9, 0.9, "made up")
    budget = Budget((camera,))
    black = dataclasses.replace(one, budget=budget, anchors=(49.5,))
    grey, orange = (deviations(black, p.lab) for p in black.populations)
    assert grey == budget.combined
    assert orange[1] > 3 * grey[1]
    assert orange[2] > 3 * grey[2]


@settings(max_examples=30, deadline=None)
@given(st.floats(0.01, 0.99))
def test_fractions_need_not_add_up_to_one(share):
    one = reading("collar", ("bright yellow", 0.6), ("orange", share))
    populations = tuple(Population(p.lab, p.fraction / 2) for p in one.populations)
    half = type(one)(**{**vars(one), "populations": populations})
    results = [assess([r], [], TABLES, claimed="personatus", draws=50) for r in (one, half)]
    keys = [sign(r, "personatus_orange_collar").amount for r in results]
    assert keys[0] == pytest.approx(keys[1])
