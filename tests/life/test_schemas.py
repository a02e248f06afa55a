"""Everything that goes out keeps to the schemas that are published beside the documentation."""

import csv
import io
import json
import zipfile
from datetime import date
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

from fieldmarks.birds.collection import Filter, collection_csv
from fieldmarks.birds.exchange import export_store
from fieldmarks.birds.schemas import schema_text, schemas
from fieldmarks.birds.service import make_dossier
from fieldmarks.cli.main import app

PUBLISHED = Path(__file__).parents[2] / "docs" / "schemas"


def keeps_to(name, thing):
    jsonschema.Draft202012Validator(schemas()[name]).validate(thing)


def without_words(part):
    """A schema as far as it decides anything: its descriptions are the docstrings of the code."""
    if isinstance(part, dict):
        return {k: without_words(v) for k, v in part.items() if k != "description"}
    return [without_words(v) for v in part] if isinstance(part, list) else part


@pytest.mark.parametrize("name", schemas())
def test_what_is_published_is_what_the_program_goes_by(name):
    """Written anew with: python docs/write_schemas.py"""
    jsonschema.Draft202012Validator.check_schema(schemas()[name])
    published = json.loads((PUBLISHED / f"{name}.schema.json").read_text(encoding="utf-8"))
    assert without_words(published) == without_words(json.loads(schema_text(name)))
    assert CliRunner().invoke(app, ["schema", name]).output == schema_text(name)


def test_a_dossier_and_an_export_keep_to_their_schemas(club, tables, tmp_path, monkeypatch):
    monkeypatch.setenv("FIELDMARKS_KEY", str(tmp_path / "key.pem"))
    store, made = club
    bird = made.birds["Quill"]
    make_dossier(store, bird, store.entries(bird.id)[:1], tables, tmp_path / "d.zip")
    with zipfile.ZipFile(tmp_path / "d.zip") as packed:
        told = {name: packed.read(name) for name in packed.namelist() if name.endswith(".json")}
    for name in ("dossier", "signature", "manifest"):
        keeps_to(name, json.loads(told[f"{name}.json"]))
    keeps_to("record", json.loads(told["looks/1.record.json"]))
    export_store(store, tmp_path / "e.zip")
    with zipfile.ZipFile(tmp_path / "e.zip") as packed:
        assert json.loads(packed.read("schema.json"))["$defs"] == schemas()["export"]["$defs"]
        keeps_to("manifest", json.loads(packed.read("manifest.json")))


def test_every_row_of_the_list_keeps_to_its_schema(club):
    text = collection_csv(club[0], Filter(with_gone=True), date(2026, 3, 1))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 40
    for row in rows:
        keeps_to("list", row)


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("list", {"name": "Pip"}),
        ("manifest", {"format": "another", "edition": 1, "files": {}}),
        ("signature", {"public_key": "no", "signature": ""}),
        ("dossier", {"bird": {"name": "Pip", "notes": "private"}}),
        ("record", {"layout": 2}),
    ],
)
def test_a_schema_refuses_what_is_something_else(name, wrong):
    with pytest.raises(jsonschema.ValidationError):
        keeps_to(name, wrong)
