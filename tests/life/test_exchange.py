"""Export and import: exact, whole or not at all, and deaf to bad files."""

import dataclasses
import hashlib
import json
import zipfile

import jsonschema
import pytest
from made_birds import a_bird, an_entry, stored

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import archive as archive_module
from fieldmarks.birds import orm
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Entry, Pair, new_id
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store


@pytest.fixture(scope="module")
def small(tmp_path_factory, tables, clean_shot, orange_shot):
    """A store with two birds and its export."""
    place = tmp_path_factory.mktemp("small")
    with Store(place / "store") as store:
        one = store.save(a_bird("One", ring="R1"))
        two = store.save(a_bird("Two", father=one.id))
        store.save_entry(an_entry(two), [clean_shot, orange_shot], tables)
        store.save(Pair(new_id(), one.id, two.id))
        told = []
        export_store(store, place / "small.zip", tell=lambda *steps: told.append(steps))
        assert told == [(1, 1)]  # entries
        yield store, place / "small.zip"


def changed(archive, target, change):
    """A copy of an archive after ``change(files)``, with a manifest that fits again."""
    with zipfile.ZipFile(archive) as packed:
        files = {n: packed.read(n) for n in packed.namelist()}
    manifest = json.loads(files.pop("manifest.json"))
    change(files, manifest)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
        packed.writestr("manifest.json", json.dumps(manifest))
    return target


def relist(files, manifest):
    manifest["files"] = {
        n: {"sha256": hashlib.sha256(d).hexdigest(), "bytes": len(d)} for n, d in files.items()
    }


def test_an_export_of_the_whole_club_comes_back_equal_in_an_empty_store(club, tmp_path):
    store, _ = club
    moved = export_store(store, tmp_path / "club.zip")
    assert (moved.birds, moved.pairs) == (40, 2)
    with Store(tmp_path / "empty") as other:
        assert import_store(other, tmp_path / "club.zip") == moved
        assert everything(other) == everything(store)
        assert stored(other) == stored(store)
        assert check_store(other) == []
        export_store(other, tmp_path / "again.zip")
    with zipfile.ZipFile(tmp_path / "club.zip") as a, zipfile.ZipFile(tmp_path / "again.zip") as b:
        names = set(a.namelist())
        assert names == set(b.namelist())
        assert all(a.read(n) == b.read(n) for n in names - {"manifest.json"})


def test_the_schema_travels_with_the_data(small):
    with zipfile.ZipFile(small[1]) as packed:
        schema = json.loads(packed.read("schema.json"))
        checked = set()
        for name in packed.namelist():
            folder = name.split("/")[0]
            if folder in schema["$defs"]:
                jsonschema.validate(json.loads(packed.read(name)), schema["$defs"][folder])
                checked.add(folder)
    assert checked == {"birds", "entries", "pairs"}


def test_importing_twice_changes_nothing(small, tmp_path):
    with Store(tmp_path / "s") as other:
        import_store(other, small[1])
        before = stored(other)
        moved = import_store(other, small[1])
        assert (moved.birds, moved.entries, moved.same) == (0, 0, 4)
        assert stored(other) == before


def test_an_import_into_a_store_in_use_goes_on_after_its_numbers(small, tmp_path):
    with Store(tmp_path / "s") as other:
        own = other.save(a_bird("Own"))
        import_store(other, small[1])
        assert [b.name for b in other.birds()] == ["Own", "One", "Two"]
        assert [b.number for b in other.birds()] == [1, 2, 3]
        assert other.bird(own.id) == own
        assert check_store(other) == []


def test_a_clash_is_refused_until_the_keeper_chooses(small, tmp_path):
    with Store(tmp_path / "s") as other:
        import_store(other, small[1])
        bird = other.find("One")
        mine = other.save(dataclasses.replace(bird, notes="mine"))
        with pytest.raises(FieldmarksError, match="differs"):
            import_store(other, small[1])
        import_store(other, small[1], prefer="mine")
        assert other.find("One") == mine
        import_store(other, small[1], prefer="theirs")
        assert other.find("One").notes == ""
        assert check_store(other) == []


def bomb(files, manifest):
    for letter in "abcd":
        files["birds/" + letter * 32 + ".json"] = b"{" + b" " * 30_000_000 + b"}"
    relist(files, manifest)


def escape(name):
    def change(files, manifest):
        files[name] = b"{}"
        relist(files, manifest)

    return change


def drop_photo(files, manifest):
    files.pop(next(n for n in files if n.endswith(".png")))
    relist(files, manifest)


def change_photo(files, manifest):
    files[next(n for n in files if n.endswith(".png"))] += b"x"


def change_photo_and_list(files, manifest):
    change_photo(files, manifest)
    relist(files, manifest)


def drop_bird(files, manifest):
    files.pop(next(n for n in files if n.startswith("birds/")))
    relist(files, manifest)


def spoil_entry(files, manifest):
    name = next(n for n in files if n.startswith("entries/"))
    entry = json.loads(files[name])
    entry["observations"][0]["marks"][0]["dark"] = 7
    files[name] = json.dumps(entry).encode()
    relist(files, manifest)


