"""Learned swatches: robust, honest about their origin, and easy to switch off."""

import io
import math
import subprocess
import sys
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from made_up import reading
from reported import record
from rich.console import Console
from scipy.special import chdtri, ndtri
from typer.testing import CliRunner

from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.cli import swatch as commands
from fieldmarks.cli.expectations import print_expectations
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Budget, UncertaintyPart
from fieldmarks.record import record_to_json
from fieldmarks.rules import keepers, load_rules, validate_tables
from fieldmarks.rules import learning as learn
from fieldmarks.rules import load as table_files

TABLES = load_rules()
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
    assert difference(np.array(found.new.colour), TRUE) < 1.5
    assert found.old is TABLES.swatches["bright_yellow"]
    assert found.moved == pytest.approx(
        float(difference(np.array(found.new.colour), np.array(found.old.colour)))
    )
    assert found.new.learned.birds == 24
    assert found.new.learned.cameras == ("A", "B")
    assert found.new.learned.learned_on == "2026-11-25"


def test_odd_birds_do_not_move_it():
    plain = learn.learn_swatch(samples(), TABLES, "bright_yellow", on=DAY)
    odd = learn.learn_swatch(samples(odd=5), TABLES, "bright_yellow", on=DAY)
    mean = np.mean([s.reading.lab for s in samples(odd=5)], axis=0)
    assert difference(np.array(odd.new.colour), TRUE) < 2.0
    assert difference(mean, TRUE) > 5  # what a plain mean would have done
    assert set(odd.left_out) >= {f"ring {n}" for n in range(5)}
    assert odd.new.tolerance < 1.5 * plain.new.tolerance


def test_the_tolerance_is_the_spread_of_the_birds_without_the_measuring_doubt():
    many = samples(count=400, scatter=(6.0, 3.0, 12.0))
    found = learn.learn_swatch(many, TABLES, "bright_yellow", on=DAY)
    distance = difference(np.array([s.reading.lab for s in many]), np.array(found.new.colour))
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
    assert difference(np.array(found.new.colour), TRUE) < 3


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


def test_learned_swatches_replace_the_shipped_ones_only_when_asked_for(tmp_path, monkeypatch):
    monkeypatch.setattr(table_files, "own_swatch_folder", lambda: tmp_path)
    found = learn.learn_swatch(samples(cameras=('A "one"', "B\\two")), TABLES, "bright_yellow")
    assert keepers.keep(found) == tmp_path / "bright_yellow.toml"
    on, off = load_rules(own_swatches=True), load_rules()
    assert on.lab["bright_yellow"] == pytest.approx(found.new.colour, abs=0.01)
    assert on.swatches["bright_yellow"].tolerance == found.new.tolerance
    assert on.swatches["bright_yellow"].learned == found.new.learned
    assert off.lab["bright_yellow"] == TABLES.lab["bright_yellow"]
    assert on.fingerprint != off.fingerprint
    assert off.fingerprint == TABLES.fingerprint
    assert validate_tables(tmp_path) == []
    (tmp_path / "bright_yellow.toml").unlink()
    assert load_rules(own_swatches=True).fingerprint == TABLES.fingerprint


def test_the_robust_fit_is_that_of_a_known_distribution():
    """Against theory: a normal cloud's 95 % radius in one direction is 1.96 deviations."""
    made = samples(count=600, scatter=(4.0, 0.01, 0.01))
    found = learn.learn_swatch(made, TABLES, "bright_yellow")
    s_l = 1 + 0.015 * (TRUE[0] - 50) ** 2 / math.sqrt(20 + (TRUE[0] - 50) ** 2)
    assert found.new.tolerance == pytest.approx(1.96 * 4.0 / s_l, rel=0.15)


# --- from the command line ---

LEARN = ["learn", "bright_yellow", "BIRDS", "--mark", "collar", "--origin", "studbook"]


@pytest.fixture
def own_folder(tmp_path, monkeypatch):
    folder = tmp_path / "own"
    monkeypatch.setattr(table_files, "own_swatch_folder", lambda: folder)
    return folder


