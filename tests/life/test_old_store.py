"""A store and a backup of version 0.2.0, made by that version (``tests/data/store_0_2_0.zip``)."""

import gzip
import json
import shutil
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from made_birds import a_bird
from sqlalchemy import MetaData, create_engine

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm as models
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Entry
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store, mend_store

MADE = Path(__file__).parents[1] / "data" / "store_0_2_0.zip"


@pytest.fixture
def old(tmp_path):
    """Unpacked: ``s`` is the store, ``export.zip`` its backup, ``truth.json`` what it held."""
    with zipfile.ZipFile(MADE) as packed:
        packed.extractall(tmp_path / "old")
    return tmp_path / "old"


def said(things):
    from fieldmarks.birds.model import to_json

    return [json.loads(to_json(thing)) for thing in things]


def truth(old):
    told = json.loads((old / "truth.json").read_text())
    for entry in told["entries"]:
        entry["observations"] = entry.pop("looks")
        entry |= {"outcome": "", "sentence": ""}  # 0.2.0 judged each photo by itself
    for bird in told["birds"]:  # what 0.2.0 did not ask for
        bird["split_for"] = []
    for young in (y for pair in told["pairs"] for y in pair["young"]):
        young |= {"shows": "", "laid": None, "ringed": None, "fledged": None}
    return [told["birds"], sorted(told["entries"], key=lambda e: e["number"]), told["pairs"]]


def now_in(store):
    birds, entries, pairs = everything(store)
    return [said(birds), said(sorted(entries, key=lambda e: e.number)), said(pairs)]


def old_records(old):
    return {p.name.split(".")[1]: p.read_bytes() for p in (old / "s").rglob("*.record.json")}


def has_todays_tables(store):
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection)
        same = compare_metadata(context, models.metadata) == []
        return same and context.get_current_revision() == "0004"


def test_a_store_of_version_0_2_0_is_taken_over_whole(old):
    records = old_records(old)
    photos = {p: p.read_bytes() for p in (old / "s" / "photos").rglob("*.jpg")}
    with Store(old / "s") as store:
        assert has_todays_tables(store)
        assert now_in(store) == truth(old)
        observations = [o for e in everything(store)[1] for o in e.observations]
        assert {o.id: store.record_file(o) for o in observations} == records
        export_store(store, old / "new.zip")
        export_store(store, old / "with_place.zip", with_place=True)
        assert {p: p.read_bytes() for p in (old / "s" / "photos").rglob("*.jpg")} == photos
        assert store.setting("ring_pattern") == "AA-99-9"
        assert all(store.packed_tables(o.table_fingerprint) for o in observations)
        assert "AB-24-2: Mother and Twin have one ring" in str(check_store(store)[0])
        assert len(check_store(store)) == 1
        assert store.find("Mother").ring == "ab-24-2"
    left = {p.name for p in (old / "s").iterdir()}
    assert left == {"birds.sqlite", "photos", "copies", "edition-2"}
    with Store(old / "s") as again:
        assert now_in(again) == truth(old)
        again.withdraw(again.find("Twin"), "entered twice")
        export_store(again, old / "all.zip")
    with Store(old / "empty") as other:
        import_store(other, old / "all.zip")
        assert [len(group) for group in everything(other)] == [5, 3, 1]
        assert check_store(other) == []


def test_a_store_of_version_0_1_is_taken_over_too(old):
    with closing(sqlite3.connect(old / "s" / "birds.sqlite")) as raw:
        for column in ("compared", "there"):
            raw.execute(f"ALTER TABLE signs DROP COLUMN {column}")
        raw.execute("UPDATE alembic_version SET version_num = '0001'")
        raw.commit()
    with Store(old / "s") as store:
        found = now_in(store)
    expected = truth(old)
    for entry in expected[1]:
        for sign in (s for o in entry["observations"] for s in o["signs"]):
            sign["compared"] = sign["there"] = ""
    assert found == expected


def test_a_backup_of_version_0_2_0_is_brought_in(old, tmp_path):
    with Store(tmp_path / "new") as store:
        # 0.2.0 let two birds have one ring: that is said, not silently taken.
        with pytest.raises(FieldmarksError, match="has this ring already"):
            import_store(store, old / "export.zip")
        assert everything(store) == ([], [], [])


def test_an_old_store_that_cannot_be_written_to_is_refused_in_one_line_and_left_alone(
    old, monkeypatch
):
    import os

    before = {p: p.read_bytes() for p in (old / "s").rglob("*") if p.is_file()}
    real = os.access
    monkeypatch.setattr(os, "access", lambda p, m: m != os.W_OK and real(p, m))
    with pytest.raises(FieldmarksError, match="can be read but not written") as told:
        Store(old / "s")
    assert "\n" not in str(told.value)
    assert {p: p.read_bytes() for p in (old / "s").rglob("*") if p.is_file()} == before


