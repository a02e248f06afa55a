"""Dossier: photos, regions, records and tables in one ZIP, from which a third person re-runs the
numbers; and :func:`verify_dossier`, which does so.

A dossier shows that its numbers follow from its photos by its tables. It cannot show who took a
photo, or which bird is on it.
"""

import importlib.metadata
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import compare
from fieldmarks.birds.archive import Archive, Tell, digest, opened, untold, written
from fieldmarks.birds.compare import Check, Verified
from fieldmarks.birds.model import Bird, now
from fieldmarks.birds.observation import MeasuredPhoto, given_away
from fieldmarks.birds.signature import sign, signature_of
from fieldmarks.birds.tables_copy import pack_tables, unpack_tables
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.measure.suffixes import ENDING
from fieldmarks.pipeline import make_record
from fieldmarks.record import Record
from fieldmarks.report.blocks import Section
from fieldmarks.rules import Tables

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "Pillow", "scikit-image")
_HEX = "[0-9a-f]"
NAMES = re.compile(
    rf"photos/{_HEX}{{64}}\.(?:{ENDING})"
    r"|looks/\d{1,4}\.(?:regions|record)\.json"
    rf"|tables/{_HEX}{{64}}\.zip|(?:manifest|signature)\.json|dossier\.(?:json|pdf)|README\.txt"
)
README = Path(__file__).parent / "data" / "dossier_readme.txt"
SIGNATURE = "signature.json"
SHOWN = ("name", "ring", "ring_kind", "ring_year", "hatched", "species", "variety", "sex")
CLEANED_NOTE = (
    "the place and the maker's data were taken out of this file, the picture itself is unchanged; "
    "the photo as it was taken has the SHA-256 "
)
_BIRD = TypeAdapter(Bird)


