"""Tables as spreadsheet programs of several countries write them: the writers are outside libraries, and our own words
on what each program does.

    SAVED    name -> a function that writes a table into a folder and returns its path
    RECORDS  what is written: texts that break naive readers

What the programs do is common practice, seen in their own save dialogues; no source. XLSX is written by xlsxwriter and
openpyxl, ODS by odfpy.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path

import openpyxl
import xlsxwriter
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

Saved = Callable[[Path], Path]

HEADER = ("record_id", "subject", "pose", "crop", "caption", "image", "club", "year", "seen_on")
RECORDS = (
    ("V001", "Zoë Müller", "P001", "A", "Mlle Zoë", "scan0.png", "Oakmere, R. C.", "1885", "1987-05-23"),
    ("V002", "René Ölberg", "P002", "B", 'the "Great" René; twice', "scan1.png", "Café Fünf", "1888", "1987-05-24"),
    ("V003", "Ada Quill", "P003", "A", "two\nlines", "scan2.png", "", "", "1987-06-02"),
)
"""Accents, quotation marks, commas, semicolons, a line break, a year that is a number, days."""

Cell = object
Rows = Sequence[Sequence[Cell]]


def delimited(
    folder: Path, mark: str = ",", encoding: str = "utf-8", ends: str = "\r\n", quoting: int = csv.QUOTE_MINIMAL,
    before: str = "", day: str = "", suffix: str = "csv", header: Sequence[str] = HEADER, slash: str = "/",
) -> Path:  # fmt: skip
    """A text table. before: a first line. day: how the program writes days, in strftime's letters. slash: in paths."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=mark, lineterminator="\r\n", quoting=quoting)
    writer.writerow(header)
    for record in RECORDS:
        cells = list(record)
        cells[5] = f"scans{slash}{cells[5]}"
        cells[8] = date.fromisoformat(cells[8]).strftime(day) if day else cells[8]
        writer.writerow(cells)
    path = folder / f"cards.{suffix}"
    path.write_bytes((before + out.getvalue().replace("\r\n", ends)).encode(encoding))
    return path


def _typed() -> list[list[Cell]]:
    """The cells as a person's typing leaves them in a spreadsheet: years are numbers, days are days."""
    rows: list[list[Cell]] = [list(HEADER)]
    for record in RECORDS:
        cells: list[Cell] = list(record)
        cells[5] = f"scans/{record[5]}"
        cells[7] = int(record[7]) if record[7] else None
        cells[8] = date.fromisoformat(record[8])
        rows.append(cells)
    return rows


def workbook(folder: Path, title: bool = False, second: bool = False, blank: int = 0) -> Path:
    """XLSX by xlsxwriter. title: a line above the header. second: another sheet. blank: rows before it all."""
    path = folder / "cards.xlsx"
    with xlsxwriter.Workbook(path, {"default_date_format": "dd/mm/yyyy"}) as book:
        if second:
            book.add_worksheet("read me").write_string(0, 0, "My cards, begun in 1979")
        sheet = book.add_worksheet("cards")
        start = blank + (1 if title else 0)
        if title:
            sheet.write_string(blank, 0, "Cards of the Oakmere series")
        for line, row in enumerate(_typed(), start=start):
            for column, value in enumerate(row):
                if isinstance(value, date):
                    sheet.write_datetime(line, column, value)  # type: ignore[arg-type]
                elif value is not None:
                    sheet.write(line, column, value)
    return path


def workbook_openpyxl(folder: Path, as_text: bool = False) -> Path:
    """XLSX by openpyxl; as_text: every cell is text, as after an import of a CSV."""
    path, book = folder / "cards.xlsx", openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in _typed():
        sheet.append([str(value) if as_text and value is not None else value for value in row])
    book.save(path)
    return path


