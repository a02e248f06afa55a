"""Never the wrong bird, never a lost word.

Entries that look alike, saves that meet, photos of one day.
"""

import dataclasses
import itertools
from datetime import date

import pytest
from app_page import AppTest
from made_birds import CLEAN, a_bird, an_entry, paint, shoot

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import service as desk
from fieldmarks.birds.collection import Filter, list_birds
from fieldmarks.birds.exchange import export_store, import_store
from fieldmarks.birds.model import Pair, Young, new_id
from fieldmarks.birds.reader import told_apart
from fieldmarks.birds.store import Store
from fieldmarks.birds.writing import ConflictError
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question


def matings():
    from fieldmarks.app.birds.pairs import mating_page
    from fieldmarks.app.birds.shared import whole_store

    whole_store.clear()
    mating_page()


def choosing():
    import streamlit as st

    from fieldmarks.app.birds.shared import choose_bird, whole_store

    whole_store.clear()
    bird = choose_bird("Which bird?", "which")
    st.write(bird.id if bird else "none")


def facts_of_pip():
    import streamlit as st

    from fieldmarks.app.birds.birds import birds_page
    from fieldmarks.app.birds.shared import store, whole_store

    whole_store.clear()
    st.session_state.life_bird = next(b.id for b in store().birds() if b.name[0] == "P")
    birds_page()


def app(page):
    return AppTest.from_function(page, default_timeout=60).run()


def named(widgets, label):
    (found,) = (w for w in widgets if w.label == label)
    return found


# ---- entries that look alike


def test_of_two_pairs_of_the_same_birds_the_chosen_one_gets_the_young(app_store):
    cock, hen = app_store.save(a_bird("Cock", sex="cock")), app_store.save(a_bird("Hen", sex="hen"))
    first, second, third = (
        app_store.save(Pair(new_id(), cock.id, hen.id, "breeding", day))
        for day in (date(2024, 2, 1), date(2025, 2, 1), date(2025, 2, 1))
    )
    for place, chosen in enumerate((first, second, third)):
        page = app(matings)
        box = named(page.selectbox, "Pair")
        assert len(set(box.options)) == 3, "no two read alike"
        if place == 0:
            assert "since 2024-02-01" in box.options[0]
            assert third.id[:8] in box.options[2]
        page = box.select_index(place).run()
        named(page.text_input, "Ring or name of the young").set_value(f"Y{place}")
        page = named(page.button, "Save the young").click().run()
        assert not page.exception
        assert [y.label for y in app_store.pair(chosen.id).young] == [f"Y{place}"]


def test_of_two_unringed_namesakes_the_chosen_one_is_taken(app_store):
    twins = [app_store.save(a_bird("Pip", hatched=day))
             for day in (date(2024, 5, 1), date(2025, 5, 1), None, None)]  # fmt: skip
    found = set()
    for place in range(4):
        page = app(choosing)
        box = named(page.selectbox, "Which bird?")
        assert len(set(box.options)) == 4
        page = box.select_index(place).run()
        found.add(page.markdown[0].value)
    assert found == {b.id for b in twins}
    with pytest.raises(FieldmarksError) as told:
        app_store.find("Pip")
    for bird in twins:
        assert bird.id[:8] in str(told.value)
        assert app_store.find(bird.id[:8]) == bird
    assert "hatched 2024-05-01" in str(told.value)


def test_labels_are_told_apart_by_as_little_as_does_it():
    labels = told_apart(
        {"a" * 32: ("Pip", "2024"), "b" * 32: ("Pip", "2025"), "c" * 32: ("Mo", "x")}
    )
    assert list(labels.values()) == ["Pip, 2024", "Pip, 2025", "Mo"]


def test_an_empty_id_never_means_the_only_pair(store):
    one, other = store.save(a_bird("One")), store.save(a_bird("Other"))
    pair = store.save(Pair(new_id(), one.id, other.id))
    for asked in ("", pair.id[:2], "%%%%%%"):
        with pytest.raises(FieldmarksError, match="no such pair"):
            store.pair(asked)
    assert store.pair(pair.id[:6]) == pair


# ---- saves that meet


def test_what_two_people_wrote_of_one_bird_is_shown_and_the_keeper_chooses(app_store):
    pip = app_store.save(a_bird("Pip", notes="old"))
    page = app(facts_of_pip)
    named(page.text_area, "Notes").set_value("typed in the app")
    app_store.save(dataclasses.replace(pip, notes="typed elsewhere", source="Bo"))
    page = named(page.button, "Save the bird").click().run()
    assert app_store.bird(pip.id).notes == "typed elsewhere", "nothing is overwritten unasked"
    said = " ".join(o for r in page.radio for o in r.options).replace("\\", "")
    assert "yours: typed in the app" in said
    assert "as it is now: typed elsewhere" in said
    assert "is saved" not in " ".join(s.value for s in page.success)
    page = named(page.button, "Save what I chose").click().run()
    kept = app_store.bird(pip.id)
    assert (kept.notes, kept.source) == ("typed in the app", "Bo")
    assert "Pip is saved" in page.success[0].value.replace("\\", "")


