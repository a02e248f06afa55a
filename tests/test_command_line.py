"""The command line as a keeper meets it: exit codes, one-line errors, results on disk."""

import contextlib
import io
import subprocess
import sys
from unittest import mock

import pytest
from test_record import save_bird

from fieldmarks.cli.main import main


def run(*arguments):
    """A command in this process, as the console script calls it."""
    said, complained = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["fieldmarks", *map(str, arguments)]),
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(complained),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    code = ended.value.code or 0
    return subprocess.CompletedProcess(arguments, code, said.getvalue(), complained.getvalue())


def run_program(*arguments):
    """The same as a program of its own."""
    command = [sys.executable, "-W", "ignore", "-m", "fieldmarks.cli.main", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("birds")
    save_bird(place, "good")
    return place


def test_a_good_photo_ends_with_findings_and_exit_code_0(folder):
    done = run_program("assess", folder / "good.jpg", "--into", folder / "out")
    assert done.returncode == 0
    for words in ("Colours read", "Marks against each species", "no proof of purity"):
        assert words in done.stdout
    names = {p.name for p in (folder / "out").iterdir()}
    assert names == {
        "good.record.json",
        "good.readings.csv",
        "good.findings.csv",
        "good.marked.jpg",
    }


def test_json_on_the_command_line_is_the_record_that_is_written(folder):
    from fieldmarks.record import Record

    done = run("assess", folder / "good.jpg", "--as", "json")
    record = Record.from_json(done.stdout)
    assert {r.mark for r in record.measurement.readings} == {"face", "collar"}


def spoil(folder, name, change):
    """A copy of the good bird with its region file changed as text."""
    (folder / f"{name}.jpg").write_bytes((folder / "good.jpg").read_bytes())
    text = (folder / "good.regions.json").read_text().replace("good.jpg", f"{name}.jpg")
    (folder / f"{name}.regions.json").write_text(change(text))
    return folder / f"{name}.jpg"


BAD = {
    "no such photo": (lambda f: f / "gone.jpg", "gone.jpg: cannot be opened"),
    "no region file": (
        lambda f: (spoil(f, "x", str), (f / "x.regions.json").unlink(), f / "x.jpg")[2],
        "x.regions.json: cannot be opened",
    ),
    "unknown mark": (
        lambda f: spoil(f, "u", lambda t: t.replace('"collar"', '"colar"')),
        "Did you mean 'collar'?",
    ),
    "off the photo": (
        lambda f: spoil(f, "o", lambda t: t.replace('cx=\\"400\\"', 'cx=\\"590\\"')),
        "outside the photo",
    ),
}


def test_the_program_itself_ends_in_one_line_and_exit_code_2(folder):
    done = run_program("assess", folder / "gone.jpg")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("fieldmarks: gone.jpg: cannot be opened")
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize("kind", BAD)
def test_bad_input_ends_in_one_line_and_exit_code_2(folder, kind):
    make, words = BAD[kind]
    done = run("assess", make(folder), "--into", folder / "never")
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr
    assert not (folder / "never").exists()


def test_an_unknown_species_or_variety_is_named(folder):
    done = run("assess", folder / "good.jpg", "--sold-as", "fisheri")
    assert done.returncode == 2
    assert "fischeri" in done.stderr
    done = run("assess", folder / "good.jpg", "--variety", "pink")
    assert done.returncode == 2
    assert "pink" in done.stderr


def test_a_folder_with_one_bad_file_gives_the_rest(folder):
    (folder / "text.jpg").write_text("not a photo")
    done = run("assess-folder", folder, "--into", folder / "all")
    assert done.returncode == 0
    assert "text.jpg: this is not a photo" in done.stderr
    assert (folder / "all" / "good.record.json").exists()
    assert "text.jpg" in (folder / "all" / "problems.csv").read_text()


def test_the_lists_a_keeper_asks_for_are_printed():
    assert "rump" in run("marks").stdout
    assert "jet black" in run("expect", "personatus").stdout
    assert "95 %" in run("word").stdout
    assert "neck" in run("word", "Collar").stdout
    unknown = run("word", "zzz").stderr
    assert unknown.endswith("the word 'zzz' is not explained. 'fieldmarks word' lists all words\n")
    assert ".toml" not in unknown
    assert "personatus / fischeri" in run("tell-apart").stdout
    assert run("check-tables").returncode == 0


def test_a_broken_table_row_is_named_with_the_mend(tmp_path):
    species = tmp_path / "species"
    species.mkdir()
    (species / "mine.toml").write_text('key = "mine"\nname = "Mine"\nwingspan = 3\n')
    done = run("check-tables", tmp_path)
    assert done.returncode == 2
    assert "species/mine.toml" in done.stderr
    assert "wingspan" in done.stderr


def test_the_app_is_served_to_this_computer_only_unless_asked():
    from fieldmarks.app.serve import command

    assert "--server.address=127.0.0.1" in command(8612, home_network=False)
    assert "--server.address=0.0.0.0" in command(8612, home_network=True)


def test_without_its_screens_the_app_says_how_to_get_them(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    done = run("show")
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "fieldmarks: the screens of the app are not installed. "
        "Install them with: pip install streamlit"
    ]


def test_faults_of_own_tables_are_told_wherever_these_are_used(folder, tmp_path, monkeypatch):
    from fieldmarks import rules

    own = tmp_path / "varieties.toml"
    own.write_text(
        '[varieties.dusk]\nname = "dusk"\nseries = "green"\nlook = "Less black."\n'
        'reason = "Less black."\nevidence = "made up"\naliases = ["pale"]\n'
    )
    judge = ("assess", folder / "good.jpg", "--as", "csv")
    assert run("--more-tables", tmp_path, *judge).stderr == ""
    own.write_text(own.read_text().replace('"pale"', '"lutino"'))
    done = run("--more-tables", tmp_path, *judge)
    assert done.returncode == 0
    assert done.stderr == (
        "Your tables are used as they stand. Faults found in them: 1. To see them: "
        f'fieldmarks check-tables "{tmp_path}"\n'
    )
    seen = run("check-tables", tmp_path)
    assert seen.returncode == 2
    assert seen.stderr.startswith("varieties.toml, varieties.dusk.aliases: the name 'lutino' is")
    # Nobody waits for the check without tables of his own.
    monkeypatch.setattr(rules, "validate_tables", None)
    assert run(*judge).stderr == ""


def test_files_of_the_folder_that_are_not_read_are_named(tmp_path):
    (tmp_path / "guide").mkdir()
    (tmp_path / "guide" / "bird.toml").write_text("rubbish[")
    (tmp_path / "signs.toml.txt").write_text("")
    (tmp_path / "notes.txt").write_text("")
    done = run("check-tables", tmp_path)
    assert done.returncode == 0
    named, rest = done.stderr.splitlines()
    assert named.startswith("Not read: guide/bird.toml, signs.toml.txt. ")
    assert "guide and places are those of the program" in named
    assert rest == "All that are read are in order."
    assert "Faults found in them: 1." in run("--more-tables", tmp_path, "version").stderr


def test_two_birds_of_one_photo_keep_a_record_each(folder, tmp_path):
    drawn = (folder / "good.regions.json").read_text()
    for name in ("left", "right"):
        regions = tmp_path / f"{name}.regions.json"
        regions.write_text(drawn)
        done = run("assess", folder / "good.jpg", "--regions", regions, "--into", tmp_path / "out")
        assert done.returncode == 0, done.stderr
    run("assess", folder / "good.jpg", "--into", tmp_path / "out")
    found = sorted(p.name for p in (tmp_path / "out").glob("*.record.json"))
    assert found == ["good.record.json", "left.record.json", "right.record.json"]
    assert len(list((tmp_path / "out").iterdir())) == 3 * 4


def test_a_demo_bird_is_assessed_and_an_unknown_one_is_answered_with_those_there_are():
    from fieldmarks.pipeline import demo_birds

    done = run("demo", "personatus_orange_collar", "--as", "csv")
    assert done.returncode == 0
    assert done.stderr.startswith("Invented bird: ")
    assert done.stdout.splitlines()[0].startswith("photo,sha256,variety,age,species,")
    listed = run("demo", "list").stdout
    assert all(f"{name}: " in listed for name in demo_birds())
    wrong = run("demo", "dodo")
    assert wrong.returncode == 2
    assert "no demo bird 'dodo'" in wrong.stderr
    assert "personatus_clean" in wrong.stderr


def test_the_regions_are_drawn_on_a_copy_of_the_photo(folder, tmp_path):
    from PIL import Image

    done = run("draw", folder / "good.jpg", tmp_path / "drawn.png")
    assert done.returncode == 0, done.stderr
    with Image.open(tmp_path / "drawn.png") as drawn, Image.open(folder / "good.jpg") as photo:
        assert drawn.format == "PNG"
        assert drawn.size[0] >= photo.size[0]
        assert drawn.convert("RGB").tobytes() != photo.convert("RGB").tobytes()


def test_a_photo_given_twice_counts_once(folder, tmp_path):
    done = run("assess", folder / "good.jpg", folder / "good.jpg", "--into", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "good.jpg was given twice; it counts once." in done.stderr
    found = sorted(p.name for p in (tmp_path / "out").glob("*.record.json"))
    assert found == ["good.record.json"]


def test_version_and_schema_are_printed_as_the_program_writes_them(folder):
    import json

    import jsonschema

    from fieldmarks import __version__

    assert run("version").stdout.startswith(f"fieldmarks {__version__}, tables ")
    schema = json.loads(run("schema", "record").stdout)
    record = json.loads(run("assess", folder / "good.jpg", "--as", "json").stdout)
    jsonschema.validate(record, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**record, "measurement": {}}, schema)


def test_a_stopped_program_and_a_fault_of_its_own_end_in_one_line(monkeypatch):
    from fieldmarks.cli import main as commands

    for raised, code, words in (
        (KeyboardInterrupt(), 130, "what was finished is kept"),
        (RuntimeError("a\nb"), 1, "an unexpected fault (RuntimeError: a b)"),
    ):

        def fail(standalone_mode, raised=raised):
            raise raised

        monkeypatch.setattr(commands, "app", fail)
        done = run("version")
        assert done.returncode == code
        assert words in done.stderr
        assert len(done.stderr.splitlines()) == 1