class _Item(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    measurer: Annotated[str, Field(max_length=200)]
    day: date | None
    photo: Annotated[str, Field(pattern=rf"^photos/[0-9a-f]{{64}}\.({ENDING})$")]
    name: Annotated[str, Field(max_length=400)]
    look: Annotated[int, Field(ge=1, le=9999)]
    tables: Annotated[str, Field(pattern=r"^tables/[0-9a-f]{64}\.zip$")]
    # Fingerprint of the photo before the place was taken out of it; empty if nothing was.
    as_taken: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""

    @property
    def regions(self) -> str:
        return f"looks/{self.look}.regions.json"

    @property
    def record(self) -> str:
        return f"looks/{self.look}.record.json"


class _Contents(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    bird: dict[str, Any]
    made_at: str
    program: str
    libraries: dict[str, str]
    items: tuple[_Item, ...]


@dataclass(frozen=True)
class Seal:
    """What the maker tells the other side by another way.

    Args:
        seal: Fingerprint over all evidence and facts; not over the PDF, which shows it.
        key: Name of the key that signed every file, the PDF too; empty if none did.
    """

    seal: str
    key: str = ""


def _listed(prints: dict[str, str], *without: str) -> bytes:
    """The names of files with their SHA-256: what is sealed, and what is signed."""
    kept = sorted((n, s) for n, s in prints.items() if n not in (SIGNATURE, *without))
    return "".join(f"{name} {sha256}\n" for name, sha256 in kept).encode()


def _seal(prints: dict[str, str]) -> str:
    return digest(_listed(prints, "dossier.pdf", "manifest.json"))


def write_dossier(
    target: Path,
    bird: Bird,
    photos: Iterable[MeasuredPhoto],
    tables: Tables,
    with_place: bool = False,
    key: Path | None = None,
    after_each: Callable[[], None] = lambda: None,
) -> Seal:
    """Write a dossier; gives its seal and the name of the key it is signed with.

    Args:
        bird: Its name, ring, hatch date, species, variety and sex go in; source and notes do not.
        photos: Each with who measured it and when; one at a time is held in memory.
        tables: Tables of a photo that brings none.
        with_place: Put the photos in as they were taken. Else the place and the maker's data are
            taken out (:func:`~fieldmarks.measure.location.without_place`); a photo so changed has a
            fingerprint of its own, and that of the photo as taken stands beside it.
        key: The keeper's key; without it the dossier is not signed.
        after_each: Called twice for each photo: when it is packed, and when it is in the PDF.

    Raises:
        FieldmarksError: There is nothing to tell, the place cannot be taken out of a photo, or its
            tables are not at hand.
    """
    from fieldmarks.birds.dossier_pdf import dossier_pdf, look_section

    items: list[_Item] = []
    handed: list[MeasuredPhoto] = []
    sections: list[Section] = []
    with written(target, "dossier") as packed:
        packed.put("README.txt", README.read_bytes())
        for number, e in enumerate(photos, start=1):
            original = e.sha256
            if with_place:
                picture = given_away(partial(getattr, e, "photo"), e.record)
            else:
                e, picture = e.without_place(), ""
            measured = e.record.measurement
            item = _Item(
                measurer=e.measured_by,
                day=e.day,
                photo=f"photos/{e.sha256}{Path(measured.photo).suffix.lower() or '.jpg'}",
                name=measured.photo,
                look=number,
                tables=f"tables/{e.record.assessment.table_fingerprint}.zip",
                as_taken=original if original != e.sha256 else "",
            )
            packed.put(item.photo, e.photo)
            packed.put(item.regions, e.region_file)
            packed.put(item.record, e.record_file)
            if item.tables not in packed.prints:
                packed.put(item.tables, _tables_for(e, tables))
            items.append(item)
            handed.append(replace(e, photo=b"", tables=None, given=picture))
            sections.append(look_section(number, e, tables))
            after_each()
        if not items:
            raise FieldmarksError("there is no photo to put in", mend="Choose one or more looks")
        contents = _Contents(
            bird=_BIRD.dump_python(bird, mode="json", include=set(SHOWN)),
            made_at=now(),
            program=__version__,
            libraries={name: _version(name) for name in LIBRARIES},
            items=tuple(items),
        )
        packed.put("dossier.json", contents.model_dump_json(indent=1).encode())
        seal = _seal(packed.prints)
        pdf = dossier_pdf(bird, handed, sections, tables, seal, after_each)
        packed.put("dossier.pdf", pdf)
        if key is None:
            return Seal(seal)
        signature = sign(_listed(packed.prints), key)
        packed.put(SIGNATURE, signature.model_dump_json(indent=1).encode())
        return Seal(seal, signature.key_name)


def _tables_for(photo: MeasuredPhoto, tables: Tables) -> bytes:
    packed = photo.tables
    if packed is None and tables.fingerprint == photo.record.assessment.table_fingerprint:
        packed = pack_tables(tables)
    if packed is None:
        raise FieldmarksError(
            "the tables it was judged by are not at hand",
            where=photo.record.measurement.photo,
            mend="Measure the photo again with today's tables",
        )
    return packed


def dossier_schema() -> dict[str, Any]:
    """JSON Schema of ``dossier.json``."""
    schema, fields = _Contents.model_json_schema(), _BIRD.json_schema()["properties"]
    bird = {"type": "object", "properties": {name: fields[name] for name in SHOWN}}
    schema["properties"]["bird"] = {**bird, "required": ["name"], "additionalProperties": False}
    return schema


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


def verify_dossier(
    path: Path,
    own: Tables | None = None,
    seal: str = "",
    key: str = "",
    tell: Tell = untold,
) -> Verified:
    """Measure everything in a dossier again and compare.

    Args:
        own: This program's tables, to say whether the dossier's are the same edition.
        seal, key: As the maker told them by another way; empty if they did not.

    Raises:
        FieldmarksError: The file is no dossier or is damaged.
    """
    checks: list[Check] = []
    prints: dict[str, str] = {}
    with opened(path, NAMES) as packed:
        for name in packed.names:
            data, good = packed.told(name)
            prints[name] = digest(data)
            checks.append(Check.of(name, "file unchanged since it was packed", good))
        contents = _contents(packed)
        checks += _version_notes("program", contents.program)
        named = {"README.txt", "dossier.json", "dossier.pdf", SIGNATURE}
        for done, item in enumerate(contents.items, start=1):
            checks += _check_item(packed, item, own, contents.program)
            tell(done, len(contents.items))
            named |= {item.photo, item.tables, item.regions, item.record}
        signed, by = _signed(packed, _listed(prints))
    for name in sorted(set(prints) - named):
        checks.append(Check.of(name, "belongs to the dossier", False, "no look uses it"))
    found = _seal(prints)
    checks.append(signed)
    for what, given, real in (("seal", seal, found), ("key", key, by)):
        if given:
            is_same = _bare(given) == _bare(real)
            said, wrong = f"{what} is the one the maker told", f"the maker told another {what}"
            checks.append(Check.of("dossier", said, is_same, wrong))
    return Verified(tuple(checks), found, by, bool(seal or key))


def _bare(text: str) -> str:
    """A seal or key without the signs that make it easier to read."""
    return re.sub(r"[^0-9a-f]", "", text.lower())


def _signed(files: Archive, text: bytes) -> tuple[Check, str]:
    """Whether the signature fits every file, and the name of its key."""
    if SIGNATURE not in files:
        said = "not signed: the seal covers everything but the PDF"
        return Check("dossier", "signature", "note", said), ""
    signature = signature_of(files[SIGNATURE])
    fits = signature is not None and signature.fits(text)
    said, wrong = "signature fits every file, the PDF too", "a file was changed after it was signed"
    return Check.of("dossier", said, fits, wrong), signature.key_name if signature and fits else ""


def _contents(packed: Archive) -> _Contents:
    try:
        return _Contents.model_validate_json(packed["dossier.json"])
    except (KeyError, ValidationError):
        raise FieldmarksError(
            "this is no dossier, or its contents are damaged",
            where=packed.where,
            mend="Get it again",
        ) from None


def _check_item(files: Archive, item: _Item, own: Tables | None, packed_by: str) -> Iterator[Check]:
    where = f"look {item.look} ({item.name}, by {item.measurer})"
    try:
        data = files[item.photo]
        record = Record.from_json(files[item.record], where)
        text = files[item.regions].decode("utf-8", "replace")
        regions = region_set_from_text(text, mend="Get the dossier again")
        measured, judged = record.measurement, record.assessment
        is_same = digest(data) == measured.sha256 == Path(item.photo).stem
        yield Check.of(where, "photo is the one that was measured", is_same)
        if item.as_taken:
            yield Check(where, "photo", "note", CLEANED_NOTE + item.as_taken)
        gaps = compare.region_differences(measured.regions, regions)
        yield from compare.checks(where, "regions are those that were measured", gaps)
        tables = unpack_tables(files[item.tables], where)
        is_same = tables.fingerprint == judged.table_fingerprint
        yield Check.of(where, "tables are those it was judged by", is_same)
        if own is not None and own.fingerprint != judged.table_fingerprint:
            text = "this program's own tables are another edition; the dossier's were used"
            yield Check(where, "edition of the tables", "note", text)
        if record.program != packed_by:
            yield from _version_notes(where, record.program)
        photo = decode_photo(data, measured.photo)
        again = make_record(photo, regions, tables, record.question, phone=record.phone)
        gaps = compare.record_differences(record, again)
        yield from compare.checks(where, "numbers and findings", gaps)
    except FieldmarksError as error:
        yield Check.of(where, "can be measured again", False, str(error))
    except KeyError:
        yield Check.of(where, "is complete", False, "a file is missing")


def _version_notes(where: str, made_with: str) -> list[Check]:
    if made_with == __version__:
        return []
    said = f"made with fieldmarks {made_with} and checked with {__version__}"
    return [Check(where, compare.VERSION, "note", said)]
