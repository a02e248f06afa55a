"""fieldmarks from a notebook: one import, one call, a record that shows itself."""

import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from test_record import FACE, card, save_bird

import fieldmarks as fm
from fieldmarks._util.errors import FieldmarksError, PhotoError, RegionError
from fieldmarks.measure.region import Region
from fieldmarks.pipeline import demo_birds
from fieldmarks.record import FINDING_COLUMNS, record_to_json, write_record
from fieldmarks.rules import load

README = Path(__file__).parents[1] / "README.md"


@pytest.fixture(scope="module")
def record():
    return fm.assess(demo_birds()["personatus_clean"], sold_as="Fischer")


def test_the_notebook_lines_of_the_readme_run(capsys):
    (lines,) = re.findall(
        r"```python\n(import fieldmarks as fm\n.*?)```", README.read_text(), re.DOTALL
    )
    names = {}
    bird = demo_birds()["personatus_orange_collar"]
    exec(lines.replace('"bird.jpg"', repr(str(bird))), names)  # our own README
    record = names["record"]
    assert record.conclusion.sentence in capsys.readouterr().out
    assert {"face", "collar"} <= set(record.readings)
    assert len([line for line in lines.splitlines() if line]) <= 5


def test_a_path_may_be_text_and_a_species_go_by_any_name(record):
    path = demo_birds()["personatus_clean"]
    for name in ("fischeri", "Agapornis fischeri"):
        assert record_to_json(fm.assess(str(path), sold_as=name)) == record_to_json(record)
    assert record.question.claimed == "fischeri"


def test_an_unknown_species_is_refused_with_those_that_are_known():
    with pytest.raises(FieldmarksError, match=r"no species 'budgie'.*fischeri"):
        fm.assess(demo_birds()["personatus_clean"], sold_as="budgie")


def test_a_photo_with_regions_at_hand_needs_no_region_file(tmp_path):
    path = save_bird(tmp_path)
    (tmp_path / "bird.regions.json").unlink()
    with pytest.raises(FieldmarksError, match=r"bird\.regions\.json"):
        fm.assess(path)
    face = Region("f", "face", FACE)
    with_card = fm.assess(path, regions=[card(), face])
    without = fm.assess(fm.open_photo(path), regions=[face])
    assert with_card.readings["face"].calibrated
    assert not without.readings["face"].calibrated
    with pytest.raises(RegionError, match="not drawn on this"):
        fm.assess(path, regions=replace(with_card.measurement.regions, sha256="0" * 64))


@pytest.mark.parametrize(
    "regions",
    [
        [("f", "face", ((10, 10), (90, 10), (50, 60)))],
        {"items": []},
        [Region("f", "face", ((10, 10), (90, 10), (50, 60)))],
        5,
        [None],
    ],
)
def test_what_is_no_region_is_refused_with_what_a_region_is(regions):
    with pytest.raises(RegionError, match=r"^the regions: .* is no region\. Give .*Polygon\("):
        fm.assess(demo_birds()["personatus_clean"], regions=regions)


def test_regions_of_several_photos_come_in_a_list():
    two = [demo_birds()["personatus_clean"], demo_birds()["fischeri_clean"]]
    for regions in (5, "bird.regions.json", [None]):
        with pytest.raises(RegionError, match="photos were given: 2, and regions for 1"):
            fm.assess(two, regions=regions)


@pytest.mark.parametrize("ask", [fm.assess, fm.read])
@pytest.mark.parametrize("photo", [None, 5])
def test_what_is_no_photo_is_refused(ask, photo):
    with pytest.raises(PhotoError, match=rf"^{photo} is no photo\. Give the name of its file"):
        ask(photo)


def test_among_several_photos_what_is_none_is_refused():
    with pytest.raises(PhotoError, match="None is no photo"):
        fm.assess([demo_birds()["personatus_clean"], None])


def test_a_mark_that_was_not_read_is_told_with_those_that_were(record):
    for asked, mend in (("colar", r"Did you mean 'collar'\?"), ("x", "Read were: .*collar")):
        assert asked not in record.readings
        assert record.readings.get(asked) is None
        for kind in (FieldmarksError, KeyError):
            with pytest.raises(kind, match=rf"^nothing was read of '{asked}'\. {mend}"):
                record.readings[asked]


