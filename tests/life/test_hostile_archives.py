"""ZIPs made to do harm: ways out of the folder, bombs, lies, links, doubles. None gets in."""

import io
import json
import resource
import struct
import time
import warnings
import zipfile

import pytest
from made_birds import a_bird, an_entry, told_by
from test_exchange import changed, relist

from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.birds import archive as archive_module
from fieldmarks.birds.dossier import verify_dossier, write_dossier
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.store import Store
from fieldmarks.birds.tables_copy import pack_tables, unpack_tables

ESCAPES = (
    "../x.json", "birds/../../x.json", "/tmp/x.json", "..\\x.json", "birds\\..\\..\\x.json",
    "C:\\x.json", "C:x.json", "//server/x.json", "birds/x.json/../../../y", ".", "..", "birds/",
    "birds/\u202ex.json", "photos/aa/CON.png", "birds/" + "a" * 5000 + ".json",
)  # fmt: skip


@pytest.fixture(scope="module")
def export(tmp_path_factory, tables, clean_shot):
    """An export of one bird with a look."""
    place = tmp_path_factory.mktemp("out")
    with Store(place / "store") as store:
        bird = store.save(a_bird("One"))
        store.save_entry(an_entry(bird), [clean_shot], tables)
        export_store(store, place / "all.zip")
    return place / "all.zip"


@pytest.fixture(scope="module")
def dossier(tmp_path_factory, tables, clean_shot):
    """A dossier of one look."""
    path = tmp_path_factory.mktemp("dossier") / "dossier.zip"
    told = [told_by(clean_shot, "Ada", an_entry(a_bird()).day)]
    write_dossier(path, a_bird("One"), told, tables)
    return path


def refused(archive, tables):
    """Both ways in refuse it, write nothing beside it and change nothing."""
    place = archive.parent
    before = {p for p in place.rglob("*") if "store" not in p.parts}
    with Store(place / "store-in") as store:
        with pytest.raises(FieldmarksError) as caught:
            import_store(store, archive)
        assert everything(store) == ([], [], [])
        assert list(store.photos.names()) == []
    with pytest.raises(FieldmarksError):
        verify_dossier(archive, tables)
    after = {p for p in place.rglob("*") if "store-in" not in str(p)}
    assert after == {p for p in before if "store-in" not in str(p)}
    return str(caught.value)


@pytest.mark.parametrize("name", ESCAPES)
@pytest.mark.parametrize("kind", ["export", "dossier"])
def test_no_name_leads_out_of_the_folder(name, kind, tmp_path, tables, request):
    def put(files, manifest):
        files[name] = b"{}"
        relist(files, manifest)

    bad = changed(request.getfixturevalue(kind), tmp_path / "in.zip", put)
    refused(bad, tables)


@pytest.mark.parametrize("kind", ["export", "dossier"])
def test_a_name_that_comes_twice_is_refused(kind, tmp_path, tables, request):
    bad = tmp_path / "in.zip"
    bad.write_bytes(request.getfixturevalue(kind).read_bytes())
    with warnings.catch_warnings(), zipfile.ZipFile(bad, "a") as packed:
        warnings.simplefilter("ignore")
        packed.writestr(packed.namelist()[0], b"another")
    refused(bad, tables)


def test_a_link_in_a_zip_is_never_made_into_a_link(export, tmp_path, tables):
    bad = tmp_path / "in.zip"
    with zipfile.ZipFile(export) as old, zipfile.ZipFile(bad, "w") as new:
        for member in old.infolist():
            data = old.read(member)
            if member.filename.startswith("birds/"):
                member = zipfile.ZipInfo(member.filename)
                member.external_attr = 0o120777 << 16
                data = b"/etc/passwd"
            new.writestr(member, data)
    refused(bad, tables)


