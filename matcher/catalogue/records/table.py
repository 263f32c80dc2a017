"""A table of records in, checked rows out; what is wrong is said with the line and the way to mend it.

A table that cannot be used at all raises `BadTable`. A wrong row is set aside with its own `BadTable`, and
the rest goes on. Where two rows contradict each other nobody knows which is right, so neither is taken.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from matcher.catalogue.records.cells import Row, read_cells
from matcher.catalogue.records.columns import OPTIONAL, REQUIRED, columns_of, known_under, lacking, missing_columns
from matcher.catalogue.records.days import Order, day_of, needs_order, order_of
from matcher.catalogue.tables.content import is_plain
from matcher.catalogue.tables.models import Quad, RecordRow
from matcher.core.detect.given_outline import corners_of_text, outline_text
from matcher.core.errors import BadTable
from matcher.core.formats import parse_format

ONE_LINE = ("record_id", "subject", "pose", "crop", "copy", "series")
LONGEST_NAME = 200
"""Letters of what things are called and found by: whatever is longer could not be asked for over HTTP."""

MAY_BE_BLANK = ("caption",)
"""A card may bear no words; that is a caption too."""

_SAME = ("subject", "pose", "crop", "caption")
SAME_IF_STATED = ("club", "issuer", "year", "series", "mark", "caption_place", "format")


@dataclass(frozen=True)
class Reading:
    """How a table is to be read, where it does not say so itself.

    images: folder that its image paths start from; None: its own. columns: theirs -> ours. encoding: of a text file.
    days: the order of 4/5/1987.
    """

    images: Path | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    encoding: str = ""
    days: Order | None = None


@dataclass(frozen=True)
class TableRow:
    """One row: an image of a record.

    line: where the row begins in the file, from 1. image: the cell as written; path: the file it means.
    outline: of the card in the picture, as `outline_text` writes it, where the table tells it.
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
    mark: str = ""
    caption_place: str = ""
    format: str = ""
    outline: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)

    @property
    def quad(self) -> Quad | None:
        """The corners that its outline tells; None where the card is to be found."""
        return corners_of_text(self.outline) if self.outline else None


@dataclass(frozen=True)
class BadRow:
    """A row that cannot be used, and why."""

    line: int
    image: str
    error: BadTable


@dataclass(frozen=True)
class Table:
    """The usable rows of a table in file order, and the others. notes: how it was read, where that was a guess."""

    path: Path
    rows: tuple[TableRow, ...]
    bad: tuple[BadRow, ...]
    notes: tuple[str, ...] = ()


def read_table(path: Path, reading: Reading | None = None) -> Table:
    """Read a table of records, as `cells` tells of what kinds.

    Raises BadTable (codes: missing_file, table_too_large, not_utf8, not_csv, not_a_table, missing_column,
    duplicate_column, bad_mapping, empty_table). Rows set aside have the codes missing_value, extra_cells, odd_text,
    bad_format, bad_outline and bad_day.
    """
    reading = reading or Reading()
    cells = read_cells(path, known_under(reading.columns), reading.encoding)
    columns = columns_of(path, cells.header.line, cells.header.cells, reading.columns)
    if lacking(columns):
        raise missing_columns(path, max(cells.header.line, 1), columns)
    days = reading.days or order_of(_column(columns, cells.rows, "seen_on"))
    rows: list[TableRow] = []
    bad: list[BadRow] = []
    for row in cells.rows:
        values = dict(zip(columns, [*row.cells, *[""] * len(columns)], strict=False))
        error = _row_error(path, row, values, len(columns), days)
        if error:
            bad.append(BadRow(row.line, values["image"], error))
        else:
            rows.append(_row(reading.images or path.parent, row.line, values, days))
    if not rows and not bad:
        raise BadTable("empty_table", f"{path}: no rows below the header", "add one row per image")
    return Table(path, tuple(rows), tuple(bad), cells.notes)


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


def find_picture(folder: Path, named: str) -> Path:
    """The file that an image cell names: as written, or with \\ for /, or in other capitals or accents.

    Where there is none, the path as it would be read here, for the message.
    """
    plain = folder / named.replace("\\", "/")
    for path in (folder / named, plain):
        if _is_there(path):
            return path
    found = _alike(folder, [part for part in named.replace("\\", "/").split("/") if part not in ("", ".")])
    return found or plain


def _alike(folder: Path, parts: Sequence[str]) -> Path | None:
    """A path below a folder whose names differ in capitals, or in how accents are written, alone."""
    for part in parts:
        try:
            names = [one for one in folder.iterdir() if _folded(one.name) == _folded(part)]
        except OSError:
            return None
        if part == ".." or len(names) != 1:
            return None
        folder = names[0]
    return folder if _is_there(folder) else None


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # too long a name, or a zero byte in it
        return False


def _column(columns: Sequence[str], rows: Iterable[Row], name: str) -> list[str]:
    if name not in columns:
        return []
    place = columns.index(name)
    return [row.cells[place] for row in rows if len(row.cells) > place]


def _row_error(
    path: Path, row: Row, values: Mapping[str, str], columns: int, days: Order | None
) -> BadTable | None:  # fmt: skip
    line, beyond = row.line, row.cells[columns:]
    if any(beyond):
        return BadTable(
            "extra_cells",
            f"{path} line {line}: more cells than the header has columns ({next(filter(None, beyond))!r})",
            "put quotation marks round cells that contain what parts the columns",
        )
    blank = [name for name in REQUIRED if not values[name] and name not in MAY_BE_BLANK]
    if blank:
        return BadTable("missing_value", f"{path} line {line}: no {', '.join(blank)}", "fill it in")
    odd = [name for name, value in values.items() if not is_plain(value) or ("\n" in value and name in ONE_LINE)]
    if odd:
        why = f"{path} line {line}: {odd[0]!r} holds characters that cannot be shown, or never ends"
        return BadTable("odd_text", why, "type it again in that cell")
    long = [name for name in ONE_LINE if len(values.get(name, "")) > LONGEST_NAME]
    if long:
        why = f"{path} line {line}: {long[0]} has {len(values[long[0]])} letters"
        return BadTable("odd_text", why, f"shorten it to {LONGEST_NAME}; put the rest into the note")
    try:
        parse_format(values["format"]) if values.get("format") else None
        corners_of_text(values["outline"]) if values.get("outline") else None
    except BadTable as error:
        return BadTable(error.code, f"{path} line {line}: {error.message}", error.remedy)
    day = values.get("seen_on", "")
    if day and needs_order(day) and days is None:
        why = f"{path} line {line}: seen_on {day!r} may be two days"
        return BadTable("bad_day", why, "say --days day-first or --days month-first, or write it like 1987-05-23")
    if day and day_of(day, days) is None:
        why = f"{path} line {line}: seen_on {day!r} is not a valid date"
        return BadTable("bad_day", why, "write it like 1987-05-23, 1987-05 or 1987")
    return None


def _row(images: Path, line: int, values: Mapping[str, str], days: Order | None) -> TableRow:
    known = {name: values.get(name, "") for name in (*REQUIRED, *OPTIONAL)}
    known["seen_on"] = day_of(known["seen_on"], days) or ""
    known["format"] = parse_format(known["format"]).text if known["format"] else ""
    known["outline"] = outline_text(corners_of_text(known["outline"])) if known["outline"] else ""
    extra = {name: value for name, value in values.items() if name and name not in known}
    return TableRow(line=line, path=find_picture(images, known["image"]), extra=extra, **known)


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
