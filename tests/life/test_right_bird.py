"""Before a photo is kept, the keeper is asked where it does not look like this bird."""

from datetime import date

import pytest
from app_page import AppTest
from made_birds import CLEAN, a_bird, paint, regions_for, shoot
from typer.testing import CliRunner

from fieldmarks.birds.service import WhichBirdError, keep_look
from fieldmarks.birds.store import Store
from fieldmarks.cli.main import app
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import write_region_file
from fieldmarks.record import Question

DAY = date(2025, 6, 1)
# Painted, to drive the program: a rosy face is the other end from the dark face of CLEAN.
ROSY = {"face": (58, 50, 28), "collar": (64, 10, 40), "rump": (45, -5, -38)}


@pytest.fixture(scope="module")
def rosy_shot(tables):
    return shoot(tables, ROSY, Question(claimed="personatus"), seed=5, name="rosy.png")


def kept(store, bird):
    return [look.photo for entry in store.entries(bird.id) for look in entry.observations]


def test_a_photo_of_another_species_is_asked_about(store, tables, rosy_shot):
    bird = store.save(a_bird("Pip"))
    with pytest.raises(WhichBirdError, match=r"is it this bird\?"):
        keep_look(store, bird, [rosy_shot], tables, DAY, "later moult", "Wren")
    assert kept(store, bird) == []
    keep_look(store, bird, [rosy_shot], tables, DAY, "later moult", "Wren", sure=True)
    assert kept(store, bird) == [rosy_shot.record.measurement.sha256]


def test_one_photo_for_three_birds_is_asked_about(store, tables, clean_shot):
    pip, mo, bo = (store.save(a_bird(name)) for name in ("Pip", "Mo", "Bo"))
    keep_look(store, pip, [clean_shot], tables, DAY, "later moult", "Wren")
    for bird in (mo, bo):
        with pytest.raises(WhichBirdError, match="is kept for Pip already"):
            keep_look(store, bird, [clean_shot], tables, DAY, "later moult", "Wren")
        assert kept(store, bird) == []
    keep_look(store, mo, [clean_shot], tables, DAY, "later moult", "Wren", sure=True)
    with pytest.raises(WhichBirdError, match=r"kept for Pip already.*kept for Mo already"):
        keep_look(store, bo, [clean_shot], tables, DAY, "later moult", "Wren")


def test_a_photo_struck_out_for_another_bird_is_not_asked_about(store, tables, clean_shot):
    pip, mo = store.save(a_bird("Pip")), store.save(a_bird("Mo"))
    wrong = keep_look(store, pip, [clean_shot], tables, DAY, "later moult", "Wren")
    store.withdraw(wrong, "it is Mo")
    keep_look(store, mo, [clean_shot], tables, DAY, "later moult", "Wren")
    assert len(kept(store, mo)) == 1


@pytest.mark.parametrize("shot", ["clean_shot", "orange_shot"])
def test_a_photo_that_fits_its_species_is_kept_without_asking(store, tables, shot, request):
    """A sign of mixed ancestry is what looks are kept for; it is no reason to ask."""
    bird = store.save(a_bird("Pip"))
    keep_look(store, bird, [request.getfixturevalue(shot)], tables, DAY, "later moult", "Wren")
    assert len(kept(store, bird)) == 1


@pytest.fixture
def photo_file(tmp_path):
    def make(name, colours):
        path = tmp_path / name
        path.write_bytes(paint(colours, 5))
        photo = decode_photo(path.read_bytes(), name)
        drawn = RegionSet(name, photo.width, photo.height, regions_for(colours), photo.sha256)
        write_region_file(drawn, path.with_suffix(".regions.json"))
        return path

    return make


def test_the_command_line_keeps_a_strange_photo_only_when_told_so(tmp_path, photo_file):
    folder = tmp_path / "store"
    with Store(folder) as store:
        bird = store.save(a_bird("Pip"))
    look = ["bird", "--store", str(folder), "look", "Pip", str(photo_file("rosy.png", ROSY))]
    look += ["--stage", "later moult", "--day", "2025-06-01"]
    refused = CliRunner().invoke(app, look)
    assert isinstance(refused.exception, WhichBirdError)
    assert "--yes" in str(refused.exception)
    with Store(folder) as store:
        assert kept(store, bird) == []
    done = CliRunner().invoke(app, [*look, "--yes"])
    assert done.exit_code == 0, done.output
    with Store(folder) as store:
        assert len(kept(store, bird)) == 1


def page_of_keeping():
    import streamlit as st

    from fieldmarks.app.birds.keep import keep_panel

    keep_panel(st.session_state.work)


@pytest.mark.parametrize(("colours", "asks"), [(ROSY, True), (CLEAN, False)])
def test_the_app_asks_whether_it_is_the_right_bird(tmp_path, monkeypatch, tables, colours, asks):
    import streamlit as st

    from fieldmarks.app.state import Day

    st.cache_resource.clear()
    monkeypatch.setenv("FIELDMARKS_STORE", str(tmp_path))
    with Store(tmp_path) as store:
        bird = store.save(a_bird("Pip"))
    shot = shoot(tables, colours, seed=5, name="a.png")
    work = Day(tables).open(shot.photo, "a.png")
    work.regions = shot.record.measurement.regions
    work.record = shot.record
    page = AppTest.from_function(page_of_keeping, default_timeout=60)
    page.session_state.work = work
    page.run()
    page.selectbox(key="keep_bird").set_value(bird.id).run()
    page.selectbox(key=f"stage_workbench_{bird.id}").set_value("later moult").run()
    (press,) = [b for b in page.button if b.label == "Keep it in the moult record"]
    press.click().run()
    assert not page.exception
    with Store(tmp_path) as store:
        assert len(kept(store, bird)) == (0 if asks else 1)
    if asks:
        assert any("Is it Pip?" in w.value for w in page.warning)
        page.button(key=f"sure_{bird.id}").click().run()
        with Store(tmp_path) as store:
            assert len(kept(store, bird)) == 1
    st.cache_resource.clear()
