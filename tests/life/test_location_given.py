"""What leaves the house: dossiers, exports and reports tell no place unless the keeper agrees."""

import base64
import dataclasses
import io
import json
import re
import zipfile
from datetime import date

import geotagged
import pillow_heif
import pytest
from app_page import AppTest
from geotagged import SECRETS
from made_birds import CLEAN, a_bird, an_entry, paint, regions_for, told_by
from PIL import Image
from pypdf import PdfReader

from fieldmarks.app.marker.component import reduced_jpeg
from fieldmarks.birds import service as desk
from fieldmarks.birds import store as store_module
from fieldmarks.birds.compare import record_differences
from fieldmarks.birds.dossier import verify_dossier, write_dossier
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Entry
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store
from fieldmarks.cli.main import main
from fieldmarks.measure.location import without_place
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question
from fieldmarks.report.page import report_page
from fieldmarks.report.pdf import report_pdf
from fieldmarks.report.picture import to_jpeg

DAY = date(2026, 3, 1)


def as_jpeg(data):
    out = io.BytesIO()
    Image.open(io.BytesIO(data)).save(out, "JPEG", quality=95)
    return geotagged.tag_jpeg(out.getvalue(), geotagged.exif(orientation=1))


def as_heic(data):
    out = io.BytesIO()
    picture = pillow_heif.from_pillow(Image.open(io.BytesIO(data)).convert("RGB"))
    picture.save(out, format="HEIF", exif=b"Exif\0\0" + geotagged.exif(orientation=1), quality=95)
    return out.getvalue()


FILES = {
    "bird.jpg": as_jpeg,
    "bird.heic": as_heic,
    "bird.png": lambda data: geotagged.tag_png(data, geotagged.exif(orientation=1)),
}


@pytest.fixture(scope="module", params=FILES)
def placed(request, tables):
    """A shot whose photo tells where it was taken."""
    name = request.param
    data = FILES[name](paint(CLEAN))
    photo = decode_photo(data, name)
    regions = RegionSet(name, photo.width, photo.height, regions_for(CLEAN), photo.sha256)
    return MeasuredPhoto(data, make_record(photo, regions, tables, Question(claimed="personatus")))


def told(data):
    return [secret for secret in SECRETS if secret in data]


def inside(path):
    with zipfile.ZipFile(path) as packed:
        return {n: packed.read(n) for n in packed.namelist()}


def test_a_shot_given_away_has_the_same_numbers_and_its_own_fingerprint(placed, tables):
    given = placed.without_place()
    assert told(placed.photo)
    assert not told(given.photo)
    assert given.record.measurement.sha256 != placed.record.measurement.sha256
    photo = decode_photo(given.photo, given.record.measurement.photo)
    assert photo.facts.format in ("JPEG", "PNG")
    assert given.record.measurement.photo.endswith(".jpg" if given.photo[:1] == b"\xff" else ".png")
    again = make_record(photo, given.record.measurement.regions, tables, given.record.question)
    assert record_differences(placed.record, again) == []
    assert again == given.record


def test_a_dossier_holds_no_place_and_still_gives_the_same_numbers(placed, tables, tmp_path):
    path = tmp_path / "d.zip"
    seal = write_dossier(path, a_bird("Pip"), [told_by(placed, "Ada", DAY)], tables).seal
    files = inside(path)
    assert {n: told(d) for n, d in files.items() if told(d)} == {}
    verified = verify_dossier(path, tables)
    assert verified.same, verified.checks
    assert verified.seal == seal
    notes = [c.detail for c in verified.checks if c.outcome == "note"]
    assert any(placed.record.measurement.sha256 in note for note in notes)


def test_whoever_holds_the_photo_as_taken_can_match_it_to_the_dossier(placed, tables, tmp_path):
    path = tmp_path / "d.zip"
    write_dossier(path, a_bird("Pip"), [told_by(placed, "Ada", DAY)], tables)
    files = inside(path)
    item = json.loads(files["dossier.json"])["items"][0]
    assert item["as_taken"] == placed.record.measurement.sha256
    assert files[item["photo"]] == without_place(placed.photo, item["name"])


def test_a_keeper_who_agrees_gives_the_very_bytes(placed, tables, tmp_path):
    path = tmp_path / "d.zip"
    testimony = told_by(placed, "Ada", DAY)
    write_dossier(path, a_bird("Pip"), [testimony], tables, with_place=True)
    assert placed.photo in inside(path).values()
    assert verify_dossier(path, tables).same


@pytest.fixture
def kept(placed, tables, tmp_path):
    with Store(tmp_path / "store") as store:
        bird = store.save(a_bird("Pip"))
        store.save_entry(an_entry(bird), [placed], tables)
        yield store


def test_the_copy_that_was_given_away_is_the_same_photo_when_opinions_are_compared(
    kept, placed, tables
):
    """One measures the photo as taken, the other the copy from a dossier, and draws worse."""
    given = placed.without_place()
    photo = decode_photo(given.photo, "bird.jpg")
    marks = {r.mark: r for r in placed.record.measurement.regions.regions}
    wrong = (
        dataclasses.replace(r, shape=marks["rump"].shape) if r.mark == "collar" else r
        for r in marks.values()
    )
    regions = RegionSet("bird.jpg", photo.width, photo.height, tuple(wrong), photo.sha256)
    other = make_record(photo, regions, tables, placed.record.question)
    (bird,) = kept.birds()
    kept.save_entry(an_entry(bird, measured_by="Bo"), [MeasuredPhoto(given.photo, other)], tables)
    found = desk.compare_measurers(kept, kept.entries(bird.id))
    collar = next(m for m in found.marks if m.mark == "collar")
    assert collar.largest > 10
    assert collar.overlap == 0
    told = {f.story for f in found.findings}
    assert "depends on who measured" in told
    assert "depends on the photo" not in told
    assert {photo for f in found.findings for _, photo, _ in f.said} == {
        look.photo for entry in kept.entries(bird.id) for look in entry.observations
    }