def open_document(folder: Path, as_text: bool = False, repeated: bool = False) -> Path:
    """ODS by odfpy. repeated: with the thousand empty rows and columns that programs write after the last cell."""
    document, sheet = OpenDocumentSpreadsheet(), Table(name="Sheet1")
    for row in _typed():
        line = TableRow()
        for value in row:
            line.addElement(_odf_cell(value, as_text))
        if repeated:
            line.addElement(TableCell(numbercolumnsrepeated=1000))
        sheet.addElement(line)
    if repeated:
        empty = TableRow(numberrowsrepeated=1000)
        empty.addElement(TableCell(numbercolumnsrepeated=1009))
        sheet.addElement(empty)
    document.spreadsheet.addElement(sheet)
    path = folder / "cards.ods"
    document.save(path)
    return path


def _odf_cell(value: Cell, as_text: bool) -> TableCell:
    if value is None:
        return TableCell()
    if as_text or isinstance(value, str):
        cell = TableCell(valuetype="string")
        for paragraph in str(value).split("\n"):
            cell.addElement(P(text=paragraph))
        return cell
    if isinstance(value, date):
        cell = TableCell(valuetype="date", datevalue=value.isoformat())
        cell.addElement(P(text=value.strftime("%d.%m.%y")))
        return cell
    cell = TableCell(valuetype="float", value=str(value))
    cell.addElement(P(text=str(value)))
    return cell


def json_lines(folder: Path, encoding: str = "utf-8") -> Path:
    lines = [
        json.dumps(dict(zip(HEADER, [*r[:5], f"scans/{r[5]}", *r[6:]], strict=True)), ensure_ascii=False)
        for r in RECORDS
    ]
    path = folder / "cards.jsonl"
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    return path


def zipped(folder: Path, write: Saved) -> Path:
    """The table and its pictures in one zip, as people send them."""
    table = write(folder)
    path = folder / "cards.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for one in (table, *sorted((folder / "scans").iterdir())):
            packed.write(one, one.relative_to(folder).as_posix())
    return path


WINDOWS = {"encoding": "cp1252"}
GERMAN = {"mark": ";", "day": "%d.%m.%Y"}
FRENCH = {"mark": ";", "day": "%d/%m/%Y"}
AMERICAN = {"day": "%m/%d/%Y"}
UNICODE_TEXT = {"mark": "\t", "encoding": "utf-16", "suffix": "txt"}
"""What a program calls 'Unicode text': UTF-16 with a mark, tabs."""