def test_what_is_typed_stays_while_someone_else_changes_the_bird(app_store):
    pip = app_store.save(a_bird("Pip"))
    page = app(facts_of_pip)
    app_store.save(dataclasses.replace(pip, name="Pippin"))
    page = page.run()
    assert any("changed elsewhere" in i.value for i in page.info)
    named(page.text_area, "Notes").set_value("mine")
    page = named(page.button, "Save the bird").click().run()
    named(page.radio, "name").set_value(1)
    page = named(page.button, "Save what I chose").click().run()
    kept = app_store.bird(pip.id)
    assert (kept.name, kept.notes) == ("Pippin", "mine")


def test_the_newest_state_can_be_shown_instead(app_store):
    pip = app_store.save(a_bird("Pip"))
    page = app(facts_of_pip)
    app_store.save(dataclasses.replace(pip, notes="newer"))
    page = page.run()
    page = named(page.button, "Show it as it is now (what you typed here goes)").click().run()
    assert named(page.text_area, "Notes").value == "newer"


def test_parents_chosen_before_someone_else_set_them_are_not_saved_over_theirs(app_store):
    pip = app_store.save(a_bird("Pip"))
    cock, old, hen = (app_store.save(a_bird(n, sex=s))
                      for n, s in (("Co", "cock"), ("Old", "cock"), ("Hen", "hen")))  # fmt: skip
    page = app(facts_of_pip)
    page = named(page.selectbox, "Mother").set_value(hen.id).run()
    theirs = app_store.save(dataclasses.replace(pip, father=cock.id))
    page = named(page.button, "Save the parents").click().run()
    assert app_store.bird(pip.id) == theirs
    assert any("pressed meanwhile was not done" in i.value for i in page.info)
    assert named(page.selectbox, "Father").value == cock.id
    page = named(page.selectbox, "Mother").set_value(hen.id).run()
    page = named(page.button, "Save the parents").click().run()
    kept = app_store.bird(pip.id)
    assert (kept.father, kept.mother) == (cock.id, hen.id)
    # One's own change is no change elsewhere.
    page = named(page.selectbox, "Father").set_value(old.id).run()
    page = named(page.button, "Save the parents").click().run()
    assert app_store.bird(pip.id).father == old.id
    assert not any("pressed meanwhile" in i.value for i in page.info)


def test_a_bird_changed_elsewhere_is_not_taken_off_unseen(app_store):
    pip = app_store.save(a_bird("Pip"))
    page = app(facts_of_pip)
    named(page.text_input, "Take it off the list, because ...").set_value("by mistake")
    theirs = app_store.save(dataclasses.replace(pip, notes="it is mine after all"))
    page = named(page.button, "Take it off the list").click().run()
    assert app_store.bird(pip.id) == theirs
    assert any("it is mine after all" in e.value for e in page.error)


def test_a_young_typed_before_someone_else_judged_it_is_not_saved_over_theirs(app_store):
    cock, hen = app_store.save(a_bird("Cock", sex="cock")), app_store.save(a_bird("Hen", sex="hen"))
    pair = app_store.save(Pair(new_id(), cock.id, hen.id, "test mating", date(2024, 2, 1)))
    page = app(matings)
    named(page.text_input, "Ring or name of the young").set_value("Y1")
    theirs = app_store.save(dataclasses.replace(pair, young=(Young("Y1", finding="sign"),)))
    page = named(page.button, "Save the young").click().run()
    assert app_store.pair(pair.id) == theirs
    assert any("pressed meanwhile was not done" in i.value for i in page.info)
    assert named(page.text_input, "Ring or name of the young").value == "Y1", "nothing is lost"
    page = named(page.button, "Save the young").click().run()
    assert [y.finding for y in app_store.pair(pair.id).young] == ["unclear"]


