"""What cannot be of a bird's family is refused where it is typed, and never counted."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from app_page import AppTest
from made_birds import a_bird, an_entry
from typer.testing import CliRunner

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.brood import mating_result, save_young, young_with_findings
from fieldmarks.birds.model import Pair, Young, new_id
from fieldmarks.birds.service import keep_look, save_bird
from fieldmarks.birds.store import Store
from fieldmarks.cli.main import app

TODAY = date.today()
LONG_AGO = TODAY - timedelta(days=1500)


def ago(days):
    return TODAY - timedelta(days=days)


@pytest.fixture
def pair(store):
    first = store.save(a_bird("Cock", sex="cock", hatched=LONG_AGO))
    second = store.save(a_bird("Hen", sex="hen", hatched=LONG_AGO))
    return store.save(Pair(new_id(), first.id, second.id, "test mating", ago(600)))


IMPOSSIBLE = {
    "before the pair": (Young("Y", ago(700), "clean"), "put together"),
    "before an egg could hatch": (Young("Y", ago(585), "clean"), "an egg needs 20 days"),
    "in the future": (Young("Y", ago(-5), "clean"), "yet to come"),
    "one day old and moulted": (Young("Y", ago(1), "clean"), "first moult yet"),
    "one day old with a sign": (Young("Y", ago(1), "sign"), "first moult yet"),
    "hatched too soon after it was laid": (
        Young("Y", ago(490), "clean", laid=ago(500)),
        "an egg needs 20 days",
    ),
    "laid before the pair": (Young("Y", ago(500), "clean", laid=ago(601)), "put together"),
    "an egg that is clean": (Young("Y", None, "clean", laid=ago(500)), "no hatch date"),
    "without a label": (Young("  ", ago(400), "clean"), "no ring or name"),
    "in year 1": (Young("Y", date(1, 1, 1), "clean"), "cannot be right"),
}


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_an_impossible_young_is_refused_where_it_is_typed(store, tables, pair, case):
    young, said = IMPOSSIBLE[case]
    with pytest.raises(FieldmarksError, match=said):
        save_young(store, pair, young, tables)
    assert store.pair(pair.id).young == ()


@pytest.mark.parametrize("case", [c for c in IMPOSSIBLE if c not in ("in the future", "in year 1")])
def test_an_impossible_young_kept_by_an_earlier_version_does_not_count(store, tables, pair, case):
    young, _ = IMPOSSIBLE[case]
    kept = store.save(replace(pair, young=(young, Young("Good", ago(400), "clean"))))
    result = mating_result(store, kept, tables)
    assert (result.clean, result.signs, result.unclear) == (1, 0, 1)
    assert sum("does not count" in line for line in result.gaps) == 1


def test_a_young_that_can_be_counts(store, tables, pair):
    for label, young in (("A", ago(400)), ("B", ago(575)), ("C", None)):
        pair = save_young(store, pair, Young(label, young, "clean"), tables)
    pair = save_young(store, pair, Young("D", ago(1), "unclear"), tables)
    assert mating_result(store, pair, tables).clean == 3


def test_the_day_an_egg_was_laid_stays_known_when_its_hatching_is_put_down(store, tables, pair):
    pair = save_young(store, pair, Young("E1", laid=ago(30)), tables)
    pair = save_young(store, pair, Young("e1", ago(7)), tables)
    (kept,) = store.pair(pair.id).young
    assert (kept.laid, kept.hatched) == (ago(30), ago(7))


def test_a_young_is_not_counted_under_two_labels(store, tables, pair):
    kid = store.save(a_bird("Kid", hatched=ago(400), father=pair.first))
    pair = save_young(store, pair, Young("ab 1", ago(400), "clean", kid.id), tables)
    pair = save_young(store, pair, Young("AB  1", ago(400), "clean", kid.id), tables)
    assert [y.label for y in pair.young] == ["AB  1"]
    with pytest.raises(FieldmarksError, match="twice"):
        save_young(store, pair, Young("AB 2", ago(400), "clean", kid.id), tables)


def test_a_bird_of_other_parents_is_no_young_of_this_pair(store, tables, pair):
    other = store.save(a_bird("Other", sex="cock", hatched=LONG_AGO))
    kid = store.save(a_bird("Kid", hatched=ago(400), father=other.id))
    with pytest.raises(FieldmarksError, match="other birds are on record"):
        save_young(store, pair, Young("Y", None, "clean", kid.id), tables)
    with pytest.raises(FieldmarksError, match="one of the pair"):
        save_young(store, pair, Young("Y", None, "clean", pair.first), tables)


def test_a_young_of_a_pair_that_was_itself_not_grown_is_refused(store, tables, pair):
    save_bird(store, replace(store.bird(pair.second), hatched=ago(450)))
    pair = store.save(replace(pair, started=None))
    with pytest.raises(FieldmarksError, match="Hen only on"):
        save_young(store, pair, Young("Y", ago(400), "clean"), tables)


def test_a_day_old_bird_is_not_through_its_moult_and_its_own_looks_do_not_count(
    store, tables, pair, clean_shot
):
    kid = store.save(a_bird("Kid", hatched=ago(400), father=pair.first))
    with pytest.raises(FieldmarksError, match="cannot be 'after first moult'"):
        keep_look(store, kid, [clean_shot], tables, ago(399), "after first moult", "Wren")
    store.save_entry(an_entry(kid, ago(399)), [clean_shot], tables)  # as 0.2.0 kept it
    pair = store.save(replace(pair, young=(Young("Y", None, "unclear", kid.id),)))
    (young,) = young_with_findings(store, pair, tables)
    assert young.finding == "unclear"
    assert "0 of" in mating_result(store, pair, tables).gaps[0]


# --- parents ---


@pytest.fixture
def family(store):
    return {
        name: save_bird(store, a_bird(name, sex=sex, hatched=day))
        for name, sex, day in (
            ("Cock", "cock", LONG_AGO),
            ("Hen", "hen", LONG_AGO),
            ("Unsexed", "unknown", LONG_AGO),
            ("Late", "cock", ago(30)),
        )
    }


@pytest.mark.parametrize(
    ("father", "mother", "said"),
    [
        ("Hen", None, "Hen is a hen, so it cannot be the father"),
        (None, "Cock", "Cock is a cock, so it cannot be the mother"),
        ("Unsexed", "Unsexed", "Unsexed cannot be its father and its mother"),
        ("Late", None, "so it cannot be its father"),
    ],
)
def test_parents_that_cannot_be_are_refused(store, family, father, mother, said):
    kid = a_bird(
        "Kid",
        hatched=ago(100),
        father=family[father].id if father else None,
        mother=family[mother].id if mother else None,
    )
    with pytest.raises(FieldmarksError, match=said):
        save_bird(store, kid)


def test_a_parent_cannot_be_changed_into_one_that_could_not_have_had_its_young(store, family):
    save_bird(store, a_bird("Kid", hatched=ago(100), father=family["Cock"].id))
    cock = store.bird(family["Cock"].id)
    for wrong in ({"sex": "hen"}, {"hatched": ago(90)}, {"hatched": ago(150)}):
        with pytest.raises(FieldmarksError, match=r"cannot be (the|its) father"):
            save_bird(store, replace(cock, **wrong))
    save_bird(store, replace(cock, hatched=ago(900)))


def test_an_estimate_need_only_be_in_the_right_order(store, family):
    cock = save_bird(store, replace(family["Late"], hatched=ago(200), hatch_known="estimate"))
    save_bird(store, a_bird("Kid", hatched=ago(100), father=cock.id))
    with pytest.raises(FieldmarksError, match="so it cannot be its father"):
        save_bird(store, a_bird("Kid 2", hatched=ago(200), father=cock.id))


@pytest.mark.parametrize("day", [date(1, 1, 1), date(1949, 12, 31), ago(-1)])
def test_a_hatch_date_that_cannot_be_is_refused(store, day):
    with pytest.raises(FieldmarksError, match=r"cannot be right|yet to come"):
        save_bird(store, a_bird(hatched=day))


def test_parents_and_dates_can_be_taken_off_at_the_command_line(tmp_path):
    with Store(tmp_path) as store:
        cock = store.save(a_bird("Cock", sex="cock"))
        kid = a_bird("Kid", hatched=ago(100), father=cock.id, ring_year=2024)
        key = store.save(kid).id
    off = ["--father", "", "--hatched", "", "--ring-year", "0", "--species", ""]
    done = CliRunner().invoke(app, ["bird", "--store", str(tmp_path), "change", "Kid", *off])
    assert done.exit_code == 0, done.output
    with Store(tmp_path) as store:
        now = store.bird(key)
    assert (now.father, now.hatched, now.ring_year, now.species) == (None, None, None, None)


def page_of_facts():
    import streamlit as st

    from fieldmarks.app.birds.facts import bird_form, parents_form
    from fieldmarks.app.birds.shared import store

    (bird,) = [b for b in store().birds() if b.name == "Kid"]
    bird_form(bird)
    parents_form(bird)
    st.write("end of page")


@pytest.fixture
def kid_page(tmp_path, monkeypatch):
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("FIELDMARKS_STORE", str(tmp_path))
    with Store(tmp_path) as store:
        cock = store.save(a_bird("Cock", sex="cock"))
        store.save(a_bird("Kid", hatched=ago(100), father=cock.id))
    yield AppTest.from_function(page_of_facts, default_timeout=60), tmp_path
    st.cache_resource.clear()


def the_kid(folder):
    with Store(folder) as store:
        return store.find("Kid")


def test_a_parent_and_a_hatch_date_can_be_taken_off_in_the_app(kid_page):
    page, folder = kid_page
    page.run()
    assert page.date_input[0].value == ago(100)
    (father,) = [b for b in page.selectbox if b.label == "Father"]
    father.set_value(None).run()
    (save,) = [b for b in page.button if b.label == "Save the parents"]
    save.click().run()
    assert the_kid(folder).father is None
    page.date_input[0].set_value(None)
    (save,) = [b for b in page.button if b.label == "Save the bird"]
    save.click().run()
    assert not page.exception
    assert the_kid(folder).hatched is None


@pytest.mark.parametrize("year", [1, 2999])
def test_the_page_of_a_bird_with_an_impossible_hatch_date_can_mend_it(kid_page, monkeypatch, year):
    page, folder = kid_page
    with Store(folder) as store, monkeypatch.context() as patched:  # as 0.2.0 kept it
        patched.setattr("fieldmarks.birds.writing.checked", lambda thing: thing)
        store.save(replace(store.find("Kid"), hatched=date(year, 1, 1)))
    page.run()
    assert not page.exception
    assert [m.value for m in page.markdown][-1] == "end of page"
    assert any("cannot be right" in w.value for w in page.warning)
    page.date_input[0].set_value(ago(100))
    (save,) = [b for b in page.button if b.label == "Save the bird"]
    save.click().run()
    assert the_kid(folder).hatched == ago(100)
