"""Read the table files, merge them, and check each row and that rows agree with each other."""

import difflib
import hashlib
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from fieldmarks._util.errors import TableError, told_if_not_opened
from fieldmarks._util.sanitize import is_harmless, plain
from fieldmarks._util.user_folder import user_folder
from fieldmarks.rules import plumage, schema, swatches
from fieldmarks.rules.tables import Tables, names_of

NAME_IT = "Name the folder of your tables"
KINDS = ("marks", "swatches", "species", "varieties", "ages", "relations", "tints", "signs",
         "cautions", "makeup", "version")  # fmt: skip
SPECIES_FOLDER, SIGN_FOLDER = "species", "signs"
LARGE = 2**15  # bytes; a larger table file is not kept in memory
Ordered = TypeVar("Ordered", schema.Species, schema.Variety, schema.Caution)


def shipped_folders() -> tuple[Path, Path]:
    """Folders of the shipped tables and of the shipped swatches."""
    return Path(__file__).resolve().parent.parent / "data", swatches.swatch_folder()


def own_swatch_folder() -> Path:
    """Where a keeper's own learned swatches live on this computer."""
    return user_folder() / "swatches"


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
    if extra is not None and (wrong := _no_folder(Path(extra))):
        raise wrong
    own = own_swatch_folder() if own_swatches else None
    own = own if own is not None and any(own.glob("*.toml")) else None
    more = [Path(folder) for folder in (extra, own) if folder is not None]
    return _whole(*more) if more else _shipped()


def _no_folder(place: Path) -> TableError | None:
    """What is wrong with a place that is no folder."""
    if place.is_dir():
        return None
    wrong = "this is a file" if place.exists() else "there is no such folder"
    return TableError(wrong, where=str(place), mend=NAME_IT)


@lru_cache(maxsize=1)
def _shipped() -> Tables:
    return _whole()


def _whole(*more: Path) -> Tables:
    tables, problems = assemble((*shipped_folders(), *more))
    if tables is None:
        first, others = problems[0], len(problems) - 1
        mend = first.mend + (f" ({others} more rows are wrong)" if others else "")
        raise TableError(first.problem, where=first.where, mend=mend)
    return tables


def validate_tables(folder: Path | None = None) -> list[TableError]:
    """Every problem of the shipped tables together with a folder of further files.

    Each says file and row, what is wrong and the mend.
    """
    if folder is not None and not any(Path(folder).rglob("*.toml")):
        empty = TableError("no table file (.toml) lies in it", where=str(folder), mend=NAME_IT)
        return [_no_folder(Path(folder)) or empty]
    folders = [*shipped_folders(), *([Path(folder)] if folder is not None else [])]
    return assemble(folders, sense=True)[1]


def not_read(folder: Path) -> list[str]:
    """Files of a folder that look like tables and are not read, by their place in it."""
    near = {*folder.glob("*"), *folder.glob("*/*")} - {*_files(folder)}
    found = (path for path in near if ".toml" in path.name.lower() and path.is_file())
    return sorted(path.relative_to(folder).as_posix() for path in found)


def _files(folder: Path) -> Iterator[Path]:
    """Table files; other sub-folders hold data that are no rule tables."""
    for within in (folder, folder / SPECIES_FOLDER, folder / SIGN_FOLDER):
        yield from sorted(within.glob("*.toml"))


