"""Record: everything about one look at one photo, kept so that it can be read again years later.

An examination is the records of all photos of one bird on one day with one assessment. A record
holds the regions, the readings with their budgets, the findings and the versions of
program and tables: enough for another person to repeat the numbers from the same photo.
"""

from __future__ import annotations

import csv
import difflib
import html
import io
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NoReturn, Self, TypeVar

from pydantic import TypeAdapter, ValidationError

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import FieldmarksError, NotReadError, first_fault, told_if_not_opened
from fieldmarks._util.sanitize import plain
from fieldmarks.judge.assess import Assessment
from fieldmarks.judge.conclusion import Conclusion
from fieldmarks.judge.findings import Finding
from fieldmarks.judge.signs import SignFinding
from fieldmarks.judge.together import Question as Question
from fieldmarks.measure.colour import lab_to_srgb8
from fieldmarks.measure.measure import Measurement
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.quantities import Reading

if TYPE_CHECKING:
    import pandas

RECORD_SUFFIX = ".record.json"
EXAMINATION_SUFFIX = ".together.json"
AGAIN = "Make it again from the photo and its region file"
_Read = TypeVar("_Read")
COLOUR_SPACE = "CIELAB, illuminant D65, CIE 1931 2 degree observer"


class _Judged:
    """What a record and an examination have alike."""

    suffix: ClassVar[str]
    assessment: Assessment

    if TYPE_CHECKING:  # a property here would become the default of the field of an examination

        @property
        def records(self) -> tuple[Record, ...]:
            """One per photo."""

    @classmethod
    def from_file(cls, path: str | Path) -> Self:
        """Read a file of it back.

        Raises:
            FieldmarksError: The file cannot be opened, or was not written by this version of the
                program.
        """
        path = Path(path)
        with told_if_not_opened(path.name):
            return cls.from_json(path.read_bytes(), path.name)

    @classmethod
    def from_json(cls, text: str | bytes, where: str = "record") -> Self:
        """Read it back.

        Raises:
            FieldmarksError: The text is none of this version of the program, or of one since 0.2.
        """
        read = _adapter(cls).validate_json
        try:
            try:
                found: Self = read(text)
            except ValidationError:
                found = read(_in_todays_words(text))
        except ValidationError as error:
            raise FieldmarksError(
                f"this is not a record this version can read ({first_fault(error)})",
                where=where,
                mend=AGAIN,
            ) from None
        photos = [record.measurement.sha256 for record in found.records]
        if not photos or len(set(photos)) < len(photos):
            raise FieldmarksError(
                "this file holds no photo, or one of them twice",
                where=where,
                mend="Make it again from the photos and their region files",
            )
        for light in (record.measurement.calibration for record in found.records):
            if light.calibrated and not (light.patches and min(light.gains) > 0):
                raise FieldmarksError(
                    "this record says that a card was read, but not how", where=where, mend=AGAIN
                )
        return found

    @property
    def photo(self) -> str:
        """Name of the photo file, or of all of them."""
        return ", ".join(record.measurement.photo for record in self.records)

    @property
    def sha256(self) -> str:
        """Fingerprint of the photo, or of all of them."""
        return ", ".join(record.measurement.sha256 for record in self.records)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every mark and comparison against every species; :attr:`Finding.species` says which."""
        return tuple(f for sheet in self.assessment.sheets for f in sheet.findings)

    @property
    def signs(self) -> tuple[SignFinding, ...]:
        """Signs of mixed ancestry of the species the bird was looked at as."""
        return self.assessment.signs

    @property
    def conclusion(self) -> Conclusion:
        """What the findings come to; its ``sentence`` says it in words."""
        return self.assessment.conclusion

    def to_frame(self, what: Literal["findings", "readings"] = "findings") -> pandas.DataFrame:
        """The findings or the readings as a table, columns as in the CSV files.

        Raises:
            FieldmarksError: There is no such table.
        """
        import pandas

        if what not in TABLES:
            raise FieldmarksError(f"there is no table {what!r}", mend="Use findings or readings")
        columns, rows = TABLES[what]
        return pandas.DataFrame(rows(self), columns=list(columns))

    def __repr__(self) -> str:
        read = dict.fromkeys(mark for record in self.records for mark in record.readings)
        said = f"{', '.join(read) or 'no mark'} read. {self.conclusion.sentence}"
        return f"<{type(self).__name__} of {self.photo}: {said}>"

    def _repr_html_(self) -> str:
        """Conclusion, light and colours for a notebook; every text is escaped."""
        head = "".join(f"<th>{c}</th>" for c in ("mark", "", "L*", "a*", "b*", "&plusmn; (95 %)"))
        shown = [f"<p><b>{_html(self.conclusion.sentence)}</b></p>"]
        for record in self.records:
            rows = []
            for mark, r in record.readings.items():
                code = lab_to_srgb8(r.lab).tobytes().hex()
                patch = f'<td style="background:#{code};width:3em"></td>'
                numbers = "".join(f"<td>{v:.1f}</td>" for v in (*r.lab, r.expanded))
                rows.append(f"<tr><th>{_html(mark)}</th>{patch}{numbers}</tr>")
            shown += [
                f"<p>{_html(record.photo)}. {_html(record.measurement.calibration.summary)}</p>"
                f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
            ]
        return "".join(shown)


class _ByName(dict[str, _Read]):
    """What was read, by mark or photo; a name that it does not hold is told with its mend."""

    def __missing__(self, name: object) -> NoReturn:
        near = difflib.get_close_matches(str(name), self, n=1)
        read = f"Read were: {', '.join(self)}" if self else "Nothing at all was read"
        mend = f"Did you mean {near[0]!r}?" if near else read
        raise NotReadError(f"nothing was read of {name!r}", mend=mend)


@dataclass(frozen=True, repr=False)
class Record(_Judged):
    """One photo measured and assessed.

    Args:
        program: Version of fieldmarks.
        colour_space: Of every colour in the record.
        phone: The phone's profile that was used, whole, so that others can repeat the numbers.
        own_swatches: Swatches of the rule tables that a keeper had learned; empty where only
            shipped ones served.
    """

    suffix: ClassVar[str] = RECORD_SUFFIX

    program: str
    colour_space: str
    question: Question
    measurement: Measurement
    assessment: Assessment
    phone: PhoneProfile | None = None
    own_swatches: tuple[str, ...] = ()

    @property
    def records(self) -> tuple[Record, ...]:
        """Itself."""
        return (self,)

    @property
    def readings(self) -> dict[str, Reading]:
        """Mark -> its colour, in the order of the marks table."""
        return _ByName((reading.mark, reading) for reading in self.measurement.readings)


@dataclass(frozen=True, repr=False)
class Examination(_Judged):
    """All photos of one bird on one day, assessed together.

    Args:
        records: One per photo, each with what that photo says by itself.
        assessment: What all of them say together.
        layout (int): Of the file.
    """

    suffix: ClassVar[str] = EXAMINATION_SUFFIX

    records: tuple[Record, ...]
    assessment: Assessment
    layout: Literal[1] = 1

    @property
    def readings(self) -> dict[str, dict[str, Reading]]:
        """Photo -> mark -> its colour."""
        return _ByName((record.photo, record.readings) for record in self.records)

    @property
    def question(self) -> Question:
        """What was asked, the same of all photos."""
        return self.records[0].question

    @property
    def own_swatches(self) -> tuple[str, ...]:
        """Swatches of the rule tables that a keeper had learned."""
        return self.records[0].own_swatches


AnyRecord = Record | Examination


def _html(text: str) -> str:
    return html.escape(plain(text, 2000))


_adapter: Callable[[Any], TypeAdapter[Any]] = cache(TypeAdapter)


def record_schema(kind: type[_Judged] = Record) -> dict[str, Any]:
    """JSON Schema (2020-12) of a record file, or of an examination's."""
    return dict(_adapter(kind).json_schema())


