"""Every flow at the command line, over one store."""

import subprocess
import sys
import zipfile
from datetime import date, timedelta

import pytest
from made_birds import CLEAN, ORANGE, paint, regions_for
from typer.testing import CliRunner

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.store import Store
from fieldmarks.cli.main import bird as app
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import write_region_file


@pytest.fixture
def run(tmp_path):
    runner = CliRunner()

    def call(*words, store="s", fails=False):
        result = runner.invoke(app, ["--store", str(tmp_path / store), *map(str, words)])
        if result.exception and not isinstance(result.exception, SystemExit):
            if fails:
                assert isinstance(result.exception, FieldmarksError)
                return str(result.exception)
            raise result.exception
        assert (result.exit_code != 0) == fails, result.output
        return result.output

    return call


@pytest.fixture
def photos(tmp_path):
    """A clean bird and one with an orange collar, with region files."""
    for name, colours in (("clean", CLEAN), ("orange", ORANGE)):
        (tmp_path / f"{name}.png").write_bytes(paint(colours, len(name)))
        regions = RegionSet(f"{name}.png", 280, 200, regions_for(colours))
        write_region_file(regions, tmp_path / f"{name}.regions.json")
    return tmp_path / "clean.png", tmp_path / "orange.png"


def test_a_look_at_a_missing_photo_is_refused_in_one_line(run, tmp_path):
    run("add", "Pip")
    said = run("look", "Pip", tmp_path / "nowhere.jpg", "--stage", "later moult", fails=True)
    assert "cannot be opened" in said
    assert "nowhere.jpg" in said


def test_a_list_of_a_misspelt_species_makes_no_store(run, tmp_path):
    assert "budgie" in run("list", "--species", "budgie", store="new", fails=True)
    assert not (tmp_path / "new").exists()


def test_a_bird_through_its_moults(run, photos):
    clean, orange = photos
    run("add", "Pip", "--ring", "AB1", "--species", "personatus", "--hatched", "2025-04-01",
        "--sex", "cock")  # fmt: skip
    run("change", "AB1", "--notes", "likes millet")
    said = run("look", "Pip", orange, "--stage", "young plumage", "--day", "2025-06-20", "--by",
               "Ada")  # fmt: skip
    assert "orange.png:" in said
    run("look", "Pip", clean, "--stage", "after first moult", "--day", "2026-03-01")
    page = run("page", "pip")
    assert "likes millet" in page
    assert "entry 2, 2026-03-01, after first moult" in page
    moults = run("moults", "Pip", "--mark", "collar")
    assert "orange area fell by 100" in moults
    assert "by chance alone" in moults
    assert "Signs over time" in moults
    run("strike", "Pip", "1", "--why", "another bird")
    assert "entry 1," not in run("page", "Pip")
    assert "Pip" in run("list", "--words", "AB")
    assert run("list", "--as", "csv").startswith("name,ring,")


def test_wrong_words_end_in_one_line_with_a_mend(run, photos):
    run("add", "Pip", "--hatched", "2025-04-01")
    assert "no bird of that name" in run("page", "Nobody", fails=True)
    assert "2025-04-30" in run("add", "Pep", "--hatched", "1 April", fails=True)
    assert "budgie" in run("add", "Pep", "--species", "budgie", fails=True)
    late = run("look", "Pip", photos[0], "--stage", "later moult", "--day", "2024-01-01",
               fails=True)  # fmt: skip
    assert "hatched" in late
    assert "yet to come" in run(
        "look", "Pip", photos[0], "--stage", "later moult", "--day", "2199-01-01", fails=True
    )


def test_pairs_and_test_matings(run):
    run("add", "Dad", "--species", "personatus", "--sex", "cock")
    run("add", "Mum", "--species", "personatus", "--sex", "hen")
    run("add", "Son", "--species", "personatus", "--sex", "cock", "--father", "Dad")
    run("add", "Rosy", "--species", "roseicollis", "--sex", "hen")
    assert "Kinship 0.25" in run("pair-advice", "Dad", "Son")
    assert "sterile" in run("pair-advice", "Dad", "Rosy")
    pair = run("start-test", "Dad", "Mum").split()[0]
    for number in range(3):
        run("add-young", pair, f"Y{number}", "clean")
    result = run("test-result", pair)
    assert "12.5%" in result
    assert "2 more" in result
    run("add-young", pair, "Y1", "sign")
    assert "wrong pairing" in run("test-result", pair)
    assert pair in run("pairs")


