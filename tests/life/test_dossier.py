"""Dossiers: a third person gets the same numbers, and every change is noticed."""

import dataclasses
import io
import json
import zipfile
from datetime import date

import pytest
from made_birds import CLEAN, a_bird, an_entry, shoot, told_by
from PIL import Image
from test_exchange import changed, relist

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import dossier as dossier_module
from fieldmarks.birds.dossier import verify_dossier, write_dossier
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.tables_copy import pack_tables, unpack_tables
from fieldmarks.measure import uncertainty
from fieldmarks.measure.correction import Correction
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.suffixes import ENDINGS
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question

DAY = date(2026, 3, 1)


@pytest.fixture(scope="module")
def told(tmp_path_factory, tables, clean_shot):
    """A dossier of two measurers, and its seal."""
    path = tmp_path_factory.mktemp("dossier") / "dossier.zip"
    other = shoot(tables, CLEAN, Question(claimed="personatus"), grow=5)
    testimonies = [told_by(clean_shot, "Ada", DAY), told_by(other, "Bo", DAY)]
    bird = a_bird("Pip", ring="AB1", source="a secret address", notes="private")
    return path, write_dossier(path, bird, testimonies, tables).seal


def different(verified):
    return [c for c in verified.checks if c.outcome == "different"]


def test_an_untouched_dossier_gives_the_same_numbers(told, tables):
    path, seal = told
    verified = verify_dossier(path, tables)
    assert verified.same, different(verified)
    assert verified.seal == seal
    assert verified.sentence.startswith("SAME")
    whats = [c.what for c in verified.checks]
    assert whats.count("numbers and findings") == 2


def test_a_reading_made_with_a_phone_profile_can_be_repeated(tmp_path, tables):
    greys = ((20.0, 0.0, 0.0), (50.0, 0.0, 0.0), (95.0, 0.0, 0.0))
    bent = Correction(tone=(0.06, 0.0), known=greys, source="chart")
    phone = PhoneProfile("mine", "", "", False, "", "", bent)
    bare = shoot(tables, CLEAN, Question(claimed="personatus"))
    photo = decode_photo(bare.photo, "bird.png")
    regions = bare.record.measurement.regions
    record = make_record(photo, regions, tables, bare.record.question, phone=phone)
    assert record.measurement.readings != bare.record.measurement.readings
    path = tmp_path / "d.zip"
    write_dossier(
        path, a_bird("Pip"), [told_by(MeasuredPhoto(bare.photo, record), "Ada", DAY)], tables
    )
    verified = verify_dossier(path, tables)
    assert verified.same, different(verified)


def test_notes_and_sources_stay_at_home(told):
    with zipfile.ZipFile(told[0]) as packed:
        data = json.loads(packed.read("dossier.json"))
        every = b"".join(packed.read(n) for n in packed.namelist())
    assert data["bird"]["ring"] == "AB1"
    assert b"secret address" not in every
    assert b"private" not in every


def test_the_pdf_is_a_pdf_and_shows_the_seal(told):
    pdf = zipfile.ZipFile(told[0]).read("dossier.pdf")
    assert pdf.startswith(b"%PDF-")
    assert pdf.count(b"/Type /Page\n") >= 2


def brighten(files, manifest):
    name = next(n for n in files if n.startswith("photos/"))
    with Image.open(io.BytesIO(files[name])) as image:
        out = io.BytesIO()
        image.point(lambda v: min(v + 12, 255)).save(out, "PNG")
    files[name] = out.getvalue()


def edit(name, change):
    def apply(files, manifest):
        files[name] = change(files[name])

    return apply


def move_region(data):
    return data.replace(b'cx=\\"150\\"', b'cx=\\"158\\"').replace(b"rotate(0 150", b"rotate(0 158")


def change_table(files, manifest):
    name = next(n for n in files if n.startswith("tables/"))
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(files[name])) as old, zipfile.ZipFile(out, "w") as new:
        for member in old.namelist():
            new.writestr(member, old.read(member) + b"\n# changed\n")
    files[name] = out.getvalue()


def change_number(data):
    record = json.loads(data)
    record["measurement"]["readings"][0]["lab"][0] += 3
    return json.dumps(record).encode()


@pytest.mark.parametrize("relisted", [False, True])
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (brighten, "photo is the one that was measured"),
        (edit("looks/1.regions.json", move_region), "regions are those that were measured"),
        (change_table, "tables are those it was judged by"),
        (edit("looks/1.record.json", change_number), "numbers and findings"),
    ],
)
def test_a_changed_photo_region_table_or_number_is_noticed(
    told, tmp_path, tables, change, said, relisted
):
    def apply(files, manifest):
        change(files, manifest)
        if relisted:  # by someone who also mends the list of fingerprints
            relist(files, manifest)

    bad = changed(told[0], tmp_path / "bad.zip", apply)
    verified = verify_dossier(bad, tables)
    assert not verified.same
    assert any(c.what.startswith(said) for c in different(verified)), different(verified)
    assert verified.seal != told[1]
    if not relisted:
        assert any("unchanged since it was packed" in c.what for c in different(verified))


