"""Commands that README.md and DEVELOPERS.md tell people to type exist, with the options given."""

import importlib.util
import json
import re
from pathlib import Path

import pytest
import typer

import fieldmarks as fm
from fieldmarks import __version__
from fieldmarks.cli.main import app
from fieldmarks.measure.region import Ellipse, Line, Polygon, Region
from fieldmarks.measure.region_file import region_set_from_text, to_annotations
from fieldmarks.pipeline import demo_birds
from fieldmarks.rules import validate_tables

ROOT = Path(__file__).parents[1]
TEXT = "\n".join(
    (ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")
)
BLOCKS = re.findall(r"^```sh\n(.*?)^```", TEXT, re.DOTALL | re.MULTILINE)
LINES = [line for block in BLOCKS for line in block.splitlines() if line.strip()]
CODE = [" ".join(code.split()) for code in re.findall(r"(?<!`)`([^`]+)`(?!`)", TEXT)]
TYPED = [re.sub(r"\s+#.*", "", text) for text in (*LINES, *CODE)]


def parts(pattern):
    found = {
        part.strip() for text in TYPED for part in text.split("&&") if re.search(pattern, part)
    }
    return sorted(found)


def words_after(text, word):
    return re.split(rf"(?:^|[\s/]){word}\s+", text, maxsplit=1)[1].split()


@pytest.mark.parametrize("text", parts(r"(?:^|bin/)fieldmarks\s+[a-z-]"))
def test_a_command_of_the_program_exists_with_its_options(text):
    command, given = typer.main.get_command(app), words_after(text, "fieldmarks")
    options = {"--help"} | {name for p in command.params for name in p.opts}
    for word in given:
        if word.startswith("-"):
            assert word in options, f"{text}: no option {word}"
        elif getattr(command, "commands", None):
            if word in command.commands:
                command = command.commands[word]
                options |= {name for p in command.params for name in p.opts}
            else:
                assert {"--store", "--more-tables"} & set(given), (
                    f"{text}: no command {word}"
                )  # its folder
    assert not getattr(command, "commands", None) or "--help" in given, text


@pytest.mark.parametrize("text", parts(r"(?:^|[\s/])python3? "))
def test_a_python_program_or_module_exists(text):
    given = words_after(text, "python3?")
    if given[0] == "-m":
        assert importlib.util.find_spec(given[1]), given[1]
        files = [word for word in given[2:] if word.endswith(".py")]
    else:
        files = [given[0]]
    for name in files:
        assert (ROOT / name).is_file(), name


SOURCES = [*(ROOT / "fieldmarks").rglob("*.py"), ROOT / "app.py"]
SAID = sorted(
    {
        said
        for path in SOURCES
        for text in re.sub(r'"\n\s*f?"', "", path.read_text(encoding="utf-8")).splitlines()
        for said in re.findall(r"fieldmarks ((?:bird|light|swatch) [a-z-]+)", text)
    }
)


@pytest.mark.parametrize("said", SAID)
def test_a_command_that_the_program_itself_names_exists(said):
    group, name = said.split()
    commands = typer.main.get_command(app).commands[group].commands
    assert name in commands, said


def test_the_program_names_commands():
    assert len(SAID) >= 3


def test_the_documents_tell_people_to_type_something():
    assert len(parts(r"(?:^|bin/)fieldmarks\s+[a-z-]")) >= 12
    assert len(parts(r"(?:^|[\s/])python3? ")) >= 6


@pytest.mark.parametrize("link", sorted(set(re.findall(r"\]\((?!http)([^)#]+)\)", TEXT))))
def test_a_file_that_is_linked_to_is_there(link):
    assert (ROOT / link).exists()


def test_all_documents_name_this_version():
    assert f"\nversion: {__version__}\n" in (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.findall(r"^## (.+)$", changes, re.MULTILINE)[0] == __version__


def test_the_region_file_shown_is_one_as_the_program_writes_it():
    text = (ROOT / "docs" / "formats.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"^```json\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    page = region_set_from_text(shown)
    corners = ((1000, 900), (1200, 900), (1200, 1000))
    assert (page.photo, page.width, page.height) == ("bird.jpg", 4032, 3024)
    assert [(r.mark, r.value) for r in page.regions] == [("collar", None), ("card", 0.18)]
    assert page.regions[0].shape == Polygon(corners)
    assert to_annotations(page) == json.loads(shown)
    (others,) = re.findall(r"^```xml\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    shapes = (Ellipse(1343.4, 417.5, 103.9, 97.9, 2.0), Line((300.0, 2800.0), (900.0, 2810.0)))
    for line, shape in zip(others.splitlines(), shapes, strict=True):
        # What is called optional is left out.
        selector = {"type": "SvgSelector", "value": line}
        body = {"purpose": "tagging", "value": "scale"}
        least = json.dumps({"items": [{"body": body, "target": {"selector": selector}}]})
        assert region_set_from_text(least).regions == (Region("1", "scale", shape),)
        written = to_annotations(region_set_from_text(least))
        assert written["items"][0]["target"]["selector"]["value"] == line


DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_a_class_named_on_the_road_of_colours_and_photos_is_there():
    (table,) = re.findall(r"^\| step \|.*?\n\n", DEVELOPERS, re.DOTALL | re.MULTILINE)
    classes = {
        name
        for path in SOURCES
        for name in re.findall(r"^class (\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    named = re.findall(r"`(_?[A-Z]\w*)`", table)
    assert "Record" in named
    assert set(named) <= classes


def test_the_invented_species_for_contributors_passes_every_check(tmp_path, monkeypatch, capsys):
    """Word for word: its five files, then the notebook lines that use them."""
    monkeypatch.chdir(tmp_path)
    files = re.findall(r"^```toml\n# (mine/\S+)\n(.*?)^```", DEVELOPERS, re.DOTALL | re.MULTILINE)
    assert len(files) == 5
    for name, text in files:
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(name).write_text(text, encoding="utf-8")
    assert validate_tables(Path("mine")) == []
    added = fm.load_rules("mine")
    assert "aurora" in added.species
    assert "thigh" in added.species["aurora"].marks
    (lines,) = re.findall(r"```python\n(import fieldmarks as fm\n.*?)```", DEVELOPERS, re.DOTALL)
    (tmp_path / "demo_images").symlink_to(demo_birds()["personatus_orange_collar"].parent)
    names = {}
    exec(lines, names)  # our own page
    said = capsys.readouterr().out
    assert "aurora" in said
    assert str(names["reading"].expanded) in said
    assert len([line for line in lines.splitlines() if line]) <= 7
    (own,) = re.findall(r"```python\n(from fieldmarks.*?)```", DEVELOPERS, re.DOTALL)
    exec(own, names)
    assert set(names["record"].readings) == {"collar"}
    assert names["record"].measurement.calibration.calibrated
