"""Never the wrong bird, never a lost word.

Entries that look alike, saves that meet, photos of one day, clubs, backups and sealed dossiers.
"""

import dataclasses
import itertools
import json
from datetime import date

import pytest
import sqlalchemy
from made_birds import CLEAN, a_bird, an_entry, paint, shoot
from streamlit.testing.v1 import AppTest
from test_exchange import changed, relist

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds import service as desk
from fieldmarks.birds import store as store_module
from fieldmarks.birds.collection import Filter, list_birds
from fieldmarks.birds.dossier import verify_dossier, write_dossier
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Pair, Young, new_id
from fieldmarks.birds.reader import told_apart
from fieldmarks.birds.signature import own_key
from fieldmarks.birds.store import ConflictError, Store
from fieldmarks.birds.upkeep import check_store
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question


@pytest.fixture
def app_store(tmp_path, monkeypatch):
    """The store that the app opens."""
    monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(tmp_path / "store"))
    monkeypatch.setenv("FIELDMARKS_KEY", str(tmp_path / "key.pem"))
    with Store() as store:
        yield store


def matings():
    from fieldmarks.app.birds import mating_page
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

    from fieldmarks.app.birds import birds_page
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
    assert len(seen) == 1
    assert next(iter(seen))[0] in ("signs", "claim contradicted")


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
        from fieldmarks.birds.observation import Evidence

        return Evidence(data, make_record(photo, regions, tables, Question(claimed="personatus")))

    rump, back = photo_of("rump"), photo_of("back")
    for both in ([rump, back], [back, rump]):
        (said,) = desk.lost_comparisons(both, tables)
        assert said.startswith("rump against back could not be compared")
        assert said.endswith("Take one photo that shows both.")
    assert desk.lost_comparisons([rump], tables) == []


# ---- a club


def test_every_member_of_a_club_reaches_every_photo(postgres, tmp_path, tables, monkeypatch,
                                                     clean_shot, orange_shot):  # fmt: skip
    url = postgres("club_photos")
    shared = tmp_path / "shared"
    with Store(shared, url) as ada, Store(shared, url) as bo:
        bird = ada.save(a_bird("Pip"))
        ada.save_entry(an_entry(bird, measured_by="Ada"), [clean_shot], tables)
        bo.save_entry(an_entry(bird, measured_by="Bo"), [orange_shot], tables)
        for member in (ada, bo):
            moved = export_store(member, tmp_path / "all.zip")
            assert (moved.photos, moved.entries) == (2, 2)
            assert len(desk.compare_measurers(member, member.entries(bird.id)).conclusions) == 2
            desk.make_dossier(member, bird, member.entries(bird.id), tables, tmp_path / "d.zip")
    with Store(None, url) as third:  # the database knows where the photos are
        assert third.photo(third.entries(bird.id)[0].observations[0])
    with Store(tmp_path / "own", url) as fourth:
        assert fourth.find("Pip") == bird, "lists are read all the same"
        before = everything(fourth)
        with pytest.raises(FieldmarksError, match=r"do not lie here.*shared.*--store FOLDER"):
            fourth.save_entry(an_entry(bird), [clean_shot], tables)
        assert everything(fourth) == before
        assert not list((tmp_path / "own").rglob("*.png"))


def test_a_database_without_a_folder_for_photos_asks_for_one(postgres, tmp_path, tables,
                                                             clean_shot, monkeypatch):  # fmt: skip
    monkeypatch.delenv(store_module.FOLDER_VARIABLE, raising=False)
    monkeypatch.setattr(store_module, "user_folder", lambda: tmp_path / "home")
    with Store(None, postgres("no_folder")) as store:
        bird = store.save(a_bird("Pip"))
        with pytest.raises(FieldmarksError, match="nobody has said yet where the photos"):
            store.save_entry(an_entry(bird), [clean_shot], tables)
        assert store.entries(bird.id) == []
    assert not (tmp_path / "home").exists()


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_the_database_itself_lets_no_ring_be_on_two_birds(kind, tmp_path, request):
    more = [request.getfixturevalue("postgres")("rings")] if kind == "postgresql" else []
    with Store(tmp_path / "s", *more) as store:
        store.save(a_bird("Pip", ring="AB 1"))
        with pytest.raises(FieldmarksError, match="Pip has this ring already"):
            store.save(a_bird("Pep", ring="ab  1", ring_year=2024))
        pop = store.save(a_bird("Pop"))
        change = orm.birds.update().where(orm.birds.c.id == pop.id).values(ring_key="ab 1")
        with pytest.raises(sqlalchemy.exc.IntegrityError), store.engine.begin() as connection:
            connection.execute(change)
        with pytest.raises(FieldmarksError, match="does not fit") as told, store.writing() as work:
            work.connection.execute(change)
        assert "\n" not in str(told.value)


