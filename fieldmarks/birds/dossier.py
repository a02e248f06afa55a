"""Dossier: photos, regions, records and tables in one ZIP, from which a third person re-runs the
numbers; and :func:`verify_dossier`, which does so.

A dossier shows that its numbers follow from its photos by its tables. It cannot show who took a
photo, or which bird is on it.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import re
import tempfile
import zipfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.archive import unpack
from fieldmarks.birds.compare import Difference, record_differences, region_differences
from fieldmarks.birds.model import Bird, now
from fieldmarks.birds.observation import Testimony, shot_to_give
from fieldmarks.birds.tables_copy import pack_tables, unpack_tables
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.measure.suffixes import ENDING
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question, Record, record_from_json
from fieldmarks.rules import Tables

FORMAT, EDITION = "fieldmarks dossier", 1
LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "Pillow", "scikit-image")
_HEX = "[0-9a-f]"
NAMES = re.compile(
    rf"photos/{_HEX}{{64}}\.(?:{ENDING})"
    r"|looks/\d{1,4}\.(?:regions|record)\.json"
    rf"|tables/{_HEX}{{64}}\.zip|manifest\.json|dossier\.(?:json|pdf)|README\.txt"
)
README = """fieldmarks dossier

photos/   the photos; each file is named by its SHA-256. Where the place and the maker's data were
          taken out, the picture itself is unchanged, and dossier.json names the SHA-256 of the
          photo as it was taken
looks/    what was drawn on each photo (W3C Web Annotation) and what was measured
tables/   the rule tables the birds were judged by
dossier.json, dossier.pdf   who measured what, for machines and for people