def bomb(size, name="README.txt", manifest=None):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        with packed.open(name, "w") as file:
            for _ in range(size // 2**20):
                file.write(bytes(2**20))
        listed = {"files": {name: {"sha256": "0" * 64, "bytes": size}}, "edition": 1}
        packed.writestr("manifest.json", manifest or json.dumps(listed))
    return out.getvalue()


def test_a_bomb_is_refused_at_once(tmp_path, tables):
    path = tmp_path / "in.zip"
    path.write_bytes(bomb(150 * 2**20))
    start = time.process_time()
    refused(path, tables)
    assert time.process_time() - start < 2


def test_a_file_that_is_larger_than_it_says_is_refused(tmp_path, tables):
    data = bytearray(bomb(40 * 2**20))
    # The directory at the end and the head of the file both say 1000 bytes.
    at = data.index(b"PK\x01\x02")
    data[at + 24 : at + 28] = struct.pack("<I", 1000)
    data[22:26] = struct.pack("<I", 1000)
    path = tmp_path / "in.zip"
    path.write_bytes(bytes(data))
    refused(path, tables)


def test_files_that_lie_over_one_another_are_refused(tmp_path, tables, monkeypatch):
    """One packed stream listed a hundred times: each is dense enough, all together are not."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:
        packed.writestr("looks/1.record.json", bytes(2**20))
        first = packed.infolist()[0]
        for number in range(2, 101):
            twin = zipfile.ZipInfo(f"looks/{number}.record.json")
            twin.header_offset, twin.CRC = first.header_offset, first.CRC
            twin.file_size = twin.compress_size = first.file_size
            packed.filelist.append(twin)
            packed.NameToInfo[twin.filename] = twin
        packed.writestr("manifest.json", "{}")
    path = tmp_path / "in.zip"
    path.write_bytes(out.getvalue())
    assert path.stat().st_size < 2 * 2**20
    with pytest.raises(FieldmarksError, match="more than can be right"):
        verify_dossier(path, tables)


def test_too_many_files_are_refused(export, tmp_path, tables, monkeypatch):
    monkeypatch.setattr(archive_module, "MAX_FILES", 3)
    with Store(tmp_path / "store") as store, pytest.raises(FieldmarksError, match="more than can"):
        import_store(store, export)


def test_a_list_of_contents_of_endless_brackets_takes_no_memory(tmp_path, tables):
    path = tmp_path / "in.zip"
    noise = json.dumps({"files": {}, "x": [[] for _ in range(3_000_000)]})
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:
        packed.writestr("manifest.json", noise)
    path.write_bytes(out.getvalue())
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    refused(path, tables)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100 * 1024


def test_a_zip_with_a_password_is_refused(export, tmp_path, tables):
    data = bytearray(export.read_bytes())
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + place] |= 1
            at = data.find(mark, at + 4)
    path = tmp_path / "in.zip"
    path.write_bytes(bytes(data))
    refused(path, tables)


@pytest.mark.parametrize("edition", ["1", None, [], {}, 1.5])
def test_an_edition_that_is_no_number_is_refused(edition, export, tmp_path, tables):
    def put(files, manifest):
        manifest["edition"] = edition

    refused(changed(export, tmp_path / "in.zip", put), tables)


# ---- the copy of the tables, a ZIP inside the ZIP


def table_zip(*members):
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        warnings.simplefilter("ignore")
        for name, data in members:
            packed.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize(
    "name",
    ["../x.toml", "0/../../x.toml", "/0/x.toml", "0/..\\..\\x.toml", "0\\x.toml", "C:/x.toml",
     "0//x.toml", "0/x.toml/", "x.toml", "0/.x.toml", "0/\u202ex.toml", "0/x.txt"],
)  # fmt: skip
def test_no_table_file_leads_out_of_its_folder(name, tmp_path):
    with pytest.raises(TableError, match="cannot be read"):
        unpack_tables(table_zip((name, b"")))


def test_tables_that_are_a_bomb_or_come_twice_or_are_locked_are_refused(tables):
    with pytest.raises(TableError, match="cannot be read"):
        unpack_tables(table_zip(("0/x.toml", bytes(9 * 2**20))))
    with pytest.raises(TableError, match="cannot be read"):
        unpack_tables(table_zip(("0/x.toml", b""), ("0/x.toml", b"")))
    with pytest.raises(TableError, match="cannot be read"):
        unpack_tables(table_zip(*((f"0/{n}.toml", b"") for n in range(401))))
    locked = bytearray(table_zip(("0/x.toml", b"a = 1")))
    locked[6] |= 1
    locked[locked.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(TableError, match="cannot be read"):
        unpack_tables(bytes(locked))


def test_our_own_copy_still_opens(tables):
    assert unpack_tables(pack_tables(tables)).fingerprint == tables.fingerprint
