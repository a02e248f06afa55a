"""The one reader of CSV: what encoding and separator it has, and rows that run together."""

import csv
import io
import re
from collections.abc import Iterator

from fieldmarks._util.errors import FieldmarksError

MAX_BYTES = 20 * 1024 * 1024
SEPARATORS = ("\t", ";", ",")


def csv_rows(data: bytes) -> tuple[str, Iterator[tuple[int, list[str]]]]:
    """Separator and rows of a CSV file (RFC 4180).

    Args:
        data: UTF-8, UTF-16 or Windows-1252; separated by commas, semicolons or tabs, or as a first
            line ``sep=;`` says, which then counts as no row.

    Returns:
        separator : str
        rows : iterator of (int, list of str): Numbered from 1, which is the heading.

    Raises:
        FieldmarksError: It is too large or no text; while reading: a quote makes rows run together,
            with the row.
    """
    text = _decoded(data)
    first = text.split("\n", 1)[0].strip("\r")
    said = re.fullmatch('"?sep=(.)"?', first, re.IGNORECASE)
    if said:
        text = text.partition("\n")[2]
    separator = said[1] if said else max(SEPARATORS, key=first.count)
    return separator, _rows(text, separator)


def _rows(text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number, width = 1, 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error:
            raise _run_together(number) from None
        if cells is None:
            return
        width = width or len(cells)
        within = [line for cell in cells if "\n" in cell for line in cell.split("\n")[1:]]
        if width > 2 and any(line.count(separator) == width - 1 for line in within):
            raise _run_together(number)
        yield number, cells
        number += 1


def _run_together(number: int) -> FieldmarksError:
    return FieldmarksError(
        f'row {number}: a quote (") opens a cell there and does not close it, so rows run together',
        mend='Take the quote out, close the cell with one, or write "" for one inside a cell',
    )


def _decoded(data: bytes) -> str:
    if len(data) > MAX_BYTES:
        raise FieldmarksError("this list is too large", mend="Split it into smaller files")
    codes = ["utf-8-sig", "cp1252"]
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        codes = ["utf-16"]
    elif data[:4000].count(0) * 4 > len(data[:4000]):  # Latin letters: every other byte is 0
        codes = ["utf-16-be" if data[:1] == b"\0" else "utf-16-le"]
    for code in codes:
        try:
            text = data.decode(code)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise FieldmarksError(
        "this is no text that can be read", mend="Save the list as CSV, in UTF-8, and try again"
    )