def test_a_test_result_names_the_next_dates_and_refuses_what_cannot_be(run):
    today = date.today()
    laid, hatched = (str(today - timedelta(days=n)) for n in (5, 3))
    run("add", "Dad", "--species", "personatus", "--sex", "cock")
    run("add", "Mum", "--species", "personatus", "--sex", "hen")
    pair = run("start-test", "Dad", "Mum").split()[0]
    run("add-young", pair, "E1", "unclear", "--laid", laid)
    run("add-young", pair, "Y1", "unclear", "--hatched", hatched)
    said = run("test-result", pair)
    assert f"E1: due to hatch at about {today + timedelta(days=18)}" in said
    assert f"Y1: closed ring from {today + timedelta(days=5)}" in said
    wrong = run("add-young", pair, "E1", "unclear", "--hatched", hatched, fails=True)
    assert "an egg needs 20 days" in wrong
    assert "first moult" in run("add-young", pair, "Y1", "clean", "--hatched", hatched, fails=True)


def test_a_test_mating_is_begun_with_its_cautions_and_warnings(run):
    run("add", "Dad", "--species", "personatus", "--sex", "cock", "--hatched", "2020-04-01")
    run("add", "Mum", "--species", "personatus", "--sex", "hen", "--hatched", "2020-05-01")
    run("add", "Bro", "--species", "personatus", "--sex", "cock", "--father", "Dad")
    run("add", "Rosy", "--species", "roseicollis", "--sex", "hen")
    run("add", "Stray", "--sex", "hen")
    fine = run("start-test", "Dad", "Mum")
    cautions = advice_table().cautions("testing")
    assert cautions
    assert all(line in fine for line in cautions)
    assert "not grown" not in fine
    assert "held to be sterile" in run("start-test", "Dad", "Rosy")
    same = run("start-test", "Dad", "Bro")
    assert "Both are cocks" in same
    assert "Closely related" in same
    assert "The species of the mate, Stray, is not known" in run("start-test", "Dad", "Stray")
    today = date.today().isoformat()
    run("change", "Mum", "--hatched", today)
    assert "Mum is not grown before" in run("start-test", "Dad", "Mum")


def test_a_dispute_ends_in_a_dossier_that_verifies(run, photos, tmp_path):
    run("add", "Pip", "--species", "personatus")
    for who in ("Ada", "Bo"):
        run("look", "Pip", photos[1], "--stage", "later moult", "--by", who, "--day", "2026-03-01")
    said = run("measurers", "Pip")
    assert "100% (Ada / Bo)" in said
    assert "Stands for all" in said
    out = tmp_path / "d.zip"
    seal = run("dossier", "Pip", out).split()[0]
    verified = run("verify", out)
    assert "SAME" in verified
    assert seal in verified
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(bad, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, data + b" " if name.startswith("photos/") else data)
    assert "DIFFERENT" in run("verify", bad, fails=True)


def test_a_store_is_exported_brought_in_checked_and_restored(run, photos, tmp_path):
    run("add", "Pip", "--species", "personatus")
    run("look", "Pip", photos[0], "--stage", "later moult", "--day", "2026-03-01")
    said = run("export", tmp_path / "out.zip")
    assert "taken out" in said
    run("bring-in", tmp_path / "out.zip", store="other")
    run("check-store", store="other")
    (tmp_path / "other" / "birds.sqlite").write_bytes(b"no database" * 400)
    assert "1 birds" in (run("restore", store="other"), run("list", store="other"))[1]
    assert run("page", "Pip", store="other") == run("page", "Pip")
    next((tmp_path / "other" / "photos").rglob("*.png")).write_bytes(b"x")
    assert "was changed" in run("check-store", "--mend", store="other", fails=True)


def test_a_list_is_imported_only_when_accepted(run, tmp_path):
    run("ring-shape", "AA9")
    (tmp_path / "list.csv").write_text("name,ring\nPip,XY1\nPep,oops\n")
    said = run("read-list", tmp_path / "list.csv")
    assert "row 3, ring" in said
    assert "0 birds" in run("list")
    assert "nothing was imported" in run("read-list", tmp_path / "list.csv", "--accept", fails=True)
    run("read-list", tmp_path / "list.csv", "--accept", "--leave-out")
    assert "1 birds" in run("list")


def test_before_buying(run, photos):
    said = run("before-buying", photos[1], "--sold-as", "personatus")
    for word in ("Speaks against it", "Ask the breeder", "What this can't tell you", "quarantine"):
        assert word in said


def test_the_invented_club_does_not_mix_with_real_birds(run, tmp_path):
    with Store(tmp_path / "s") as store:
        from made_birds import a_bird

        store.save(a_bird())
    assert "holds birds already" in run("invented-club", fails=True)


