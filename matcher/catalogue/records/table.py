"""A table of records (CSV) in, checked rows out; what is wrong is said with the line and the way to mend it.

A table that cannot be used at all raises `BadTable`. A wrong row is set aside with its own `BadTable`, and
the rest goes on. Where two rows contradict each other nobody knows which is right, so neither is taken.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from matcher.catalogue.records.csv_text import unguard
from matcher.catalogue.tables.content import is_plain
from matcher.catalogue.tables.models import RecordRow
from matcher.core.errors import BadTable

REQUIRED = ("record_id", "subject", "pose", "crop", "caption", "image")
OPTIONAL = (
    "club", "issuer", "year", "copy", "source", "note", "seen_on", "series", "issuer_mark", "caption_place",
)  # fmt: skip
LARGEST = 100_000_000
"""Bytes: a million rows; a table beyond that is hardly one."""

ONE_LINE = ("record_id", "subject", "pose", "crop", "copy", "series")
LONGEST_NAME = 200
"""Letters of what things are called and found by: whatever is longer could not be asked for over HTTP."""

MAY_BE_BLANK = ("caption",)
"""A card may bear no words; that is a caption too."""

_SAME = ("subject", "pose", "crop", "caption")
SAME_IF_STATED = ("club", "issuer", "year", "series", "issuer_mark", "caption_place")


@dataclass(frozen=True)
class TableRow:
    """One row: an image of a record.

    line: where the row begins in the file, from 1. image: the cell as written; path: the file it means.
    extra: the cells of columns that are not ours, by column name.
    """

    line: int
    record_id: str
    subject: str
    pose: str
    crop: str
    caption: str
    image: str
    path: Path
    club: str = ""
    issuer: str = ""
    year: str = ""
    copy: str = ""
    source: str = ""
    note: str = ""
    seen_on: str = ""
    series: str = ""
    issuer_mark: str = ""
    caption_place: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BadRow:
    """A row that cannot be used, and why."""

    line: int
    image: str
    error: BadTable


@dataclass(frozen=True)
class Table:
    """The usable rows of a table in file order, and the others."""

    path: Path
    rows: tuple[TableRow, ...]
    bad: tuple[BadRow, ...]


def read_table(path: Path, images: Path | None = None) -> Table:
    """Read a UTF-8 CSV file, with or without a byte order mark; images: what its image paths start from.

    Raises BadTable (codes: missing_file, table_too_large, not_utf8, not_csv, missing_column, duplicate_column,
    empty_table). Rows set aside have the codes missing_value, extra_cells, odd_text and bad_day. Cells
    are stripped, blank rows skipped.
    """
    lines = read_cells(path)
    line, header = next(lines, (1, []))
    columns = _columns(path, header)
    rows: list[TableRow] = []
    bad: list[BadRow] = []
    for line, cells in lines:
        values = dict(zip(columns, [*cells, *[""] * len(columns)], strict=False))
        error = _row_error(path, line, values, cells[len(columns) :])
        if error:
            bad.append(BadRow(line, values["image"], error))
        else:
            rows.append(_row(images or path.parent, line, values))
    if not rows and not bad:
        raise BadTable("empty_table", f"{path}: no rows below the header", "add one row an image")
    return Table(path, tuple(rows), tuple(bad))


def find_clashes(table: Table, known: Iterable[RecordRow]) -> dict[int, BadTable]:
    """Rows, by line, that contradict the catalogue, or one another where the catalogue is silent.

    club, issuer and year may be left blank where they are stated elsewhere.
    """
    records = {record.record_id: record for record in known}
    subjects = {record.pose: record.subject for record in records.values()}
    clashes: dict[int, BadTable] = {}
    for record_id, rows in _grouped(table.rows, "record_id").items():
        if record_id in records:
            clashes |= _against_record(table.path, rows, records[record_id])
        else:
            clashes |= _among_rows(table.path, rows, f"record {record_id}", _SAME, SAME_IF_STATED)
    sound = [row for row in table.rows if row.line not in clashes]
    for pose, rows in _grouped(sound, "pose").items():
        if pose in subjects:
            clashes |= _against_pose(table.path, rows, subjects[pose])
        else:
            clashes |= _among_rows(table.path, rows, f"pose {pose}", ("subject",), ())
    return clashes


def read_text(path: Path) -> str:
    """A table's text, from UTF-8 with or without a byte order mark. Raises BadTable."""
    try:
        size = path.stat().st_size
        if size > LARGEST:
            why = f"{path}: {size / 1e6:,.0f} MB, more than {LARGEST / 1e6:g} MB"
            raise BadTable("table_too_large", why, "divide it into smaller tables")
        data = path.read_bytes()
    except OSError as error:
        raise BadTable("missing_file", f"{path}: {error.strerror}", "check the path of the table") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise BadTable("not_utf8", f"{path} line {line}: not UTF-8 text", "save the table as 'CSV UTF-8'") from None


def read_cells(path: Path) -> Iterator[tuple[int, list[str]]]:
    """(line on which the row begins, stripped cells) of every row that is not blank. Raises BadTable."""
    reader = csv.reader(io.StringIO(read_text(path), newline=""), strict=True)
    begins = 1
    try:
        for cells in reader:
            stripped = [unguard(cell.strip()) for cell in cells]
            if any(stripped):
                yield begins, stripped
            begins = reader.line_num + 1
    except csv.Error as error:
        raise BadTable(
            "not_csv", f"{path} line {begins}: {error}", "look for a quotation mark that is not closed"
        ) from None


