"""Clubs, databases and backups: every member reaches everything, and nothing is doubled."""

import json

import pytest
import sqlalchemy
from made_birds import a_bird, an_entry
from test_exchange import changed, relist

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds import service as desk
from fieldmarks.birds import store as store_module
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Pair, new_id
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store


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