def test_a_club_that_kept_its_photos_in_two_folders_gets_them_into_one(old, tmp_path, postgres):
    """Version 0.2.0 put each member's photos into that member's own folder."""
    url = postgres("two_folders")
    copy_into_postgres(old / "s" / "birds.sqlite", url)
    mine, other = tmp_path / "club", tmp_path / "other"
    shutil.copytree(old / "s", mine)
    shutil.copytree(old / "s", other)
    photos = sorted((mine / "photos").rglob("*.jpg"))
    gone = photos[0].parent
    shutil.rmtree(gone)  # the other member kept this one
    with Store(mine, url) as store:
        assert now_in(store) == truth(old)
        assert has_todays_tables(store)
        with pytest.raises(FieldmarksError, match="missing"):
            export_store(store, tmp_path / "all.zip")
        assert mend_store(store, other) >= 2
        assert [p for p in check_store(store) if "ring" not in p.where] == []
        export_store(store, tmp_path / "all.zip")


def copy_into_postgres(file, url):
    """The old tables and their rows, as version 0.2.0 had them on PostgreSQL."""
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    lite = create_engine(f"sqlite:///{file}")
    old = MetaData()
    old.reflect(lite)
    with engine.begin() as connection, lite.connect() as source:
        old.create_all(connection)
        for table in old.sorted_tables:
            rows = [dict(row._mapping) for row in source.execute(table.select())]
            connection.execute(table.insert(), rows)
    engine.dispose()
    lite.dispose()


def test_a_new_bird_can_be_added_to_a_store_that_was_taken_over(old):
    with Store(old / "s") as store:
        saved = store.save(a_bird("New", ring="AB-25-1"))
        assert saved.number == 6
        with pytest.raises(FieldmarksError, match="has this ring already"):
            store.save(a_bird("Newer", ring="ab-24-1", ring_year=2024))


def test_records_of_version_0_2_0_are_shown_compared_and_handed_over(old, tables, tmp_path):
    from fieldmarks import __version__
    from fieldmarks.birds.dossier import verify_dossier
    from fieldmarks.birds.service import compare_measurers, make_dossier
    from fieldmarks.judge.findings import Status

    with Store(old / "s") as store:
        bird = next(b for b in store.birds() if len(store.entries(b.id)) > 1)
        entries = store.entries(bird.id)
        for look in (o for e in entries for o in e.observations):
            kept = json.loads(store.record_file(look))
            record = store.record(look)
            words = [f["status"] for s in kept["assessment"]["sheets"] for f in s["findings"]]
            assert "doubtful" in words
            assert [f.status == Status.TOO_CLOSE for f in record.findings] == [
                word == "doubtful" for word in words
            ]
            assert record.program == "0.2.0"
            assert record.conclusion.sentence == kept["assessment"]["conclusion"]["sentence"]
        assert compare_measurers(store, entries).conclusions
        path = tmp_path / "dossier.zip"
        make_dossier(store, bird, entries, tables, path)
    said = verify_dossier(path, tables)
    # Its numbers are those of an older program, and whoever checks them is told so.
    assert f"made with fieldmarks 0.2.0 and checked with {__version__}" in said.sentence


def test_a_record_of_version_0_2_0_without_a_card_is_read():
    """Made by that version from its demo bird 'fischeri_no_card'."""
    from fieldmarks.record import Record

    text = gzip.decompress((MADE.parent / "record_0_2_0_no_card.json.gz").read_bytes())
    kept = json.loads(text)["assessment"]
    assert {s["status"] for s in kept["signs"]} >= {"not calibrated"}
    record = Record.from_json(text)
    assert {s.status.value for s in record.signs} == {"not looked at", "not seen"}
    broken = text.replace(b'"status": "fits"', b'"status": "perhaps"')
    with pytest.raises(FieldmarksError, match="not a record this version can read"):
        Record.from_json(broken)


def test_looks_judged_by_two_versions_are_said_to_be(old, tables, clean_shot):
    from fieldmarks.birds.agreement import compare_photos
    from fieldmarks.birds.observation import MeasuredPhoto

    with Store(old / "s") as store:
        look = next(o for e in everything(store)[1] for o in e.observations)
        told = compare_photos(
            [
                MeasuredPhoto(b"", store.record(look), "Ada"),
                MeasuredPhoto(b"", clean_shot.record, "Bo"),
            ]
        )
    assert "judged by fieldmarks 0.2.0 and" in told.note
    assert not compare_photos([MeasuredPhoto(b"", clean_shot.record, "A")] * 2).note


def test_a_look_of_version_0_2_0_is_measured_again_and_its_old_numbers_stay(old, tables):
    from fieldmarks import __version__
    from fieldmarks.birds.service import measure_again

    with Store(old / "s") as store:
        bird = next(b for b in store.birds() if store.entries(b.id))
        entry = store.entries(bird.id)[0]
        before = [store.record_file(o) for o in entry.observations]
        new = measure_again(store, bird, entry, tables)
        assert [o.program for o in new.observations] == [__version__] * len(before)
        assert (new.day, new.stage, new.measured_by) == (entry.day, entry.stage, entry.measured_by)
        assert new.id in {e.id for e in store.entries(bird.id)}
        assert entry.id not in {e.id for e in store.entries(bird.id)}
        (struck,) = store.by_id(Entry, [entry.id]).values()
        assert struck.withdrawn == f"measured again with fieldmarks {__version__}"
        assert [store.record_file(o) for o in struck.observations] == before
        with pytest.raises(FieldmarksError, match="changed elsewhere"):
            measure_again(store, bird, entry, tables)