def test_in_the_dossiers_pdf_too_the_copy_given_away_is_the_same_photo(placed, tables, tmp_path):
    given = placed.without_place()
    photo = decode_photo(given.photo, "bird.jpg")
    regions = dataclasses.replace(placed.record.measurement.regions, sha256=photo.sha256)
    other = MeasuredPhoto(given.photo, make_record(photo, regions, tables, placed.record.question))
    both = [told_by(placed, "Ada", DAY), told_by(other, "Bo", DAY)]
    path = tmp_path / "d.zip"
    write_dossier(path, a_bird("Pip"), both, tables, with_place=True)
    words = "".join(
        page.extract_text() for page in PdfReader(io.BytesIO(inside(path)["dossier.pdf"])).pages
    )
    assert "100%(Ada/Bo)" in "".join(words.split())


def page_of_opinions():
    """The page Two opinions? as the app draws it."""
    from fieldmarks.app.birds.dispute import dispute_page
    from fieldmarks.app.birds.shared import whole_store

    whole_store.clear()
    dispute_page()


def test_a_dossier_made_with_the_place_is_not_offered_once_the_box_is_off(
    kept, tmp_path, monkeypatch
):
    monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(tmp_path / "store"))
    page = AppTest.from_function(page_of_opinions, default_timeout=60).run()
    page = page.selectbox(key="dispute_bird").set_value(kept.birds()[0].id).run()

    def offered(page):
        return [b for b in page.get("download_button") if b.label == "Save the dossier"]

    def box(page):
        return next(b for b in page.checkbox if "with the place" in b.label)

    def made(page):
        button = next(b for b in page.button if b.label == "Make the dossier")
        page = button.click().run()
        assert not page.exception
        assert offered(page)
        packed = tmp_path / "made.zip"
        packed.write_bytes(page.session_state.life_dossier[2])
        return page, [n for n, data in inside(packed).items() if told(data)]

    page, with_place = made(box(page).check().run())
    assert with_place
    page = box(page).uncheck().run()
    assert not offered(page)
    assert any("with the place and the maker's data taken out" in c.value for c in page.caption)
    _, without = made(page)
    assert without == []


def test_an_export_holds_no_place_and_comes_back_whole(kept, placed, tmp_path):
    export_store(kept, tmp_path / "all.zip")
    assert {n: told(d) for n, d in inside(tmp_path / "all.zip").items() if told(d)} == {}
    with Store(tmp_path / "other") as other:
        import_store(other, tmp_path / "all.zip")
        assert check_store(other) == []
        look = next(t for t in everything(other)[1]).observations[0]
        assert record_differences(placed.record, other.record(look)) == []
        assert (
            look.photo == other.record(look).measurement.sha256 != placed.record.measurement.sha256
        )


def test_what_is_already_here_is_known_again_without_its_place(kept, tmp_path):
    export_store(kept, tmp_path / "all.zip")
    before = everything(kept)
    moved = import_store(kept, tmp_path / "all.zip")
    assert (moved.birds, moved.entries, moved.same) == (0, 0, 2)
    assert everything(kept) == before


def test_another_photo_is_not_taken_for_the_same_one(kept, placed, tables, tmp_path, clean_shot):
    other_folder = tmp_path / "other"
    export_store(kept, tmp_path / "all.zip")
    with Store(other_folder) as other:
        import_store(other, tmp_path / "all.zip")
        bird, entry = everything(other)[0][0], everything(other)[1][0]
        assert isinstance(entry, Entry)
        note = dataclasses.replace(entry, note="another day")
        other.save(note)
        export_store(other, tmp_path / "changed.zip")
        assert bird.name == "Pip"
    with pytest.raises(Exception, match="differs"):
        import_store(kept, tmp_path / "changed.zip")


def test_a_full_backup_is_there_for_the_asking(kept, placed, tmp_path):
    export_store(kept, tmp_path / "all.zip", with_place=True)
    files = inside(tmp_path / "all.zip")
    assert placed.photo in files.values()
    assert "as they were taken" in json.loads(files["manifest.json"])["about"]


def test_the_command_says_what_became_of_the_place(kept, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("FIELDMARKS_STORE", str(kept.folder))
    for more, words in (([], "taken out"), (["--with-place"], "still in there")):
        monkeypatch.setattr(
            "sys.argv", ["fieldmarks", "bird", "export", str(tmp_path / "x"), *more]
        )
        with pytest.raises(SystemExit) as ended:
            main()
        assert not ended.value.code
        assert words in " ".join(capsys.readouterr().err.split())


def test_reports_and_the_picture_on_the_screen_hold_no_place(placed, tables):
    record = placed.record
    photo = decode_photo(placed.photo, record.measurement.photo)
    picture = to_jpeg(photo.preview(400))
    page = report_page(record, picture, tables)
    pdf = report_pdf(record, picture, tables)
    for made in (page.encode(), pdf, picture, reduced_jpeg(photo.preview(400), 400)):
        assert told(made) == []
    # Even a picture handed over with its tags loses them.
    page = report_page(record, as_jpeg(paint(CLEAN)), tables)
    packed = re.findall(r"data:image/[a-z+]+;base64,([A-Za-z0-9+/=]+)", page)
    assert packed
    assert told(b"".join(base64.b64decode(one) for one in packed)) == []
    assert told(report_pdf(record, as_jpeg(paint(CLEAN)), tables)) == []