Check it with:  fieldmarks bird verify FILE.zip
It measures every photo again and says for each number whether it is the same.
It cannot show who took a photo, or which bird is on it.
"""


class _Item(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    measurer: Annotated[str, Field(max_length=200)]
    day: date
    photo: Annotated[str, Field(pattern=rf"^photos/[0-9a-f]{{64}}\.({ENDING})$")]
    name: Annotated[str, Field(max_length=400)]
    look: Annotated[int, Field(ge=1, le=9999)]
    tables: Annotated[str, Field(pattern=r"^tables/[0-9a-f]{64}\.zip$")]
    # Fingerprint of the photo before the place was taken out of it; empty if nothing was.
    as_taken: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""


class _Contents(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    bird: dict[str, Any]
    made_at: str
    program: str
    libraries: dict[str, str]
    items: tuple[_Item, ...]


def seal_of(files: dict[str, str]) -> str:
    """One fingerprint over all evidence, to be told to the other side by another way.

    Parameters
    ----------
    files : dict
        Name -> SHA-256; the PDF, which shows the seal, and the manifest are left out.
    """
    lines = [f"{n} {s}\n" for n, s in sorted(files.items()) if n not in _UNSEALED]
    return hashlib.sha256("".join(lines).encode()).hexdigest()


VERSION = "version"
CLEANED_NOTE = (
    "the place and the maker's data were taken out of this file, the picture itself is unchanged; "
    "the photo as it was taken has the SHA-256 "
)
_UNSEALED = ("dossier.pdf", "manifest.json")


def write_dossier(
    target: Path,
    bird: Bird,
    testimonies: Sequence[Testimony],
    tables: Tables,
    with_place: bool = False,
) -> str:
    """Write a dossier; gives its seal.

    Parameters
    ----------
    target : Path
        ZIP to write.
    bird : Bird
        Its name, ring, hatch date, species, variety and sex go in; source and notes do not.
    testimonies : sequence of Testimony
    tables : Tables
        Tables of those testimonies that bring none.
    with_place : bool
        Put the photos in as they were taken. Else the place and the maker's data are taken out
        (:func:`~fieldmarks.measure.location.without_place`); a photo so changed has a fingerprint
        of its own, and that of the photo as taken stands beside it.

    Raises
    ------
    FieldmarksError
        There is nothing to tell, the place cannot be taken out of a photo, or its tables are not
        at hand.
    """
    from fieldmarks.birds.dossier_pdf import dossier_pdf

    if not testimonies:
        raise FieldmarksError("there is no photo to put in", mend="Choose one or more looks")
    taken = [t.shot.record.measurement.sha256 for t in testimonies]
    if not with_place:
        testimonies = [replace(t, shot=shot_to_give(t.shot)) for t in testimonies]
    files: dict[str, bytes] = {"README.txt": README.encode()}
    items = []
    for number, (t, original) in enumerate(zip(testimonies, taken, strict=True), start=1):
        measured = t.shot.record.measurement
        fingerprint = t.shot.record.assessment.table_fingerprint
        ending = Path(measured.photo).suffix.lower() or ".jpg"
        item = _Item(
            measurer=t.measurer,
            day=t.day,
            photo=f"photos/{measured.sha256}{ending}",
            name=measured.photo,
            look=number,
            tables=f"tables/{fingerprint}.zip",
            as_taken=original if original != measured.sha256 else "",
        )
        files[item.photo] = t.shot.photo
        files[f"looks/{number}.regions.json"] = t.shot.region_file
        files[f"looks/{number}.record.json"] = t.shot.record_file
        if item.tables not in files:
            files[item.tables] = _tables_for(t, tables)
        items.append(item)
    contents = _Contents(
        bird=_facts(bird),
        made_at=now(),
        program=__version__,
        libraries={name: _version(name) for name in LIBRARIES},
        items=tuple(items),
    )
    files["dossier.json"] = contents.model_dump_json(indent=1).encode()
    seal = seal_of({n: _digest(d) for n, d in files.items()})
    files["dossier.pdf"] = dossier_pdf(bird, testimonies, tables, seal)
    _write_zip(target, files)
    return seal


def _tables_for(testimony: Testimony, tables: Tables) -> bytes:
    wanted = testimony.shot.record.assessment.table_fingerprint
    packed = testimony.packed_tables
    if packed is None and tables.fingerprint == wanted:
        packed = pack_tables(tables)
    if packed is None:
        raise FieldmarksError(
            "the tables it was judged by are not at hand",
            where=testimony.shot.record.measurement.photo,
            mend="Measure the photo again with today's tables",
        )
    return packed


def _facts(bird: Bird) -> dict[str, Any]:
    shown = ("name", "ring", "ring_kind", "ring_year", "hatched", "species", "variety", "sex")
    return {k: str(v) if isinstance(v, date) else v for k, v in asdict(bird).items() if k in shown}


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _write_zip(target: Path, files: dict[str, bytes]) -> None:
    manifest = {
        "format": FORMAT,
        "edition": EDITION,
        "files": {n: {"sha256": _digest(d), "bytes": len(d)} for n, d in files.items()},
    }
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as packed:
            for name, data in files.items():
                packed.writestr(name, data)
            packed.writestr("manifest.json", json.dumps(manifest, indent=1) + "\n")
        os.replace(temporary, target)
    except OSError as error:
        raise FieldmarksError(
            f"cannot be written ({error.strerror})", where=str(target), mend="Free some space"
        ) from None
    finally:
        temporary.unlink(missing_ok=True)


@dataclass(frozen=True)
class Check:
    """One thing that was checked.

    Parameters
    ----------
    where : str
        Which photo or file.
    what : str
    outcome : str
        "same", "different", or "note" for what does not decide.
    detail : str
    """

    where: str
    what: str
    outcome: Literal["same", "different", "note"]
    detail: str = ""


@dataclass(frozen=True)
class Verified:
    """What came of re-running a dossier."""

    checks: tuple[Check, ...]
    seal: str

    @property
    def same(self) -> bool:
        """Whether nothing was different."""
        return all(c.outcome != "different" for c in self.checks)

    @property
    def sentence(self) -> str:
        """The result in one sentence."""
        if self.same:
            return (
                "SAME: every number follows again from the photos, regions and tables in this "
                "dossier."
            )
        count = sum(c.outcome == "different" for c in self.checks)
        said = f"DIFFERENT: {count} checks failed. See which below."
        versions = [c.detail for c in self.checks if c.what == VERSION]
        if versions:
            said += (
                f" It was {versions[0]}: that alone can change numbers. Check it with the version "
                "that made it before you conclude anything."
            )
        return said


def verify_dossier(path: Path, own: Tables | None = None) -> Verified:
    """Measure everything in a dossier again and compare.

    Parameters
    ----------
    path : Path
    own : Tables, optional
        This program's tables, to say whether the dossier's are the same edition.

    Raises
    ------
    FieldmarksError
        The file is no dossier or is damaged.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        right = unpack(path, folder, NAMES, EDITION, strict=False)
        checks = [
            Check(name, "file unchanged since it was packed", "same" if good else "different")
            for name, good in right.items()
        ]
        contents = _contents(folder, path.name)
        checks += _version_notes("program", contents.program)
        named = {"README.txt", "dossier.json", "dossier.pdf"}
        for item in contents.items:
            checks += _check_item(folder, item, own, contents.program)
            named |= {item.photo, item.tables}
            named |= {f"looks/{item.look}.{kind}.json" for kind in ("regions", "record")}
        for name in sorted(set(right) - named):
            checks.append(Check(name, "belongs to the dossier", "different", "no look uses it"))
        seal = seal_of({n: _digest((folder / n).read_bytes()) for n in right})
    return Verified(tuple(checks), seal)