def test_a_member_who_may_only_read_is_told_so_in_one_sentence(postgres, tmp_path, tables,
                                                               clean_shot, keeper):  # fmt: skip
    url = postgres("reading")
    with Store(tmp_path / "shared", url) as store:
        bird = store.save(a_bird("Pip"))
        store.save_entry(an_entry(bird), [clean_shot], tables)
        with store.engine.begin() as connection:
            connection.exec_driver_sql("CREATE ROLE guest LOGIN")
            connection.exec_driver_sql("GRANT SELECT ON ALL TABLES IN SCHEMA public TO guest")
    guest = url.replace("postgres@", "guest@")
    with Store(tmp_path / "shared", guest) as store:
        assert store.read_only
        (entry,) = store.entries(store.find("Pip").id)
        assert store.photo(entry.observations[0]) == clean_shot.photo
        assert check_store(store) == []
    row = {"fault": "role that may only read", "how": "a PostgreSQL role with SELECT alone"}
    said = keeper.reads("bird", "--store", tmp_path / "shared", "--database", guest, "add", "Plum",
                        **row)  # fmt: skip
    assert "this store can be read but not written to. Ask whoever keeps it" in said
    for word in ("INSERT", "SQL", "psycopg", "permission"):
        assert word not in said
    stranger = url.replace("postgres@", "stranger@")
    with Store(tmp_path / "shared", url) as store, store.engine.begin() as connection:
        connection.exec_driver_sql("CREATE ROLE stranger LOGIN")
    said = keeper.reads("bird", "--database", stranger, "list", **row)
    assert "SELECT" not in said


def test_every_command_honours_the_database_that_is_named(postgres, tmp_path, keeper):
    url = postgres("named")
    where = ("bird", "--store", tmp_path / "photos", "--database", url)
    keeper.runs(*where, "add", "Pip")
    keeper.runs(*where, "ring-shape", "AA9")
    keeper.runs(*where, "check-store")
    assert "by whoever looks after it" in keeper.runs(*where, "restore", code=2)
    assert not list(tmp_path.rglob("birds.sqlite*"))
    with Store(tmp_path / "photos", url) as store:
        assert [b.name for b in store.birds()] == ["Pip"]
        assert store.setting("ring_pattern") == "AA9"


# ---- backups


def test_a_backup_keeps_the_shape_of_the_ring_numbers(store, tmp_path):
    store.set_setting(desk.RING_PATTERN, "AA-99")
    export_store(store, tmp_path / "all.zip")
    with Store(tmp_path / "new") as other:
        import_store(other, tmp_path / "all.zip")
        with pytest.raises(FieldmarksError, match="does not have the shape 'AA-99'"):
            desk.save_bird(other, a_bird("Pip", ring="X1"))
    with Store(tmp_path / "own") as other:
        other.set_setting(desk.RING_PATTERN, "9999")
        import_store(other, tmp_path / "all.zip")
        assert other.setting(desk.RING_PATTERN) == "9999", "one's own shape stays"


def test_two_stores_with_one_ring_are_never_merged_into_two_birds_unasked(
    store, tmp_path, tables, clean_shot, orange_shot
):
    mine = store.save(a_bird("Pip", ring="AB1"))
    store.save_entry(an_entry(mine), [clean_shot], tables)
    with Store(tmp_path / "other") as other:
        theirs = other.save(a_bird("Pipkin", ring="ab1"))
        other.save_entry(an_entry(theirs), [orange_shot], tables)
        child = other.save(a_bird("Child", father=theirs.id))
        mate = other.save(a_bird("Mate"))
        other.save(Pair(new_id(), theirs.id, mate.id))
        export_store(other, tmp_path / "other.zip")
    before = everything(store)
    with pytest.raises(FieldmarksError, match="Pipkin in the file and Pip here have one ring"):
        import_store(store, tmp_path / "other.zip")
    assert everything(store) == before
    moved = import_store(store, tmp_path / "other.zip", one_bird=True)
    assert (moved.birds, moved.entries, moved.pairs) == (2, 1, 1)
    assert store.find("AB1") == mine
    assert len(store.entries(mine.id)) == 2
    assert store.bird(child.id).father == mine.id
    assert [p.first for p in store.pairs(mine.id)] == [mine.id]
    assert check_store(store) == []
    again = import_store(store, tmp_path / "other.zip", one_bird=True)
    assert (again.birds, again.entries, again.pairs) == (0, 0, 0)


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("birds", {"name": "  "}, "has no name"),
        ("birds", {"hatched": "2999-01-01"}, "yet to come"),
        ("birds", {"hatched": "0001-01-01"}, "cannot be right"),
        ("entries", {"day": "2999-01-01"}, "yet to come"),
        ("pairs", {"started": "2999-01-01"}, "yet to come"),
    ],
)
def test_a_resealed_archive_with_birds_that_cannot_be_is_refused(
    store, tmp_path, kind, change, said
):
    one, other = store.save(a_bird("One")), store.save(a_bird("Other"))
    store.save(an_entry(one))
    store.save(Pair(new_id(), one.id, other.id))
    export_store(store, tmp_path / "all.zip")

    def spoil(files, manifest):
        name = next(n for n in files if n.startswith(kind))
        files[name] = json.dumps(json.loads(files[name]) | change).encode()
        relist(files, manifest)

    bad = changed(tmp_path / "all.zip", tmp_path / "bad.zip", spoil)
    with Store(tmp_path / "new") as new:
        with pytest.raises(FieldmarksError, match=said):
            import_store(new, bad)
        assert everything(new) == ([], [], [])