def own_ancestor(files, manifest):
    for name in [n for n in files if n.startswith("birds/")]:
        bird = json.loads(files[name])
        if bird["name"] == "One":
            others = [n for n in files if n.startswith("birds/") and n != name]
            bird["mother"] = json.loads(files[others[0]])["id"]
            files[name] = json.dumps(bird).encode()
    relist(files, manifest)


def newer(files, manifest):
    manifest["edition"] = 99


def no_list(files, manifest):
    manifest.clear()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (bomb, "more than can be right"),
        (escape("../outside.json"), "does not belong"),
        (escape("/etc/outside.json"), "does not belong"),
        (escape("birds/../../outside.json"), "does not belong"),
        (escape("birds\\..\\x.json"), "does not belong"),
        (drop_photo, "lacks photos/"),
        (change_photo, "was changed after it was packed"),
        (change_photo_and_list, "do not belong together"),
        (drop_bird, "names a bird"),
        (spoil_entry, "dark"),
        (own_ancestor, "circle"),
        (newer, "newer program"),
        (no_list, "no fieldmarks file"),
    ],
)
def test_a_bad_archive_is_refused_and_leaves_no_trace(small, tmp_path, change, said):
    bad = changed(small[1], tmp_path / "bad.zip", change)
    with Store(tmp_path / "deep" / "s") as other:
        own = other.save(a_bird("Own"))
        before = stored(other)
        with pytest.raises(FieldmarksError, match=said) as caught:
            import_store(other, bad)
        assert "\n" not in str(caught.value)
        assert other.birds() == [own]
        assert stored(other) == before
    outside = [p.name for p in tmp_path.rglob("*outside*")]
    assert outside == []


@pytest.mark.parametrize("content", [b"", b"no zip at all", b"PK\x05\x06" + b"\0" * 18])
def test_a_file_that_is_no_archive_is_refused(tmp_path, content):
    (tmp_path / "x.zip").write_bytes(content)
    with Store(tmp_path / "s") as store, pytest.raises(FieldmarksError):
        import_store(store, tmp_path / "x.zip")


def test_a_cut_off_archive_is_refused(small, tmp_path):
    whole = small[1].read_bytes()
    (tmp_path / "cut.zip").write_bytes(whole[: len(whole) // 2])
    with Store(tmp_path / "s") as store, pytest.raises(FieldmarksError, match="damaged"):
        import_store(store, tmp_path / "cut.zip")


def test_too_many_files_are_refused(small, tmp_path, monkeypatch):
    monkeypatch.setattr(archive_module, "MAX_FILES", 3)
    with Store(tmp_path / "s") as store, pytest.raises(FieldmarksError, match="more than can"):
        import_store(store, small[1])


def test_an_export_of_a_store_with_a_changed_photo_is_refused(small, tmp_path):
    with Store(tmp_path / "s") as store:
        import_store(store, small[1])
        photo = next((store.folder / "photos").rglob("*.png"))
        photo.write_bytes(b"other")
        with pytest.raises(FieldmarksError, match="changed after"):
            export_store(store, tmp_path / "out.zip")
        assert not (tmp_path / "out.zip").exists()


@pytest.mark.parametrize("harm", ["changed", "lost"])
def test_a_photo_that_was_changed_or_lost_comes_back_from_a_backup(small, tmp_path, harm):
    _, archive = small
    with Store(tmp_path / "store") as store:
        import_store(store, archive)
        whole = stored(store)
        for path in (store.folder / "photos").rglob("*"):
            if path.is_file() and harm == "changed" and path.suffix != ".json":
                path.write_bytes(b"something else")
            elif path.is_file() and harm == "lost":
                path.unlink()
        with pytest.raises(FieldmarksError):
            export_store(store, tmp_path / "out.zip")
        moved = import_store(store, archive)
        assert (moved.mended, moved.entries, moved.photos) == (2, 0, 0)
        assert "whole again: 2" in str(moved)
        assert stored(store) == whole
        export_store(store, tmp_path / "out.zip")
        assert import_store(store, archive).mended == 0


def test_a_damaged_copy_of_the_tables_never_replaces_a_whole_one(
    small, tmp_path, orange_shot, tables
):
    key = tables.fingerprint
    with Store(tmp_path / "mine") as mine:
        bird = mine.save(a_bird("Mine"))
        mine.save_entry(an_entry(bird), [orange_shot], tables)
        whole = mine.packed_tables(key)

        def cut(files, manifest):
            files[f"tables/{key}.zip"] = files[f"tables/{key}.zip"][:-200]
            relist(files, manifest)

        import_store(mine, changed(small[1], tmp_path / "cut.zip", cut))
        assert mine.packed_tables(key) == whole
        assert check_store(mine) == []
        # A damaged one of one's own is seen, and comes back whole.
        with mine.writing() as work:
            work.connection.execute(orm.rule_tables.update().values(packed=whole[:-200]))
        assert [p.problem for p in check_store(mine)] == ["this copy of the rule tables is damaged"]
        import_store(mine, small[1])
        assert check_store(mine) == []


def test_entries_in_an_export_are_whole(small):
    _, entries, _ = everything(small[0])
    assert all(isinstance(e, Entry) and len(e.observations) == 2 for e in entries)
