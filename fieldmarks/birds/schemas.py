"""JSON Schemas (2020-12) of all that goes out and comes in; ``docs/schemas`` publishes them."""

import json
from functools import cache
from typing import Any

from pydantic import TypeAdapter

from fieldmarks.birds.archive import Manifest
from fieldmarks.birds.collection import CSV_COLUMNS
from fieldmarks.birds.dossier import dossier_schema
from fieldmarks.birds.model import FOLDERS, RING_KINDS, SEXES, STATUSES
from fieldmarks.birds.signature import Signature
from fieldmarks.record import Examination, Record, record_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_DAY, _COUNT = r"^(\d{4}-\d\d-\d\d)?$", r"^\d+$"
_CELLS: dict[str, dict[str, Any]] = {
    "name": {"minLength": 1},
    "ring kind": {"enum": list(RING_KINDS)},
    "ring year": {"pattern": r"^(\d{4})?$"},
    "hatched": {"pattern": _DAY},
    "hatch date is": {"enum": ["exact", "estimate"]},
    "sex": {"enum": list(SEXES)},
    "status": {"enum": list(STATUSES)},
    "last look": {"pattern": _DAY},
    "signs seen": {"pattern": _COUNT},
    "open doubts": {"pattern": _COUNT},
    "look due": {"pattern": _DAY},
}


@cache
def schemas() -> dict[str, dict[str, Any]]:
    """Schema by the name of what it describes."""
    kinds = {name: TypeAdapter[Any](kind).json_schema(mode="serialization")
             for name, kind in FOLDERS.items()}  # fmt: skip
    cells = {name: {"type": "string", **_CELLS.get(name, {})} for name in CSV_COLUMNS}
    made = {
        "record": record_schema(Record),
        "examination": record_schema(Examination),
        "export": {"$defs": kinds},
        "dossier": dossier_schema(),
        "signature": Signature.model_json_schema(),
        "manifest": Manifest.model_json_schema(),
        # of a row as CSV, its cells by the names in the first row
        "list": {"type": "object", "properties": cells, "required": list(CSV_COLUMNS)},
    }
    return {name: {"$schema": DIALECT, "title": f"fieldmarks {name}", **schema}
            for name, schema in made.items()}  # fmt: skip


def schema_text(name: str) -> str:
    """One of them as JSON text."""
    return json.dumps(schemas()[name], indent=1) + "\n"
