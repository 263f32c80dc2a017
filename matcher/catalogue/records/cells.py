"""A table as any program saved it in, its rows of plain cells out.

CSV with commas, semicolons, tabs or bars, in any common encoding; XLSX, XLS and ODS; JSON Lines. What had to be guessed
or left aside is said in the notes. Blank rows are skipped; a title above the header is, too.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import zipfile
import zlib
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import reduce
from pathlib import Path

import python_calamine

from matcher.catalogue.records.csv_text import unguard
from matcher.catalogue.records.text_encoding import decode
from matcher.core.errors import BadTable
from matcher.core.ordinary_files import open_ordinary

LARGEST = 100_000_000
"""Bytes: a million rows; a table beyond that is hardly one."""

MOST_CELLS = 10_000_000
"""Of a sheet, blank ones too, up to the last that holds anything; own choice."""

UNPACKED = 600_000_000
"""Bytes that a spreadsheet, which is a zip, may hold inside."""

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
JSON_LINES = (".jsonl", ".ndjson")
HEADER_WITHIN = 20
"""Rows among which the header is looked for: some people give a table a title."""

Known = Callable[[str], str]
"""The name by which a column is known here, "" for one that is not."""


@dataclass(frozen=True)
class Row:
    """line: where it begins in the file, from 1; in a spreadsheet the number of the row."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Cells:
    """The header, the rows below it that are not blank, and what a person should know of the reading."""

    header: Row
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()


def read_cells(path: Path, known: Known, encoding: str = "") -> Cells:
    """Read a table. known: tells which columns are ours, to find the header and the delimiter.

    encoding: of a text file, where the person says it. Raises BadTable (missing_file, table_too_large, not_utf8,
    not_csv, not_a_table).
    """
    data = _bytes(path)
    if path.suffix.lower() in JSON_LINES:
        return _json_lines(path, data, encoding)
    if data[:4] == b"PK\x03\x04" or data[:4] == b"\xd0\xcf\x11\xe0":
        return _spreadsheet(path, data, known)
    text, note = read_text(path, data, encoding)
    rows, separated = _separated(path, text, known)
    told = f"the columns are parted by {DELIMITERS[separated]}" if separated != "," else ""
    return _below_header(rows, known, tuple(filter(None, (note, told))))


def read_text(path: Path, data: bytes, encoding: str = "") -> tuple[str, str]:
    """A file's text, and what to tell of how it was read. Raises BadTable not_utf8."""
    try:
        decoded = decode(data, encoding)
    except ValueError as error:
        raise BadTable("not_utf8", f"{path}: {error}", "save it as 'CSV UTF-8' or XLSX, or say --encoding") from None
    return decoded.text, decoded.words


def _bytes(path: Path) -> bytes:
    try:
        with open_ordinary(path) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size > LARGEST:
                why = f"{path}: {size / 1e6:,.0f} MB, more than {LARGEST / 1e6:g} MB"
                raise BadTable("table_too_large", why, "divide it into smaller tables")
            return stream.read(LARGEST + 1)
    except OSError as error:
        raise BadTable("missing_file", f"{path}: {error.strerror}", "check the path of the table") from None


def _separated(path: Path, text: str, known: Known) -> tuple[list[Row], str]:
    """The rows under the delimiter that gives most columns that are known, then most columns; and that delimiter."""
    first, _, rest = text.partition("\n")
    stated = first.strip().strip('"')
    if stated.startswith("sep=") and stated[4:] in DELIMITERS:  # a first line by which spreadsheets say it
        return _parsed(path, rest, stated[4:], 1), stated[4:]
    best = max(DELIMITERS, key=lambda mark: _suits(text, mark, known))
    return _parsed(path, text, best), best


def _suits(text: str, mark: str, known: Known) -> tuple[int, int]:
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
        some = [row for row, _ in zip(reader, range(HEADER_WITHIN), strict=False)]
    except csv.Error:
        return 0, 0
    ours = max((sum(bool(known(cell)) for cell in row) for row in some), default=0)
    return ours, max(map(len, some[:1]), default=0)