def test_reading_alone_gives_the_same_colours(record):
    measured = fm.read(demo_birds()["personatus_clean"])
    assert measured.readings == record.measurement.readings


def test_a_record_gives_its_parts_by_name(record):
    assert record.readings["collar"].mark == "collar"
    assert {f.species for f in record.findings} == set(fm.load_rules().species)
    assert record.conclusion is record.assessment.conclusion
    table = record.to_frame()
    assert list(table.columns) == list(FINDING_COLUMNS)
    assert set(table["species"]) == set(fm.load_rules().species)
    colours = record.to_frame("readings").set_index("mark")
    assert colours.loc["collar", "L*"] == pytest.approx(record.readings["collar"].lab[0], abs=0.006)


def test_a_record_shows_itself_in_one_short_line(record):
    shown = repr(record)
    assert "personatus_clean.jpg" in shown
    assert "collar" in shown
    assert record.conclusion.sentence in shown
    assert len(shown) < 600
    assert "\n" not in shown


class _Texts(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.texts = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.texts.append(data)


def test_a_notebook_shows_its_colours_and_runs_nothing_of_it(record):
    page = _Texts()
    page.feed(record._repr_html_())
    assert record.conclusion.sentence in page.texts
    assert page.tags.count("tr") == 1 + len(record.readings)
    evil = replace(record, measurement=replace(record.measurement, photo="<script>x</script>.jpg"))
    page = _Texts()
    page.feed(evil._repr_html_())
    assert "script" not in page.tags


def test_a_record_file_is_read_back(record, tmp_path):
    assert fm.Record.from_file(write_record(record, tmp_path)) == record
    with pytest.raises(FieldmarksError, match="nowhere"):
        fm.Record.from_file(tmp_path / "nowhere.json")


OWN = """[swatches.bright_yellow]
name = "bright yellow"
lab = [60, 20, 60]
tolerance = 6
source = "learned here"
[swatches.bright_yellow.learned]
birds = 12
photos = 12
cameras = ["A"]
learned_on = "2026-11-25"
"""


def test_numbers_do_not_depend_on_the_computer_unless_asked(record, tmp_path, monkeypatch):
    monkeypatch.setattr(load, "own_swatch_folder", lambda: tmp_path)
    (tmp_path / "bright_yellow.toml").write_text(OWN)
    path = demo_birds()["personatus_clean"]
    assert record_to_json(fm.assess(path, sold_as="Fischer")) == record_to_json(record)
    assert record.own_swatches == ()
    asked = fm.assess(path, sold_as="Fischer", own_swatches=True)
    assert asked.own_swatches == ("bright_yellow",)
    assert asked.assessment.table_fingerprint != record.assessment.table_fingerprint


def test_the_command_says_which_swatches_it_used(tmp_path, monkeypatch, capsys):
    from fieldmarks.cli.main import main

    monkeypatch.setattr(load, "own_swatch_folder", lambda: tmp_path)
    (tmp_path / "bright_yellow.toml").write_text(OWN)
    photo = str(demo_birds()["personatus_clean"])
    said = {}
    for switch in ([], ["--own-swatches"]):
        monkeypatch.setattr("sys.argv", ["fieldmarks", *switch, "assess", photo])
        with pytest.raises(SystemExit) as ended:
            main()
        assert not ended.value.code
        said[bool(switch)] = capsys.readouterr()
    assert "Yours (bright_yellow) are taken with" in said[False].err
    assert "own were used" not in said[False].out
    assert "Swatches of the keeper's own were used: bright yellow" in said[True].out.replace(
        "\n", " "
    )
    assert said[True].err == ""


def test_the_front_door_opens_at_once():
    """The import loads no heavy library; each name is found when asked for."""
    code = (
        "import sys, fieldmarks as fm\n"
        "heavy = {'numpy', 'cv2', 'PIL', 'pandas', 'pydantic', 'streamlit'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "assert all(getattr(fm, name) for name in fm.__all__)\n"
        "assert 'pandas' not in sys.modules and 'streamlit' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