def test_another_program_version_is_noted(told, tables, monkeypatch):
    monkeypatch.setattr(dossier_module, "__version__", "9.9")
    verified = verify_dossier(told[0], tables)
    notes = [c for c in verified.checks if c.outcome == "note" and c.what == "version"]
    assert len(notes) == 1
    assert notes[0].detail == f"made with fieldmarks {__version__} and checked with 9.9"
    assert "SAME" in verified.sentence


def test_numbers_that_differ_under_another_version_are_not_called_false(
    told, tables, tmp_path, monkeypatch
):
    """As with a dossier made before a change of the budget: every uncertainty differs."""
    monkeypatch.setattr(dossier_module, "__version__", "9.9")
    monkeypatch.setattr(uncertainty, "PHONE", uncertainty.CameraPart(6.0, 3.0, 0.4, 0.3, 0.2))
    verified = verify_dossier(told[0], tables)
    assert not verified.same
    assert f"made with fieldmarks {__version__} and checked with 9.9" in verified.sentence
    assert "before you conclude anything" in verified.sentence
    monkeypatch.setattr(dossier_module, "__version__", __version__)
    assert "version" not in verify_dossier(told[0], tables).sentence


@pytest.mark.parametrize("ending", ENDINGS)
def test_every_kind_of_photo_that_can_be_kept_can_go_into_a_dossier(ending):
    item = {"measurer": "Ada", "day": DAY, "photo": f"photos/{'0' * 64}.{ending}", "look": 1}
    more = {"name": f"bird.{ending}", "tables": f"tables/{'0' * 64}.zip"}
    assert dossier_module._Item(**item, **more).photo.endswith(ending)


def test_another_edition_of_the_tables_is_noted_and_the_packed_ones_are_used(told, tables):
    other = dataclasses.replace(tables, fingerprint="0" * 64)
    verified = verify_dossier(told[0], other)
    assert verified.same
    assert any(c.what == "edition of the tables" for c in verified.checks)


def test_a_file_slipped_in_is_noticed(told, tmp_path, tables):
    def slip(files, manifest):
        files["looks/77.record.json"] = b"{}"
        relist(files, manifest)

    verified = verify_dossier(changed(told[0], tmp_path / "b.zip", slip), tables)
    assert any(c.where == "looks/77.record.json" for c in different(verified))


def test_a_dossier_that_is_none_is_refused(tmp_path, tables):
    (tmp_path / "x.zip").write_bytes(b"nothing")
    with pytest.raises(FieldmarksError):
        verify_dossier(tmp_path / "x.zip", tables)
    with pytest.raises(FieldmarksError, match="no photo"):
        write_dossier(tmp_path / "y.zip", a_bird(), [], tables)


def test_packed_tables_are_the_same_tables(tables):
    packed = pack_tables(tables)
    assert pack_tables(tables) == packed
    again = unpack_tables(packed)
    assert again.fingerprint == tables.fingerprint
    assert again.species == tables.species
    with pytest.raises(FieldmarksError):
        unpack_tables(b"no zip")


def test_a_dossier_takes_time_by_its_photos_alone_and_says_how_far_it_is(
    store, tables, clean_shot, tmp_path, monkeypatch
):
    from fieldmarks.birds import observation, service

    bird = store.save(a_bird("Pip"))
    for day in range(1, 7):
        who = f"measurer {day % 2}"
        shot = shoot(tables, CLEAN, Question(claimed="personatus"), seed=day)
        store.save_entry(an_entry(bird, date(2026, 3, day), measured_by=who), [shot], tables)
    entries, cleaned, told = store.entries(bird.id), [], []
    real = observation.MeasuredPhoto.without_place
    monkeypatch.setattr(
        MeasuredPhoto, "without_place", lambda e: cleaned.append(e.sha256) or real(e)
    )
    path = tmp_path / "many.zip"
    service.make_dossier(store, bird, entries, tables, path, tell=lambda *steps: told.append(steps))
    assert cleaned == [o.photo for e in entries for o in e.observations]  # each once
    assert told == [(step, 12) for step in range(1, 13)]
    told.clear()
    verify_dossier(path, tables, tell=lambda *steps: told.append(steps))
    assert told == [(step, 6) for step in range(1, 7)]