def assemble(
    folders: Iterable[Path], sense: bool = False
) -> tuple[Tables | None, list[TableError]]:
    """Read, merge and check; the tables are None when there are problems.

    Args:
        sense: Look for faults of sense, too, with which tables can still be used.
    """
    problems: list[TableError] = []
    rows: dict[str, dict[str, Any]] = {kind: {} for kind in KINDS}
    origin: dict[tuple[str, str], tuple[str, str]] = {}  # kind, key -> file, row as it is called
    digest, files = hashlib.sha256(), []
    for folder in folders:
        for path in _files(folder):
            name = path.relative_to(folder).as_posix()
            try:
                raw, data = _read(path, name)
            except TableError as error:
                problems.append(error)
                continue
            if path.parent.name != SPECIES_FOLDER and {"scientific", "facts"} & data.keys():
                wrong, mend = "this is a species", f"Put it into the folder {SPECIES_FOLDER}"
                problems.append(TableError(wrong, where=name, mend=mend))
                continue
            files.append(name)
            digest.update(name.encode() + b"\0" + hashlib.sha256(raw).digest())
            for kind, key, row_name, row in _rows(path, data):
                if kind in rows:
                    rows[kind][key] = row
                    origin.pop((kind, key), None)  # what was read last comes last
                    origin[kind, key] = name, row_name
                else:
                    mend = _nearest(row_name, (k for k in KINDS if k != "species"))
                    where = f"{name}, {row_name}"
                    problems.append(TableError("there is no such table", where=where, mend=mend))
    # Under "version" lies one text, under the key "", or nothing.
    makeup, version = rows.pop("makeup"), "".join(rows.pop("version").values())
    keys = {kind: set(found) for kind, found in rows.items()}
    keys["single varieties"] = keys["varieties"]
    keys["varieties"] = keys["varieties"] | {
        f"{key}_{other}"
        for key, row in rows["varieties"].items()
        if isinstance(row, dict) and isinstance(row.get("also_in"), list)
        for other in row["also_in"]
    }
    read = {**rows, "makeup": [*makeup.values()], "version": version, "files": files}
    try:
        tables = TypeAdapter(Tables).validate_python(
            {**read, "fingerprint": digest.hexdigest()},
            # That a key is missing may come of what could not be read.
            context=None if problems else keys,
        )
    except ValidationError as error:
        for fault in error.errors(include_url=False):
            if fault["type"] == "too_short" and fault["input"]:
                continue  # what it holds was refused, and is told
            kind, at, *cell = map(str, fault["loc"])
            file, row_name = origin[kind, [*makeup][int(at)] if kind == "makeup" else at]
            place = ".".join(part for part in (row_name, *cell) if part not in ("", "[key]"))
            wrong, mend = _explain(fault)
            problems.append(TableError(wrong, where=f"{file}, {place}", mend=mend))
    if problems:
        return None, problems
    whole = replace(
        tables,
        species=_in_order(tables.species),
        varieties=_in_order({**tables.varieties, **_combined(tables.varieties)}),
        cautions=_in_order(tables.cautions),
    )
    problems = _doubles(whole) or (_check_sense(whole, origin) if sense else [])
    return (None, problems) if problems else (whole, [])


def _read(path: Path, name: str) -> tuple[bytes, dict[str, Any]]:
    with told_if_not_opened(name, "Check the file", TableError):
        raw = path.read_bytes()
    try:
        data, odd = (_parsed if len(raw) < LARGE else _parsed.__wrapped__)(raw)
    except (ValueError, RecursionError) as error:
        wrong = f"this is not TOML: {error}"
        raise TableError(wrong, where=name, mend="Correct the line named") from None
    if odd:
        wrong = "it holds signs that cannot be seen"
        raise TableError(wrong, where=f"{name}, {odd[:80]}", mend="Write it again")
    return raw, data


@lru_cache(maxsize=64)  # most files are read again with every other folder
def _parsed(raw: bytes) -> tuple[dict[str, Any], str]:
    """A file's content, and the first key with harmful signs in it."""
    data = tomllib.loads(raw.decode("utf-8"))
    return data, _harmful(data)


def _rows(path: Path, data: dict[str, Any]) -> Iterator[tuple[str, str, str, Any]]:
    """Kind, key, what it is called in its file and content of each row."""
    if path.parent.name == SPECIES_FOLDER:
        yield "species", str(data.get("key", path.stem)), "", data
        return
    for kind, content in data.items():
        if kind == "makeup" and isinstance(content, list):
            for number, row in enumerate(content, start=1):
                yield kind, f"{path} {number}", f"{kind} {number}", row
        elif kind in KINDS and kind not in ("species", "version") and isinstance(content, dict):
            for key, row in content.items():
                whole = {"key": key, **row} if isinstance(row, dict) else row
                yield kind, key, f"{kind}.{key}", whole
        else:
            # A species is a file of its own. As a text, what is no table fails as a row.
            yield "" if kind == "species" else kind, "", kind, str(content)


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


def _in_order(rows: Mapping[str, Ordered]) -> dict[str, Ordered]:
    return dict(sorted(rows.items(), key=lambda item: item[1].order))


def _combined(rows: Mapping[str, schema.Variety]) -> dict[str, schema.Variety]:
    """The varieties that ``also_in`` makes of two: the other's changes first, then one's own."""
    made = {}
    for key, own in rows.items():
        for place, with_key in enumerate(own.also_in, start=1):
            other, both = rows[with_key], f"{key}_{with_key}"
            if both in rows:
                continue
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