def test_help_loads_no_heavy_library():
    code = (
        "import sys, fieldmarks.cli.main; "
        "print([m for m in ('numpy','sqlalchemy','cv2','pydantic','fpdf') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_bird_added_by_mistake_is_taken_off_and_put_back(run):
    run("add", "Pip", "--ring", "AB1")
    assert "no reason" in run("take-off", "Pip", "--why", " ", fails=True)
    run("take-off", "Pip", "--why", "entered twice")
    assert "Pip" not in run("list")
    assert "Pip (AB1)" in run("put-back", "Pop", fails=True)
    run("put-back", "ab1")
    assert "Pip" in run("list")


def test_the_people_of_a_club_are_let_in_and_given_birds(run):
    run("add", "Plum", "--ring", "R1")
    assert "needs a steward" in run("let-in", "ada@club.example", fails=True)
    run("let-in", "Stew@club.example", "--as", "steward")
    assert "sees and changes their own birds" in run("let-in", "ada@club.example")
    assert "nobody of that address" in run("hand-over", "ben@club.example", "R1", fails=True)
    assert "1 handed over" in run("hand-over", "ada@club.example", "R1")
    assert "no e-mail address" in run("let-in", "ada", fails=True)
    assert "ada@club.example: keeper, never signed in" in run("people")


def test_a_passphrase_is_asked_for_and_never_an_option(tmp_path, monkeypatch):
    from fieldmarks.app.passphrase import Passphrase
    from fieldmarks.cli.main import app as all_commands

    file = tmp_path / "passphrase.json"
    monkeypatch.setenv("FIELDMARKS_PASSPHRASE_FILE", str(file))
    words = "four invented words here"
    done = CliRunner().invoke(all_commands, ["passphrase"], input=f"{words}\n{words}\n")
    assert done.exit_code == 0
    assert words not in done.output
    assert Passphrase(file).tried(words)
    assert CliRunner().invoke(all_commands, ["passphrase", words]).exit_code == 2


def test_an_entry_is_measured_again_and_the_old_one_stays_struck(run, photos):
    run("add", "Pip", "--species", "personatus")
    run("look", "Pip", photos[0], "--stage", "later moult", "--day", "2026-03-01")
    assert "no such entry" in run("measure-again", "Pip", 7, fails=True)
    assert "Entry 2 counts in place of entry 1" in run("measure-again", "Pip", 1)
    page = run("page", "Pip")
    assert "entry 2, 2026-03-01" in page
    assert "entry 1, 2026-03-01" not in page


def test_every_fact_of_a_bird_is_given_and_taken_off_again(run, tmp_path):
    run("add", "Dad", "--sex", "cock", "--hatched", "2020-04-01")
    run("add", "Pip", "--ring", "AB1", "--ring-year", 2024, "--hatched", "2024-05-01", "--estimate",
        "--species", "Fischer", "--variety", "blue", "--split-for", "ino",
        "--father", "Dad")  # fmt: skip
    with Store(tmp_path / "s") as store:
        bird, father = store.find("Pip"), store.find("Dad")
        assert (bird.species, bird.variety, bird.split_for) == ("fischeri", "blue", ("ino",))
        assert (bird.hatch_known, bird.ring_year, bird.father) == ("estimate", 2024, father.id)
    run("change", "Pip", "--father", "", "--ring-year", 0, "--species", "", "--exact")
    with Store(tmp_path / "s") as store:
        bird = store.find("Pip")
        assert (bird.species, bird.father, bird.ring_year) == (None, None, None)
        assert bird.hatch_known == "exact"


def test_a_pairs_first_day_is_corrected_and_what_comes_up_goes_to_a_calendar(run, tmp_path):
    run("add", "Dad", "--species", "personatus", "--sex", "cock")
    run("add", "Mum", "--species", "personatus", "--sex", "hen")
    pair = run("start-test", "Dad", "Mum", "--started", "2026-02-01").split()[0]
    assert "Together since 2026-02-03" in run("change-pair", pair, "--started", "2026-02-03")
    assert "Together since a day not known" in run("change-pair", pair, "--started", "")
    run("add-young", pair, "E1", "unclear")
    laid = date.today() - timedelta(days=4)
    assert f"E1: laid {laid}" in run("note-day", pair, "E1", "laid", laid)
    assert "the day is missing" in run("note-day", pair, "E1", "hatched", " ", fails=True)
    due = laid + timedelta(days=23)
    assert f"{due}  E1" in run("coming-up", "--into", tmp_path / "birds.ics")
    assert f"{due:%Y%m%d}" in (tmp_path / "birds.ics").read_text()