PROGRAMS: dict[str, dict[str, Saved]] = {
    "excel for windows, american": {
        "csv": partial(delimited, **WINDOWS, **AMERICAN),
        "csv utf-8": partial(delimited, encoding="utf-8-sig", **AMERICAN),
        "text (tab)": partial(delimited, mark="\t", suffix="txt", **WINDOWS, **AMERICAN),
        "unicode text": partial(delimited, **UNICODE_TEXT, **AMERICAN),
        "csv (ms-dos)": partial(delimited, encoding="cp850", **AMERICAN),
        "xlsx": workbook,
        "xlsx with a title": partial(workbook, title=True),
        "xlsx with two sheets": partial(workbook, second=True),
        "paths with backslashes": partial(delimited, slash="\\", **WINDOWS, **AMERICAN),
    },
    "excel for windows, german": {
        "csv": partial(delimited, **WINDOWS, **GERMAN),
        "csv utf-8": partial(delimited, encoding="utf-8-sig", **GERMAN),
        "text (tab)": partial(delimited, mark="\t", suffix="txt", day="%d.%m.%Y", **WINDOWS),
        "unicode text": partial(delimited, **UNICODE_TEXT, day="%d.%m.%Y"),
        "csv (ms-dos)": partial(delimited, encoding="cp850", **GERMAN),
        "csv with sep=": partial(delimited, before="sep=;\r\n", **WINDOWS, **GERMAN),
        "paths with backslashes": partial(delimited, slash="\\", **WINDOWS, **GERMAN),
    },
    "excel for windows, french": {
        "csv": partial(delimited, **WINDOWS, **FRENCH),
        "csv utf-8": partial(delimited, encoding="utf-8-sig", **FRENCH),
        "unicode text": partial(delimited, **UNICODE_TEXT, day="%d/%m/%Y"),
        "csv (macintosh)": partial(delimited, encoding="mac_roman", ends="\r", **FRENCH),
        "text (ms-dos)": partial(delimited, mark="\t", encoding="cp850", suffix="txt", day="%d/%m/%Y"),
        "xlsx with rows above": partial(workbook, blank=3, title=True),
    },
    "excel for mac, british": {
        "csv": partial(delimited, encoding="mac_roman", ends="\r", day="%d/%m/%Y"),
        "csv utf-8": partial(delimited, encoding="utf-8-sig", day="%d/%m/%Y"),
        "windows csv": partial(delimited, day="%d/%m/%Y", **WINDOWS),
        "utf-16 text": partial(delimited, mark="\t", encoding="utf-16", suffix="txt", day="%d/%m/%Y"),
        "text (tab)": partial(delimited, mark="\t", encoding="mac_roman", suffix="txt", day="%d/%m/%Y"),
        "tsv": partial(delimited, mark="\t", encoding="mac_roman", suffix="tsv", day="%d/%m/%Y"),
        "xlsx": workbook_openpyxl,
    },
    "libreoffice calc": {
        "csv": partial(delimited, ends="\n"),
        "csv, all quoted": partial(delimited, ends="\n", quoting=csv.QUOTE_ALL),
        "csv, german": partial(delimited, ends="\n", **GERMAN),
        "csv, polish windows": partial(delimited, mark=";", encoding="cp1252", ends="\n", day="%d.%m.%Y"),
        "csv with bars": partial(delimited, mark="|", ends="\n"),
        "csv, utf-16 without a mark": partial(delimited, encoding="utf-16-le", ends="\n"),
        "csv, utf-16, high byte first": partial(delimited, encoding="utf-16-be", ends="\n"),
        "ods": open_document,
        "ods, all text": partial(open_document, as_text=True),
        "ods with empty rows": partial(open_document, repeated=True),
        "xlsx": workbook_openpyxl,
    },
    "google sheets": {
        "csv": delimited,
        "csv, american days": partial(delimited, **AMERICAN),
        "tsv": partial(delimited, mark="\t", suffix="tsv"),
        "xlsx": partial(workbook_openpyxl),
        "ods": partial(open_document, repeated=True),
        "zip with pictures": partial(zipped, write=delimited),
        "xlsx zipped with pictures": partial(zipped, write=workbook),
    },
    "numbers": {
        "csv": partial(delimited, ends="\n", day="%Y/%m/%d"),
        "csv, german": partial(delimited, ends="\n", **GERMAN),
        "csv, windows": partial(delimited, ends="\n", **WINDOWS),
        "csv, mac": partial(delimited, ends="\n", encoding="mac_roman"),
        "tsv": partial(delimited, mark="\t", ends="\n", suffix="tsv"),
        "xlsx, all text": partial(workbook_openpyxl, as_text=True),
    },
    "gnumeric and databases": {
        "text export": partial(delimited, ends="\n", quoting=csv.QUOTE_NONNUMERIC),
        "tabs in latin-1": partial(delimited, mark="\t", encoding="latin-1", suffix="tsv", ends="\n"),
        "capital headings": partial(delimited, header=[name.upper() for name in HEADER]),
        "headings in words": partial(delimited, header=[name.replace("_", " ").title() for name in HEADER]),
        "json lines": json_lines,
        "json lines with a mark": partial(json_lines, encoding="utf-8-sig"),
        "utf-32": partial(delimited, encoding="utf-32"),
    },
}

SAVED: dict[str, Saved] = {
    f"{program}: {how}": write for program, ways in PROGRAMS.items() for how, write in ways.items()
}
