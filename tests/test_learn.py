"""Learned swatches: robust, honest about their origin, and easy to switch off."""

import math
from datetime import date

import numpy as np
import pytest
from made_up import reading

from fieldmarks.colour import difference
from fieldmarks.errors import TableError
from fieldmarks.tables import learn, load_tables, validate_tables
from fieldmarks.tables import load as table_files

TABLES = load_tables(keepers_swatches=False)
TRUE = np.array([76.0, 1.0, 74.0])
DAY = date(2026, 11, 25)


def samples(count=24, odd=0, scatter=(3.0, 1.0, 5.0), cameras=("A", "B"), per_bird=1):
    rng = np.random.default_rng(5)
    made = []
    for number in range(count):
        lab = TRUE + rng.normal(0, scatter)
        if number < odd:
            lab = np.array([50.0, 40.0, 30.0])
        for shot in range(per_bird):
            made.append(
                learn.Sample(
                    reading("collar", tuple(lab), sigma=0.3),
                    bird=f"ring {number}",
                    photo=f"photo {number}-{shot}",
                    camera=cameras[number % len(cameras)],
                    origin="both parents in the studbook",
                )
            )
    return made


def test_the_centre_is_found_and_the_old_one_is_shown_beside_it():
    found = learn.learn_swatch(samples(), TABLES, "bright_yellow", on=DAY)
    assert difference(np.array(found.new_lab), TRUE) < 1.5
    assert found.old is TABLES.swatches["bright_yellow"]
    assert found.moved == pytest.approx(
        float(difference(np.array(found.new_lab), np.array(found.old_lab)))
    )
    assert found.new.learned.birds == 24
    assert found.new.learned.cameras == ("A", "B")
    assert found.new.learned.learned_on == "2026-11-25"


def test_odd_birds_do_not_move_it():
    plain = learn.learn_swatch(samples(), TABLES, "bright_yellow", on=DAY)
    odd = learn.learn_swatch(samples(odd=5), TABLES, "bright_yellow", on=DAY)
    mean = np.mean([s.reading.lab for s in samples(odd=5)], axis=0)
    assert difference(np.array(odd.new_lab), TRUE) < 2.0
    assert difference(mean, TRUE) > 5  # what a plain mean would have done
    assert set(odd.left_out) >= {f"ring {n}" for n in range(5)}
    assert odd.new.tolerance < 1.5 * plain.new.tolerance


def test_the_tolerance_is_the_spread_of_the_birds_without_the_measuring_doubt():
    many = samples(count=400, scatter=(6.0, 3.0, 12.0))
    found = learn.learn_swatch(many, TABLES, "bright_yellow", on=DAY)
    distance = difference(np.array([s.reading.lab for s in many]), np.array(found.new_lab))
    assert found.new.tolerance == pytest.approx(np.quantile(distance, 0.95), rel=0.15)
    vague = [
        learn.Sample(reading("collar", s.reading.lab, sigma=1.5), s.bird, s.photo, "A", s.origin)
        for s in many
    ]
    assert learn.learn_swatch(vague, TABLES, "bright_yellow").new.tolerance < found.new.tolerance


def test_alike_birds_still_get_a_least_tolerance():
    found = learn.learn_swatch(samples(scatter=(0, 0, 0)), TABLES, "bright_yellow")
    assert found.new.tolerance == learn.LEAST_TOLERANCE
    assert any("more careful" in w for w in found.warnings)


def test_a_much_photographed_bird_counts_once():
    many = samples(count=11)
    many += [
        learn.Sample(reading("collar", (60, 30, 40)), "ring 0", f"again {n}", "A", "studbook")
        for n in range(50)
    ]
    found = learn.learn_swatch(many, TABLES, "bright_yellow")
    assert found.new.learned.birds == 11
    assert difference(np.array(found.new_lab), TRUE) < 3


def test_one_camera_is_warned_about():
    found = learn.learn_swatch(samples(cameras=("A",)), TABLES, "bright_yellow")
    assert any("one camera" in w for w in found.warnings)


def test_too_few_birds_are_refused_however_many_photos():
    with pytest.raises(TableError, match="too few") as caught:
        learn.learn_swatch(samples(count=9, per_bird=20), TABLES, "bright_yellow")
    assert str(learn.MIN_BIRDS) in caught.value.mend


def test_uncalibrated_unknown_origin_and_unknown_swatch_are_refused():
    good = samples()
    bad = learn.Sample(reading("collar", "orange", calibrated=False), "x", "p", "A", "studbook")
    with pytest.raises(TableError, match="grey card"):
        learn.learn_swatch([*good, bad], TABLES, "bright_yellow")
    bad = learn.Sample(reading("collar", "orange"), "x", "p", "A", " ")
    with pytest.raises(TableError, match="origin"):
        learn.learn_swatch([*good, bad], TABLES, "bright_yellow")
    with pytest.raises(TableError, match="no swatch"):
        learn.learn_swatch(good, TABLES, "brightest_yellow")


def test_learned_swatches_live_beside_the_shipped_ones_and_can_be_switched_off(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(table_files, "keepers_swatch_folder", lambda: tmp_path)
    found = learn.learn_swatch(samples(cameras=('A "one"', "B\\two")), TABLES, "bright_yellow")
    assert learn.write_keepers_swatches([found], tmp_path) == tmp_path
    on, off = load_tables(), load_tables(keepers_swatches=False)
    assert on.lab["bright_yellow"] == pytest.approx(found.new_lab, abs=0.01)
    assert on.swatches["bright_yellow"].tolerance == found.new.tolerance
    assert on.swatches["bright_yellow"].learned == found.new.learned
    assert off.lab["bright_yellow"] == TABLES.lab["bright_yellow"]
    assert on.fingerprint != off.fingerprint
    assert off.fingerprint == TABLES.fingerprint
    assert validate_tables(tmp_path) == []
    (tmp_path / "bright_yellow.toml").unlink()
    assert load_tables().fingerprint == TABLES.fingerprint


def test_the_robust_fit_is_that_of_a_known_distribution():
    """Against theory: a normal cloud's 95 % radius in one direction is 1.96 deviations."""
    made = samples(count=600, scatter=(4.0, 0.01, 0.01))
    found = learn.learn_swatch(made, TABLES, "bright_yellow")
    s_l = 1 + 0.015 * (TRUE[0] - 50) ** 2 / math.sqrt(20 + (TRUE[0] - 50) ** 2)
    assert found.new.tolerance == pytest.approx(1.96 * 4.0 / s_l, rel=0.15)