def record_to_json(record: AnyRecord) -> str:
    """A record or an examination as indented JSON."""
    return _adapter(type(record)).dump_json(record, indent=1).decode() + "\n"


# Words of records up to version 0.2; what they say of a mark is still what that version found.
_OLD_VERSIONS = ("0.1.", "0.2.")
_OLD_STATUSES = {"doubtful": "too close to call", "not calibrated": "not read"}
_OLD_SIGNS = {"not calibrated": "not looked at"}
_OLD_OUTCOMES = {"not calibrated": "nothing decided"}


def _in_todays_words(text: str | bytes) -> str | bytes:
    """A record of an earlier version with the words of this one; any other text as it is."""
    try:
        told = json.loads(text)
        if not told["program"].startswith(_OLD_VERSIONS):
            return text
        judged = told["assessment"]
        for kind, words in (("findings", _OLD_STATUSES), ("signs", _OLD_SIGNS)):
            for row in (r for part in (judged, *judged["sheets"]) for r in part.get(kind, ())):
                row["status"] = words.get(row["status"], row["status"])
        outcome = judged["conclusion"]["outcome"]
        judged["conclusion"]["outcome"] = _OLD_OUTCOMES.get(outcome, outcome)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return text
    return json.dumps(told)


READING_COLUMNS = (
    "photo", "sha256", "mark", "L*", "a*", "b*", "C*", "h", "uncertainty 95 % (CIEDE2000)",
    "u(L*)", "u(C*)", "u(H*)", "calibrated", "pixels used", "pixels clipped", "pixels glare",
    "pixels dark", "populations",
)  # fmt: skip
FINDING_COLUMNS = (
    "photo", "sha256", "variety", "age", "species", "kind", "mark or sign", "status", "value",
    "low 2.5 %", "high 97.5 %", "nearest swatch", "tolerance", "held", "points to", "reason",
)  # fmt: skip


