"""Writes the published schemas anew: ``python docs/write_schemas.py``."""

from pathlib import Path

from fieldmarks.birds.schemas import schema_text, schemas

for name in schemas():
    file = Path(__file__).with_name("schemas") / f"{name}.schema.json"
    file.write_text(schema_text(name), encoding="utf-8")