def bird_list(folder, count=12, colour=None, claimed="personatus", **changes):
    """Records of birds of known origin, made up, and the list that names them."""
    rng = np.random.default_rng(5)
    lines = ["record,bird,camera"]
    for number in range(count):
        lab = tuple(TRUE + rng.normal(0, 1.5, 3)) if colour is None else colour
        whole = record()
        marks = (reading("collar", lab, sigma=0.3, **changes), reading("face", "jet black"))
        measured = replace(whole.measurement, readings=marks, sha256=f"{number:064x}")
        asked = replace(whole.question, claimed=claimed)
        made = replace(whole, measurement=measured, question=asked)
        name = f"bird{number}.record.json"
        (folder / name).write_text(record_to_json(made), encoding="utf-8")
        lines.append(f"{name},ring {number},{'AB'[number % 2]}")
    path = folder / "birds.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(*words, birds=None):
    arguments = [str(birds) if word == "BIRDS" else word for word in words]
    done = CliRunner().invoke(commands.app, arguments)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def test_learning_shows_old_beside_new_and_keeps_nothing_unasked(tmp_path, own_folder):
    text = run(*LEARN, birds=bird_list(tmp_path))
    old = "L* {:.1f}, a* {:.1f}, b* {:.1f}".format(*TABLES.lab["bright_yellow"])
    assert f"old: {old}" in text
    assert "new: L* 7" in text
    assert "from 12 birds, 12 photos, cameras: A, B" in text
    assert "Nothing was kept" in text
    assert not own_folder.exists()
    assert load_rules().fingerprint == TABLES.fingerprint


def test_a_kept_swatch_is_used_set_aside_used_again_and_forgotten(tmp_path, own_folder):
    run(*LEARN, "--keep", birds=bird_list(tmp_path))
    learned = load_rules(own_swatches=True)
    assert difference(np.array(learned.lab["bright_yellow"]), TRUE) < 1.5
    assert learned.swatches["bright_yellow"].learned.birds == 12
    assert "bright_yellow: in use" in run("list")
    run("set-aside", "bright_yellow")
    assert load_rules(own_swatches=True).fingerprint == TABLES.fingerprint
    assert "bright_yellow: set aside" in run("list")
    run("use-again", "bright_yellow")
    assert load_rules(own_swatches=True).fingerprint == learned.fingerprint
    run("forget", "bright_yellow")
    assert load_rules(own_swatches=True).fingerprint == TABLES.fingerprint
    assert "You have none" in run("list")
    assert list(own_folder.iterdir()) == []


def test_no_own_swatch_is_lost_when_one_is_set_aside(own_folder):
    own_folder.mkdir()
    used, aside = own_folder / "olive.toml", own_folder / f"olive{keepers.ASIDE}"
    used.write_text("new")
    aside.write_text("old")
    with pytest.raises(TableError, match="already set aside"):
        keepers.set_aside("olive")
    keepers.use_again("olive")
    assert (used.read_text(), aside.read_text()) == ("old", "new")
    keepers.forget("olive")
    assert keepers.own_swatches() == ()


@pytest.mark.parametrize("command", ["set-aside", "use-again", "forget"])
def test_a_swatch_never_kept_is_named_as_such(own_folder, command):
    with pytest.raises(TableError, match="no swatch 'olive'"):
        run(command, "olive")
    with pytest.raises(TableError, match="no swatch"):
        run(command, "../olive")


def test_the_command_refuses_too_few_birds_and_birds_of_unknown_origin(tmp_path, own_folder):
    birds = bird_list(tmp_path, learn.MIN_BIRDS - 1)
    with pytest.raises(TableError, match="too few"):
        run(*LEARN, "--keep", birds=birds)
    birds = bird_list(tmp_path)
    with pytest.raises(TableError, match="origin of bird"):
        run(*LEARN[:-2], "--keep", birds=birds)
    assert not own_folder.exists()


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"claimed": None}, "does not say what species"),
        ({"claimed": "nigrigenis"}, "does not show bright yellow there"),
        ({"claimed": "fischeri"}, "several colours"),
        ({"calibrated": False}, "no usable grey card"),
    ],
)
def test_readings_that_cannot_show_the_swatch_are_left_out_with_the_reason(
    tmp_path, own_folder, changes, why
):
    birds = bird_list(tmp_path, **changes)
    done = CliRunner().invoke(commands.app, [w if w != "BIRDS" else str(birds) for w in LEARN])
    assert isinstance(done.exception, TableError)
    assert "0 birds on 0 photos are too few" in str(done.exception)
    assert done.output.count(why) == 12


BROKEN_LISTS = {
    "no column": (lambda t: t.replace("bird,camera", "ring,camera"), "'bird' is missing"),
    "empty cell": (lambda t: t.replace("ring 3", ""), "'bird' is empty"),
    "no such file": (lambda t: t.replace("bird3.", "nobody."), "cannot be opened"),
    "no record": (lambda t: t.replace("bird3.record.json", "birds.csv"), "no record file"),
    "twice": (lambda t: t + "bird3.record.json,ring 99,A\n", "already in line 5"),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN_LISTS)