def reading_rows(judged: AnyRecord) -> Iterator[dict[str, object]]:
    """One row per mark read on each photo."""
    for measured in (record.measurement for record in judged.records):
        for r in measured.readings:
            light, chroma, hue = r.budget.combined
            values = (
                measured.photo, measured.sha256, r.mark,
                *(round(v, 2) for v in (*r.lab, r.chroma, r.hue, r.expanded, light, chroma, hue)),
                r.calibrated, r.pixels.used, r.pixels.clipped, r.pixels.glare, r.pixels.dark,
                "; ".join(f"{p.fraction:.0%} L{p.lab[0]:.0f} a{p.lab[1]:.0f} b{p.lab[2]:.0f}"
                          for p in r.populations),
            )  # fmt: skip
            yield dict(zip(READING_COLUMNS, values, strict=True))


def finding_rows(judged: AnyRecord) -> Iterator[dict[str, object]]:
    """One row per mark, relation and sign of every species."""
    head = (judged.photo, judged.sha256, judged.question.variety, judged.question.age)
    for sheet in judged.assessment.sheets:
        for f in sheet.findings:
            low, high = f.interval or (None, None)
            kind = "relation" if f.relation else "mark"
            numbers = [_short(v) for v in (f.value, low, high)]
            values = (*head, sheet.species, kind, f.mark, f.status.value, *numbers,
                      f.nearest, _short(f.tolerance), _short(f.held), "", f.reason)  # fmt: skip
            yield dict(zip(FINDING_COLUMNS, values, strict=True))
        for s in sheet.signs:
            values = (*head, sheet.species, "sign", s.key, s.status.value,
                      _short(s.amount), "", "", "", "", _short(s.held),
                      " ".join(s.points_to), f"{s.text} {s.reason}")  # fmt: skip
            yield dict(zip(FINDING_COLUMNS, values, strict=True))


def _short(value: float | None) -> float | str:
    return "" if value is None else round(value, 3)


def to_csv(columns: Iterable[str], rows: Iterable[Mapping[str, object]]) -> str:
    """Rows as CSV (RFC 4180). Text that a spreadsheet would run as a formula is disarmed."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(columns), lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: _disarm(value) for key, value in row.items()})
    return out.getvalue()


# Where a spreadsheet may begin a cell: at the start, or after what another one takes for the end of
# a cell. The full-width signs are taken for the plain ones in some settings.
_FORMULA = re.compile("(^|[;\t\r\n]) *('*)(?=[=+@\t\r\uff1d\uff0b\uff20\uff0d-])")
_DISARMED = re.compile("((?:^|[;\t\r\n]) *'*)'(?=[=+@\t\r\uff1d\uff0b\uff20\uff0d-])")


def _disarm(value: object) -> object:
    """A cell that no spreadsheet runs: an apostrophe stands before what would begin a formula."""
    if not isinstance(value, str):
        return value
    return _FORMULA.sub(lambda found: found[0] + "'", value)


def rearm(cell: str) -> str:
    """The text that a cell of our own CSV stands for."""
    return _DISARMED.sub(r"\1", cell) if "'" in cell else cell


TABLES: Mapping[str, tuple[tuple[str, ...], Callable[[Any], Iterator[dict[str, object]]]]] = {
    "readings": (READING_COLUMNS, reading_rows),
    "findings": (FINDING_COLUMNS, finding_rows),
}


def table_texts(judged: AnyRecord) -> dict[str, str]:
    """The two tables of a record or an examination as CSV: "readings" and "findings"."""
    return {name: to_csv(columns, rows(judged)) for name, (columns, rows) in TABLES.items()}


def write_record(judged: AnyRecord, folder: Path, stem: str = "") -> Path:
    """Write a record or an examination and its two tables; gives the path of the former.

    It comes last: where it exists, the files beside it are complete. ``stem`` is what the files are
    called; by default as the (first) photo.
    """
    stem = stem or Path(judged.records[0].measurement.photo).stem
    path = folder / f"{stem}{judged.suffix}"
    tables = f"{stem}.together" if isinstance(judged, Examination) else stem
    for name, text in table_texts(judged).items():
        write_whole(folder / f"{tables}.{name}.csv", text)
    write_whole(path, record_to_json(judged))
    return path