def _contents(folder: Path, where: str) -> _Contents:
    try:
        return _Contents.model_validate_json((folder / "dossier.json").read_bytes())
    except (OSError, ValidationError):
        raise FieldmarksError(
            "this is no dossier, or its contents are damaged", where=where, mend="Get it again"
        ) from None


def _check_item(folder: Path, item: _Item, own: Tables | None, packed_by: str) -> list[Check]:
    where = f"look {item.look} ({item.name}, by {item.measurer})"
    checks: list[Check] = []
    try:
        data = (folder / item.photo).read_bytes()
        record = record_from_json((folder / f"looks/{item.look}.record.json").read_bytes(), where)
        regions = read_region_file(folder / f"looks/{item.look}.regions.json")
        digest = _digest(data)
        is_same = digest == record.measurement.sha256 == Path(item.photo).stem
        checks.append(_check(where, "photo is the one that was measured", is_same))
        if item.as_taken:
            checks.append(Check(where, "photo", "note", CLEANED_NOTE + item.as_taken))
        gaps = region_differences(record.measurement.regions, regions)
        checks += _listed(where, "regions are those that were measured", gaps)
        tables = unpack_tables((folder / item.tables).read_bytes(), where)
        wanted = record.assessment.table_fingerprint
        is_same = tables.fingerprint == wanted
        checks.append(_check(where, "tables are those it was judged by", is_same))
        if own is not None and own.fingerprint != wanted:
            text = "this program's own tables are another edition; the dossier's were used"
            checks.append(Check(where, "edition of the tables", "note", text))
        if record.program != packed_by:
            checks += _version_notes(where, record.program)
        again = _again(data, regions, tables, record)
        checks += _listed(where, "numbers and findings", record_differences(record, again))
    except FieldmarksError as error:
        checks.append(Check(where, "can be measured again", "different", str(error)))
    except OSError:
        checks.append(Check(where, "is complete", "different", "a file is missing"))
    return checks


def _again(data: bytes, regions: Any, tables: Tables, record: Record) -> Record:
    question = Question(**asdict(record.question))
    photo = decode_photo(data, record.measurement.photo)
    return make_record(photo, regions, tables, question, phone=record.phone)


def _version_notes(where: str, made_with: str) -> list[Check]:
    if made_with == __version__:
        return []
    said = f"made with fieldmarks {made_with} and checked with {__version__}"
    return [Check(where, VERSION, "note", said)]


def _check(where: str, what: str, is_same: bool) -> Check:
    return Check(where, what, "same" if is_same else "different")


def _listed(where: str, what: str, found: Sequence[Difference]) -> list[Check]:
    if not found:
        return [Check(where, what, "same")]
    return [Check(where, f"{what}: {d.what}", "different", d.detail) for d in found]