def test_a_broken_list_is_named_with_its_line(tmp_path, own_folder, case):
    spoil, said = BROKEN_LISTS[case]
    birds = bird_list(tmp_path)
    birds.write_text(spoil(birds.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(FieldmarksError) as caught:
        run(*LEARN, birds=birds)
    assert said in str(caught.value)
    assert "birds.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


# --- facts of a species ---


@pytest.mark.parametrize("species", list(TABLES.species))
def test_the_facts_of_a_species_are_shown_with_where_they_come_from(species):
    out = io.StringIO()
    console = Console(file=out, width=300, highlight=False)
    print_expectations(TABLES, species, "green", "adult", console)
    facts, text = TABLES.species[species].facts, out.getvalue()
    for low, high, unit in ((*facts.mass_g, "g"), (*facts.body_length_mm, "mm")):
        assert f"{low:g} to {high:g} {unit}" in text
    assert facts.iucn in text
    assert facts.cites in text
    assert facts.evidence in text
    assert text.count("from memory") >= 3
    assert "check today's listing and your local law" in text


def test_the_commands_start_without_the_slow_libraries():
    code = (
        "import sys; import fieldmarks.cli.swatch; "
        "print([m for m in ('numpy', 'pydantic', 'sklearn', 'skimage') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_what_all_photos_share_is_no_difference_between_photos():
    """The camera's part and veiling glare are the same in every photo of one phone."""
    plain = samples()
    shared = [
        UncertaintyPart(name, 4.0, 4.0, 4.0, "made up") for name in ("camera", "veiling glare")
    ]
    doubted = [
        replace(s, reading=replace(s.reading, budget=Budget((*s.reading.budget.parts, *shared))))
        for s in plain
    ]
    found = [learn.learn_swatch(rows, TABLES, "bright_yellow", on=DAY) for rows in (plain, doubted)]
    assert found[0].new.tolerance == pytest.approx(found[1].new.tolerance)


@pytest.mark.parametrize(
    ("birds", "photos", "measuring"), [(12, 1, 2.0), (30, 1, 0.3), (30, 5, 4.0), (100, 1, 4.0)]
)
def test_the_tolerance_holds_birds_that_were_not_among_those_learned_from(birds, photos, measuring):
    """Normal birds (sd 4 along each axis) read with a known error; then others of their kind."""
    rng = np.random.default_rng(7)
    centre = np.array(TABLES.lab["mid_green"])
    budget = Budget((UncertaintyPart("light", measuring, measuring, measuring, "made up"),))

    def seen(bird):
        lab = tuple(bird + measuring * rng.standard_normal(3))
        return replace(reading("back", lab), budget=budget)

    inside, width = [], []
    for _ in range(max(4, 240 // birds)):
        rows = [
            learn.Sample(seen(bird), f"bird {n}", f"photo {n} {k}", "A", "studbook")
            for n, bird in enumerate(centre + 4 * rng.standard_normal((birds, 3)))
            for k in range(photos)
        ]
        found = learn.learn_swatch(rows, TABLES, "mid_green", on=DAY)
        others = difference(centre + 4 * rng.standard_normal((5000, 3)), found.new.colour)
        inside.append(np.mean(others <= found.new.tolerance))
        width.append(found.new.tolerance / np.quantile(others, 0.95))
    assert 0.89 < np.mean(inside) <= 1
    assert 0.85 < np.mean(width) < 1.4


def test_howes_factor_is_that_of_the_handbook():
    """NIST/SEMATECH e-Handbook, 7.2.6.3 (from memory): n = 43, 99 % sure of 90 %: k = 2.2173."""
    n, z = 43, float(ndtri(0.95))
    sure = {c: math.sqrt((1 + 1 / n) * (n - 1) / chdtri(n - 1, c)) for c in (0.99, learn.SURE)}
    assert z * sure[0.99] == pytest.approx(2.2173, abs=1e-3)
    assert learn._for_few(n) == pytest.approx(sure[learn.SURE])
    assert learn._for_few(10) > learn._for_few(100) > 1


def test_without_the_library_for_learning_the_keeper_is_told_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "sklearn.covariance", None)
    with pytest.raises(TableError, match="pip install scikit-learn"):
        learn.learn_swatch(samples(), TABLES, "bright_yellow")
