"""Read the table files, merge them and check each row."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import platformdirs
from pydantic import BaseModel, ValidationError

from fieldmarks._util.errors import TableError
from fieldmarks._util.sanitize import is_harmless, plain
from fieldmarks.rules import checks, schema, swatches
from fieldmarks.rules.checks import Problem
from fieldmarks.rules.tables import Tables

KINDS: dict[str, type[BaseModel]] = {
    "marks": schema.Mark,
    "swatches": schema.Swatch,
    "species": schema.Species,
    "varieties": schema.Variety,
    "ages": schema.Age,
    "relations": schema.RelationKind,
    "tints": schema.Tint,
    "signs": schema.Sign,
    "cautions": schema.Caution,
}
SPECIES_FOLDER, SIGN_FOLDER = "species", "signs"


@dataclass
class _Sheet:
    """Rows of all files as read, each with the file it came from, and the problems met."""

    rows: dict[str, dict[str, tuple[str, dict[str, Any]]]] = field(
        default_factory=lambda: {kind: {} for kind in KINDS}
    )
    makeup: list[tuple[str, int, Any]] = field(default_factory=list)
    version: str = ""
    problems: list[Problem] = field(default_factory=list)
    digest: Any = field(default_factory=hashlib.sha256)
    files: list[str] = field(default_factory=list)

    def report(self, file: str, row: str, wrong: str, mend: str) -> None:
        self.problems.append(Problem(file, row, wrong, mend))

    def read(self, path: Path, folder: Path) -> None:
        name = path.relative_to(folder).as_posix()
        try:
            raw = path.read_bytes()
            data = tomllib.loads(raw.decode("utf-8"))
        except OSError as error:
            self.report(name, "", f"cannot be opened ({error.strerror})", "Check the file")
            return
        except (ValueError, RecursionError) as error:
            self.report(name, "", f"this is not TOML: {error}", "Correct the line named")
            return
        odd = _harmful(data)
        if odd:
            self.report(name, odd[:80], "it holds signs that cannot be seen", "Write it again")
            return
        self.files.append(name)
        self.digest.update(name.encode() + b"\0" + hashlib.sha256(raw).digest())
        if path.parent.name == SPECIES_FOLDER:
            self.rows["species"][data.get("key", path.stem)] = (name, data)
        else:
            self._take_tables(name, data)

    def _take_tables(self, name: str, data: dict[str, Any]) -> None:
        for kind, content in data.items():
            if kind == "version":
                self.version = str(content)
            elif kind == "makeup" and isinstance(content, list):
                self.makeup += [(name, n, row) for n, row in enumerate(content, start=1)]
            elif kind in KINDS and kind != "species" and isinstance(content, dict):
                for key, row in content.items():
                    if isinstance(row, dict):
                        self.rows[kind][key] = (name, {"key": key, **row})
                    else:
                        self.report(name, f"{kind}.{key}", "this is no row", "Make it a table")
            else:
                known = sorted(set(KINDS) - {"species"} | {"makeup", "version"})
                self.report(name, kind, "there is no such table", _nearest(kind, known))


def shipped_folders() -> tuple[Path, Path]:
    """Folders of the shipped tables and of the shipped swatches."""
    return Path(__file__).resolve().parent.parent / "data", swatches.swatch_folder()


def own_swatch_folder() -> Path:
    """Where a keeper's own learned swatches live on this computer."""
    return Path(platformdirs.user_data_dir("fieldmarks", appauthor=False)) / "swatches"


def load_rules(extra: str | Path | None = None, own_swatches: bool = False) -> Tables:
    """Read all rule tables.

    Args:
        extra: Folder with further table files; species files go into its ``species`` folder, signs
            may go into its ``signs`` folder. A row with a key already in use replaces the shipped
            one.
        own_swatches: Let the swatches that the keeper learned on this computer replace the shipped
            ones. Never unless asked for, because the numbers then depend on the computer.

    Raises:
        TableError: A row is wrong; names the first and says how many more there are.
    """
    own = own_swatch_folder() if own_swatches else None
    own = own if own is not None and any(own.glob("*.toml")) else None
    if extra is None and own is None:
        return _shipped()
    if extra is not None and not Path(extra).is_dir():
        raise TableError("there is no such folder", where=str(extra), mend="Check its name")
    return _whole(*(Path(folder) for folder in (extra, own) if folder is not None))


@lru_cache(maxsize=1)
def _shipped() -> Tables:
    return _whole()


def _whole(*more: Path) -> Tables:
    tables, problems = assemble((*shipped_folders(), *more))
    if tables is None:
        first, others = problems[0], len(problems) - 1
        mend = first.mend + (f" ({others} more rows are wrong)" if others else "")
        raise TableError(first.wrong, where=first.place, mend=mend)
    return tables


def validate_tables(folder: Path | None = None) -> list[Problem]:
    """Every problem of the shipped tables together with a folder of further files.

    Returns:
        Empty when all is well; each says file, row, what is wrong and the mend.
    """
    if folder is not None and not Path(folder).is_dir():
        return [Problem(str(folder), "", "there is no such folder", "Check its name")]
    if folder is not None and not any(Path(folder).rglob("*.toml")):
        return [Problem(str(folder), "", "no table file (.toml) lies in it", "Check its name")]
    folders = [*shipped_folders(), *([Path(folder)] if folder is not None else [])]
    tables, problems = assemble(folders)
    return problems if tables is None else checks.check_sense(tables)