def _columns(path: Path, header: Sequence[str]) -> list[str]:
    """Names of the columns; ours in small letters, the others as written."""
    ours = {name: name for name in (*REQUIRED, *OPTIONAL)}
    columns = [ours.get(name.lower(), name) for name in header]
    missing = [name for name in REQUIRED if name not in columns]
    if missing:
        separated = len(header) == 1 and any(mark in header[0] for mark in ";\t")
        raise BadTable(
            "missing_column",
            f"{path} line 1: no column {', '.join(missing)}; found: {', '.join(columns) or 'nothing'}",
            "save it with commas between the columns" if separated else "add it, with its cells",
        )
    twice = sorted({name for name in columns if name and columns.count(name) > 1})
    if twice:
        raise BadTable("duplicate_column", f"{path} line 1: two columns are called {twice[0]}", "rename one of them")
    return columns


def _row_error(path: Path, line: int, values: Mapping[str, str], beyond: Sequence[str]) -> BadTable | None:
    if any(beyond):
        return BadTable(
            "extra_cells",
            f"{path} line {line}: more cells than the header has columns ({beyond[0]!r})",
            "put quotation marks round cells that contain a comma",
        )
    blank = [name for name in REQUIRED if not values[name] and name not in MAY_BE_BLANK]
    if blank:
        return BadTable("missing_value", f"{path} line {line}: no {', '.join(blank)}", "fill it in")
    odd = [name for name, value in values.items() if not is_plain(value) or ("\n" in value and name in ONE_LINE)]
    if odd:
        why = f"{path} line {line}: {odd[0]!r} holds characters that cannot be shown, or never ends"
        return BadTable("odd_text", why, "type it anew, in that cell")
    long = [name for name in ONE_LINE if len(values.get(name, "")) > LONGEST_NAME]
    if long:
        why = f"{path} line {line}: {long[0]} has {len(values[long[0]])} letters"
        return BadTable("odd_text", why, f"shorten it to {LONGEST_NAME}; put the rest into the note")
    if not is_day(values.get("seen_on", "")):
        why = f"{path} line {line}: seen_on {values['seen_on']!r} is no day"
        return BadTable("bad_day", why, "write it like 1987-05-23, 1987-05 or 1987")
    return None


def is_day(text: str) -> bool:
    """Whether this is "", or a year, month or day in ISO 8601.

    >>> [is_day(text) for text in ("", "1987", "1987-05", "1987-05-23", "23.5.1987", "1987-13")]
    [True, True, True, True, False, False]
    """
    if not re.fullmatch(r"(\d{4}(-\d\d(-\d\d)?)?)?", text):
        return False
    try:
        return not text or bool(date.fromisoformat(text + "-01-01"[len(text) - 4 :] if len(text) < 10 else text))
    except ValueError:
        return False


def _row(images: Path, line: int, values: Mapping[str, str]) -> TableRow:
    known = {name: values.get(name, "") for name in (*REQUIRED, *OPTIONAL)}
    extra = {name: value for name, value in values.items() if name and name not in known}
    return TableRow(line=line, path=images / known["image"], extra=extra, **known)


def _grouped(rows: Iterable[TableRow], name: str) -> dict[str, list[TableRow]]:
    groups: dict[str, list[TableRow]] = {}
    for row in rows:
        groups.setdefault(getattr(row, name), []).append(row)
    return groups


def _against_record(path: Path, rows: Sequence[TableRow], record: RecordRow) -> dict[int, BadTable]:
    clashes = {}
    for row in rows:
        for name in (*_SAME, *SAME_IF_STATED):
            here, there = getattr(row, name), getattr(record, name)
            if here != there and (here or name in _SAME):
                clashes[row.line] = BadTable(
                    "clash",
                    f"{path} line {row.line}: record {row.record_id} has {name} {here!r} here "
                    f"but {there!r} in the catalogue",
                    "correct the table, give the other variation its own record_id, "
                    "or remove the record from the catalogue first",
                )
                break
    return clashes


def _against_pose(path: Path, rows: Sequence[TableRow], subject: str) -> dict[int, BadTable]:
    return {
        row.line: BadTable(
            "clash",
            f"{path} line {row.line}: pose {row.pose} shows {row.subject!r} here but {subject!r} in the catalogue",
            "a pose has one subject: correct the table, or give the other pose its own id",
        )
        for row in rows
        if row.subject != subject
    }


def _among_rows(
    path: Path, rows: Sequence[TableRow], what: str, same: Sequence[str], same_if_stated: Sequence[str]
) -> dict[int, BadTable]:
    """All rows of the group where two of them contradict each other, else nothing."""
    for name in (*same, *same_if_stated):
        stating = [row for row in rows if name in same or getattr(row, name)]
        for other in stating[1:]:
            first = stating[0]
            here, there = getattr(first, name), getattr(other, name)
            if here != there:
                why = f"{what} has {name} {here!r} on line {first.line} but {there!r} on line {other.line}"
                remedy = f"correct one of them, or give the other {what.split()[0]} its own id"
                return {row.line: BadTable("clash", f"{path} line {row.line}: {why}", remedy) for row in rows}
    return {}