# ---- sealed dossiers


@pytest.fixture
def sealed(tmp_path, tables, clean_shot, monkeypatch):
    monkeypatch.setenv("FIELDMARKS_KEY", str(tmp_path / "key.pem"))
    path = tmp_path / "d.zip"
    told = [dataclasses.replace(clean_shot, measured_by="Ada", day=date(2026, 3, 1))]
    seal = write_dossier(path, a_bird("Pip", ring="AB1"), told, tables, key=own_key())
    return path, seal


def test_an_unchanged_dossier_shows_its_seal_and_key(sealed, tables):
    path, seal = sealed
    found = verify_dossier(path, tables)
    assert found.same
    assert (found.seal, found.key) == (seal.seal, seal.key)
    assert "is not known until you compare the seal or the key" in found.sentence
    for told in ({"seal": seal.seal}, {"key": seal.key}, {"seal": seal.seal.upper()}):
        found = verify_dossier(path, tables, **told)
        assert found.same
        assert "not known" not in found.sentence


def other_ring(files, manifest):
    contents = json.loads(files["dossier.json"])
    contents["bird"]["ring"] = "ZZ9"
    files["dossier.json"] = json.dumps(contents).encode()


def other_measurer(files, manifest):
    contents = json.loads(files["dossier.json"])
    contents["items"][0]["measurer"] = "Someone else"
    files["dossier.json"] = json.dumps(contents).encode()


def other_pdf(files, manifest):
    files["dossier.pdf"] = files["dossier.pdf"].replace(b"%PDF-", b"%PDF- ")


CHANGES = [other_ring, other_measurer, other_pdf]


@pytest.mark.parametrize("change", CHANGES)
def test_a_resealed_dossier_with_another_ring_measurer_or_pdf_is_told(
    sealed, tmp_path, tables, change
):
    def reseal(files, manifest):
        change(files, manifest)
        relist(files, manifest)

    bad = changed(sealed[0], tmp_path / "bad.zip", reseal)
    found = verify_dossier(bad, tables)
    assert not found.same
    assert found.key == ""
    (wrong,) = (c for c in found.checks if c.outcome == "different")
    assert wrong.detail == "a file was changed after it was signed"


@pytest.mark.parametrize("change", CHANGES)
def test_one_signed_again_by_another_is_told_by_the_key_and_unsigned_by_the_seal(
    sealed, tmp_path, tables, change
):
    from fieldmarks.birds.archive import digest
    from fieldmarks.birds.dossier import _all_files
    from fieldmarks.birds.signature import sign

    path, seal = sealed

    def sign_again(files, manifest):
        change(files, manifest)
        prints = {n: digest(d) for n, d in files.items()}
        mine = sign(_all_files(prints), tmp_path / "other.pem")
        files["signature.json"] = mine.model_dump_json().encode()
        relist(files, manifest)

    forged = changed(path, tmp_path / "forged.zip", sign_again)
    found = verify_dossier(forged, tables)
    assert found.same, "by itself it is a dossier of someone else"
    assert found.key != seal.key
    assert not verify_dossier(forged, tables, key=seal.key).same

    def unsign(files, manifest):
        change(files, manifest)
        files.pop("signature.json")
        relist(files, manifest)

    bare = changed(path, tmp_path / "bare.zip", unsign)
    assert not verify_dossier(bare, tables, key=seal.key).same
    assert verify_dossier(bare, tables, seal=seal.seal).same == (change is other_pdf)
    assert any("not signed" in c.detail for c in verify_dossier(bare, tables).checks)


def test_the_key_is_made_once_for_the_keeper_alone_and_a_wrong_file_is_refused(sealed, tmp_path):
    from fieldmarks.birds.signature import sign

    file = own_key()
    assert file.stat().st_mode & 0o777 == 0o600
    first, second = sign(b"x", file), sign(b"x", file)
    assert first == second
    assert first.fits(b"x")
    assert not first.fits(b"y")
    file.write_bytes(b"nothing")
    with pytest.raises(FieldmarksError, match="no key to sign with"):
        sign(b"x", file)
    assert file.read_bytes() == b"nothing"


def test_the_signature_is_the_one_of_the_standard():
    """RFC 8032, section 7.1, TEST 2: the library used gives the published signature."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    secret = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
    signed = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.sign(bytes.fromhex("72")).hex() == signed


def test_a_dossier_of_orange_and_clean_photos_is_signed_when_made_from_the_store(
    app_store, tables, clean_shot, tmp_path
):
    bird = app_store.save(a_bird("Pip"))
    entry = app_store.save_entry(an_entry(bird), [clean_shot], tables)
    seal = desk.make_dossier(app_store, bird, [entry], tables, tmp_path / "d.zip")
    assert verify_dossier(tmp_path / "d.zip", tables, seal.seal, seal.key).same