def _explain(fault: ErrorDetails) -> tuple[str, str]:
    """What is wrong and the mend, for a fault pydantic met."""
    name, kind, about = str(fault["loc"][-1]), fault["type"], fault.get("ctx", {})
    message = fault["msg"].removeprefix("Value error, ")
    wrong = message[:1].lower() + message[1:]
    if kind == "extra_forbidden":
        rows = (row for row in vars(schema).values() if isinstance(row, type))
        words = {w for row in rows if issubclass(row, schema.Row) for w in row.model_fields}
        elsewhere = "It is a word of other rows: see the shipped files"
        return f"{name!r} is not known here", elsewhere if name in words else _nearest(name, words)
    if kind == "missing":
        return f"{name!r} is missing", "Add it"
    if kind == "literal_error":
        return f"{fault['input']!r} is not allowed", f"Use {about['expected']}"
    if kind == "too_short":
        return "it is empty", "Give at least one"
    if kind == "model_type":
        return "this is no row", "Make it a table"
    if kind == "value_error":
        error = about["error"]
        known = isinstance(error, TableError)
        return (error.problem, error.mend) if known else (wrong, "Correct it")
    return f"{wrong}; it holds {fault['input']!r}", "Correct it"


def _nearest(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"Did you mean {near[0]!r}?" if near else "Remove it, or see the shipped files"


def _doubles(tables: Tables) -> list[TableError]:
    """Make-ups for which two rules say different things, and keys of a mark and a relation.

    What is counted of a mark would else pass for the relation of that key.
    """
    problems = [
        TableError(
            f"two rules for {', '.join(cell)}",
            where=f"makeup.toml, {rule.ground}",
            mend="Keep one of them",
        )
        for rule in tables.makeup
        for cell in rule.cells()
        if tables.makeup_index[cell].swatches != rule.swatches
    ]
    shared = [key for key in tables.marks if key in tables.relations]
    wrong, mend = "a mark and a relation have one key", "Give the mark another key"
    return problems + [TableError(wrong, where=f"marks.{key}", mend=mend) for key in shared]


def _check_sense(
    tables: Tables, origin: Mapping[tuple[str, str], tuple[str, str]]
) -> list[TableError]:
    """Faults of sense in tables that can be read.

    Stated and derived colours that disagree, make-ups that no rule covers in some variety, and what
    two rows have that only one may have.
    """
    problems = [*_shared(tables, origin)]
    sound = set()
    for key, species in tables.species.items():
        for mark, row in species.marks.items():
            where = f"{origin['species', key][0]}, marks.{mark}"
            made = (row.ground or tables.marks[mark].kind, row.makeup, row.extra)
            try:
                for variety in tables.varieties if made not in sound else ():
                    for age in tables.ages:
                        plumage.derive(tables, row, mark, variety, age)
                sound.add(made)
                strays = plumage.disagreeing_swatches(tables, key, mark)
            except TableError as error:
                wrong, mend = error.problem, error.mend
                problems.append(TableError(wrong, where=f"{where}.makeup", mend=mend))
                continue
            if strays and not row.differs:
                derived, _ = plumage.derive(tables, row, mark, "green", "adult")
                wrong = (
                    f"the row says {', '.join(row.swatches)}, its make-up gives "
                    f"{', '.join(derived)}; too far from the other's: {', '.join(strays)}"
                )
                mend = "Correct the make-up or the row, or give the reason in 'differs'"
                problems.append(TableError(wrong, where=f"{where}.swatches", mend=mend))
    return problems


def _shared(
    tables: Tables, origin: Mapping[tuple[str, str], tuple[str, str]]
) -> Iterator[TableError]:
    """Names by which two rows go, so that neither is found, and places that two species have."""
    for kind in ("species", "varieties", "ages"):
        rows = getattr(tables, kind)
        seen: dict[str, str] = {}
        for key in (k for of, k in origin if of == kind):
            row, (file, row_name) = rows[key], origin[kind, key]
            stated = kind == "species" and "order" in row.model_fields_set
            place = {f"order {row.order}": "order"} if stated else {}
            names = {f"the name {name!r}": field for name, field in names_of(row).items()}
            for what, field in (names | place).items():
                other = seen.setdefault(what, key)
                if other != key:
                    wrong = f"{what} is that of {rows[other].name} ({other}) as well"
                    where = f"{file}, {f'{row_name}.' if row_name else ''}{field}"
                    yield TableError(wrong, where=where, mend="Give it another")