@pytest.mark.parametrize("what", ["Change the day", "Take the pair off"])
def test_a_pair_changed_elsewhere_is_not_changed_unseen(app_store, what):
    cock, hen = app_store.save(a_bird("Cock", sex="cock")), app_store.save(a_bird("Hen", sex="hen"))
    pair = app_store.save(Pair(new_id(), cock.id, hen.id, "breeding", date(2024, 2, 1)))
    page = app(matings)
    if what == "Change the day":
        page = named(page.date_input, "Together since").set_value(date(2024, 3, 1)).run()
    else:
        why = named(page.text_input, "Or take the whole pair off, because ...")
        page = why.set_value("by mistake").run()
    theirs = app_store.save(dataclasses.replace(pair, started=date(2024, 4, 1)))
    page = named(page.button, what).click().run()
    assert app_store.pairs() == [theirs]
    assert any("pressed meanwhile was not done" in i.value for i in page.info)
    assert named(page.date_input, "Together since").value == date(2024, 4, 1)


def test_an_entry_changed_elsewhere_is_not_struck_out_unseen(app_store, tables, clean_shot):
    pip = app_store.save(a_bird("Pip"))
    entry = app_store.save_entry(an_entry(pip), [clean_shot], tables)
    page = app(facts_of_pip)
    named(page.text_input, "Strike it out, because ...").set_value("wrong bird")
    theirs = app_store.save(dataclasses.replace(entry, note="it is the right bird"))
    page = named(page.button, "Strike it out").click().run()
    assert app_store.entries(pip.id) == [theirs]
    assert any("pressed meanwhile was not done" in i.value for i in page.info)
    page = named(page.button, "Strike it out").click().run()
    assert app_store.entries(pip.id) == []


def test_a_backup_that_replaced_a_bird_is_a_change_like_any_other(store, tmp_path):
    pip = store.save(a_bird("Pip"))
    export_store(store, tmp_path / "all.zip")
    opened = store.save(dataclasses.replace(pip, notes="later"))
    import_store(store, tmp_path / "all.zip", prefer="theirs")
    assert store.bird(pip.id).notes == ""
    with pytest.raises(ConflictError):
        store.save(dataclasses.replace(opened, notes="from a page opened before"))


# ---- several photos of one day


@pytest.fixture(scope="module")
def of_one_day(tables, clean_shot, orange_shot):
    """Photos that come to different conclusions, one of them to none."""
    grey = shoot(tables, {"rump": (50, 0, 0)}, Question(claimed="personatus"), seed=3)
    found = [clean_shot, orange_shot, grey]
    assert len({e.record.assessment.conclusion.outcome for e in found}) > 1
    return found


def test_the_order_of_photos_of_one_day_decides_nothing(tmp_path, tables, of_one_day):
    seen = set()
    for number, evidence in enumerate(itertools.permutations(of_one_day)):
        with Store(tmp_path / str(number)) as store:
            bird = store.save(a_bird("Pip"))
            entry = desk.keep_look(
                store, bird, evidence, tables, date(2026, 3, 1), "later moult", "Ada"
            )
            (row,) = list_birds(store, Filter(), date(2026, 3, 2)).rows
            stories = [s.sentence for s in desk.stories_of(store, bird, tables)]
            photos = tuple(o.photo for o in entry.observations)
            seen.add((row.last_outcome, row.signs_seen, row.doubts, photos, *stories))
            assert row.last_outcome == entry.outcome  # of all photos together
    assert len(seen) == 1
    assert next(iter(seen))[1] == 1  # one photo's sign is not outvoted


def test_the_order_of_entries_of_one_day_decides_no_outcome(tmp_path, tables, of_one_day):
    seen = set()
    for number, evidence in enumerate(itertools.permutations(of_one_day)):
        with Store(tmp_path / str(number)) as store:
            bird = store.save(a_bird("Pip"))
            for e in evidence:
                desk.keep_look(store, bird, [e], tables, date(2026, 3, 1), "later moult", "Ada")
            (row,) = list_birds(store, Filter(), date(2026, 3, 2)).rows
            seen.add((row.last_outcome, row.signs_seen))
    assert len(seen) == 1


def test_a_comparison_lost_between_two_photos_is_said(tables):
    def photo_of(mark):
        data = paint(CLEAN, noise_seed=len(mark))
        photo = decode_photo(data, f"{mark}.png")
        drawn = (Region("card", "card", Rectangle(20, 20, 50, 50)),
                 Region(mark, mark, Ellipse(150, 150, 18, 18)))  # fmt: skip
        regions = RegionSet(f"{mark}.png", photo.width, photo.height, drawn, photo.sha256)
        from fieldmarks.birds.observation import MeasuredPhoto

        return MeasuredPhoto(
            data, make_record(photo, regions, tables, Question(claimed="personatus"))
        )

    rump, back = photo_of("rump"), photo_of("back")
    for both in ([rump, back], [back, rump]):
        (said,) = desk.lost_comparisons(both, tables)
        assert said.startswith("rump against back could not be compared")
        assert said.endswith("Take one photo that shows both.")
    assert desk.lost_comparisons([rump], tables) == []