def _parsed(path: Path, text: str, mark: str, skipped: int = 0) -> list[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    rows, begins = [], 1 + skipped
    try:
        for cells in reader:
            stripped = tuple(unguard(cell.strip()) for cell in cells)
            if any(stripped):
                rows.append(Row(begins, stripped))
            begins = reader.line_num + 1 + skipped
    except csv.Error as error:
        raise BadTable(
            "not_csv", f"{path} line {begins}: {error}", "look for a quotation mark that is not closed"
        ) from None
    return rows


def _below_header(rows: Sequence[Row], known: Known, notes: tuple[str, ...]) -> Cells:
    """The first of the first rows that has two of our columns is the header; without one, the first row is."""
    header = next((row for row in rows[:HEADER_WITHIN] if sum(bool(known(cell)) for cell in row.cells) >= 2), None)
    header = header or (rows[0] if rows else Row(1, ()))
    return Cells(header, tuple(row for row in rows if row.line > header.line), notes)


def _spreadsheet(path: Path, data: bytes, known: Known) -> Cells:
    """The sheet that holds our columns, else the first one that holds anything."""
    _check_unpacked(path, data)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = {name: _rows_of(book.get_sheet_by_name(name).to_python(skip_empty_area=False)) for name in
                  book.sheet_names}  # fmt: skip
    except (python_calamine.CalamineError, python_calamine.PasswordError, ValueError, OSError) as error:
        raise _no_spreadsheet(path, str(error)) from None
    filled = {name: rows for name, rows in sheets.items() if rows}
    if not filled:
        return Cells(Row(1, ()), ())
    chosen = max(filled, key=lambda name: max(sum(bool(known(c)) for c in row.cells) for row in filled[name][:20]))
    left = ", ".join(repr(name) for name in filled if name != chosen)
    notes = (f"only the sheet {chosen!r} was read; left aside: {left}",) if left else ()
    return _below_header(filled[chosen], known, notes)


def _rows_of(values: Sequence[Sequence[object]]) -> list[Row]:
    rows = (Row(line, tuple(_cell(value) for value in row)) for line, row in enumerate(values, start=1))
    return [row for row in rows if any(row.cells)]


def _cell(value: object) -> str:
    """A spreadsheet's value as a person would write it: whole numbers without a point, days as 1987-05-23."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ")
    if isinstance(value, date):
        return value.isoformat()
    return unguard(str(value).strip())


def _check_unpacked(path: Path, data: bytes) -> None:
    if data[:2] != b"PK":
        return
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            entries = packed.infolist()
            if sum(entry.file_size for entry in entries) > UNPACKED:
                why = f"{path}: it unpacks to more than {UNPACKED / 1e6:g} MB"
                raise BadTable("table_too_large", why, "divide it into smaller tables")
            for entry in entries:
                if entry.filename.startswith("xl/worksheets/"):
                    _check_reach(path, packed.read(entry))
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, OSError) as error:
        raise _no_spreadsheet(path, str(error)) from None


def _check_reach(path: Path, sheet: bytes) -> None:
    """One stray cell at the far corner makes a sheet of seventeen thousand million, all of which are laid out when it
    is read (Office Open XML, ECMA-376 part 1, 18.3.1.4 and 18.3.1.73: cells and rows tell where they stand)."""
    last, column, row = "A", 1, 1
    for match in _PLACE.finditer(sheet):
        letters = match["column"].decode()
        row, number = max(row, int(match["row"])), _column(letters)
        last, column = (letters, number) if number > column else (last, column)
    if row * column > MOST_CELLS:
        raise BadTable(
            "table_too_large", f"{path}: a sheet reaches to column {last}, row {row:,}",
            "delete stray cells at its end, or save it as CSV"
        )  # fmt: skip


def _column(letters: str) -> int:
    """A is 1, Z 26, AA 27; nothing is 0."""
    return reduce(lambda count, letter: 26 * count + ord(letter) - 64, letters, 0)


_PLACE = re.compile(rb'<(?:\w+:)?(?:c|row)\b[^>]*?\br="(?P<column>[A-Z]{0,20})(?P<row>\d{1,20})"')
"""Where a cell stands, or a row."""


def _no_spreadsheet(path: Path, why: str) -> BadTable:
    remedy = "save it anew, without a password, as XLSX, ODS or CSV"
    return BadTable("not_a_table", f"{path}: this spreadsheet cannot be read: {why}", remedy)


def _json_lines(path: Path, data: bytes, encoding: str) -> Cells:
    """An object on each line; the columns are all the keys, in the order in which they first occur."""
    text, note = read_text(path, data, encoding)
    header: dict[str, None] = {}
    stored: list[tuple[int, dict[str, str]]] = []
    for number, line in enumerate(text.split("\n"), start=1):  # JSON strings may hold Unicode's other line ends
        if not line.strip():
            continue
        try:
            given = json.loads(line)
            if not isinstance(given, dict):
                raise ValueError("not an object")
        except (ValueError, RecursionError) as error:
            raise BadTable("not_csv", f"{path} line {number}: {error}", "write one JSON object per line") from None
        cells = {str(key): "" if value is None else str(value).strip() for key, value in given.items()}
        header |= dict.fromkeys(cells)
        stored.append((number, cells))
    rows = tuple(Row(number, tuple(cells.get(name, "") for name in header)) for number, cells in stored)
    return Cells(Row(0, tuple(header)), rows, (note,) if note else ())


def names_known(names: Collection[str]) -> Known:
    """A `Known` for columns that go by these names, in capitals or not.

    >>> known = names_known(("listing", "text_file"))
    >>> known("Text file"), known("price")
    ('text_file', '')
    """
    held = {name: name for name in names}
    return lambda cell: held.get(plain_name(cell), "")


def plain_name(cell: str) -> str:
    """A column's name as names are compared: small letters, with _ for what parts words.

    >>> plain_name("Record-ID "), plain_name("Seen on")
    ('record_id', 'seen_on')
    """
    return "_".join(cell.casefold().replace("-", " ").replace("_", " ").split())