def assemble(folders: Iterable[Path]) -> tuple[Tables | None, list[Problem]]:
    """Read, merge and check; the tables are None when there are problems."""
    sheet = _Sheet()
    for folder in folders:
        # Other sub-folders hold data that are no rule tables.
        for place in (folder, folder / SPECIES_FOLDER, folder / SIGN_FOLDER):
            for path in sorted(place.glob("*.toml")):
                sheet.read(path, folder)
    origin: dict[tuple[str, str], str] = {}
    built: dict[str, dict[str, Any]] = {}
    for kind, rows in sheet.rows.items():
        built[kind] = {}
        for key, (file, content) in rows.items():
            origin[kind, key] = file
            label = "" if kind == "species" else f"{kind}.{key}"
            row = _build(KINDS[kind], content, file, label, sheet.problems)
            if row is not None:
                built[kind][key] = row
    rules = [
        _build(schema.MakeUpRule, content, file, f"makeup {number}", sheet.problems)
        for file, number, content in sheet.makeup
    ]
    if sheet.problems:
        return None, sheet.problems
    built["varieties"].update(_combined(built["varieties"], sheet.problems, origin))
    if sheet.problems:
        return None, sheet.problems
    for kind in ("species", "varieties", "cautions"):
        built[kind] = dict(sorted(built[kind].items(), key=lambda item: item[1].order))
    tables = Tables(
        **built,
        makeup=tuple(rules),
        version=sheet.version,
        fingerprint=sheet.digest.hexdigest(),
        files=tuple(sheet.files),
    )
    problems = checks.check_references(tables, origin)
    return (None, problems) if problems else (tables, [])


def _combined(
    rows: dict[str, schema.Variety], problems: list[Problem], origin: dict[tuple[str, str], str]
) -> dict[str, schema.Variety]:
    """The varieties that ``also_in`` makes of two: the other's changes first, then one's own."""
    made = {}
    for key, own in rows.items():
        for place, with_key in enumerate(own.also_in, start=1):
            other, both = rows.get(with_key), f"{key}_{with_key}"
            if other is None:
                where, wrong = f"varieties.{key}.also_in", f"there is no variety {with_key!r}"
                problems.append(
                    Problem(origin["varieties", key], where, wrong, _nearest(with_key, list(rows)))
                )
                continue
            if both in rows:
                continue
            origin["varieties", both] = origin["varieties", key]
            made[both] = own.model_copy(
                update={
                    "key": both,
                    "name": f"{own.name}, {other.name.removeprefix('green, ')}",
                    "aliases": tuple(
                        f"{one} {two}"
                        for one in (own.name, *own.aliases)
                        for two in (other.name, *other.aliases)
                    ),
                    "series": other.series if own.series == "green" else own.series,
                    "look": f"{own.look} Without that: {other.look[:1].lower()}{other.look[1:]}",
                    "operations": (*other.operations, *own.operations),
                    "patches": (*other.patches, *own.patches),
                    "turns": {**other.turns, **own.turns},
                    "reason": f"{other.reason} {own.reason}",
                    "order": own.order * 100 + place,
                    "also_in": (),
                    "parts": (with_key, key),
                }
            )
    return made


def _harmful(content: Any) -> str:
    """Key of the first text with control characters or direction marks in it, or empty."""
    rows = content.items() if isinstance(content, dict) else enumerate(content, start=1)
    for key, value in rows:
        if not is_harmless(str(key)) or (isinstance(value, str) and not is_harmless(value)):
            return plain(key, 60)
        below = _harmful(value) if isinstance(value, dict | list) else ""
        if below:
            return f"{key}.{below}"
    return ""


def _build(
    model: type[BaseModel], content: Any, file: str, label: str, problems: list[Problem]
) -> Any:
    try:
        return model.model_validate(content)
    except ValidationError as error:
        problems += [Problem(file, *cell) for cell in _explain(error, label)]
        return None


def _explain(error: ValidationError, label: str) -> Iterator[tuple[str, str, str]]:
    """Row, what is wrong and the mend, for each fault pydantic met."""
    for fault in error.errors(include_url=False):
        place = ".".join(str(part) for part in (label, *fault["loc"]) if part != "")
        name = str(fault["loc"][-1]) if fault["loc"] else ""
        message = fault["msg"].removeprefix("Value error, ")
        wrong, mend = message[:1].lower() + message[1:], "Correct it"
        if fault["type"] == "extra_forbidden":
            wrong, mend = f"{name!r} is not known here", _nearest(name, _known_words())
        elif fault["type"] == "missing":
            wrong, mend = f"{name!r} is missing", "Add it"
        elif fault["type"] == "literal_error":
            expected = fault.get("ctx", {}).get("expected", "")
            wrong, mend = f"{fault['input']!r} is not allowed", f"Use {expected}"
        elif fault["type"] != "value_error":
            wrong = f"{wrong}; it holds {fault['input']!r}"
        yield place, wrong, mend


def _known_words() -> set[str]:
    rows = (row for row in vars(schema).values() if isinstance(row, type))
    return {name for row in rows if issubclass(row, schema.Row) for name in row.model_fields}


def _nearest(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"Did you mean {near[0]!r}?" if near else "Remove it, or see the shipped files"
