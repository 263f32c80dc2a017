"""Tables out and in again: formulas, foreign columns, sizes; on both databases."""

from __future__ import annotations

import csv
import json
import os
import zipfile
from functools import partial
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.log_io import replay_log
from matcher.catalogue.exchange.mapping import preview
from matcher.catalogue.exchange.package import record_rows, records_csv, records_jsonl
from matcher.catalogue.records.columns import parse_mapping
from matcher.catalogue.records.csv_text import guard, unguard
from matcher.catalogue.records.enrol import renumbered
from matcher.catalogue.records.table import Reading, read_table
from matcher.core.errors import BadTable
from tests.support.cards import AWKWARD
from tests.support.enrolling import draw, row, run, write_table


def stated(told: dict[str, str]) -> dict[str, str]:
    """What a row says; a column that is there but blank says nothing."""
    return {name: text for name, text in told.items() if text}


def test_records_as_csv_can_be_enrolled_elsewhere(lived_in: Catalogue, tmp_path: Path) -> None:
    with lived_in.reading() as connection:
        (tmp_path / "records.csv").write_bytes(records_csv(connection))
        wanted = record_rows(connection)
        lines = records_jsonl(connection).decode().splitlines()
    with (tmp_path / "records.csv").open(encoding="utf-8", newline="") as stream:
        cells = [cell for line in csv.reader(stream) for cell in line]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]  # nothing that a spreadsheet runs
    report = run(tmp_path / "records.csv", tmp_path / "other", images=lived_in.folder)
    assert report.failed == ()
    with Catalogue.open(tmp_path / "other") as other, other.reading() as connection:
        assert [stated(told) for told in record_rows(connection)] == [stated(told) for told in wanted]
        assert other.record("V004").caption == AWKWARD
    assert [json.loads(line) for line in lines] == wanted


@pytest.mark.parametrize("text", ["=1", "'=1", "''-1", "'tis", "", "+", "-5", "@x", "\tx", "plain", "'", "'''"])
def test_formulas_are_made_harmless_and_come_back(text: str) -> None:
    assert unguard(guard(text)) == text
    assert not guard(text).startswith(("=", "+", "-", "@", "\t", "\r"))


MAP = ["No=record_id", "Sitter=subject", "Plate=pose", "Cut=crop", "Words=caption"]


def test_a_foreign_table_is_mapped_after_a_preview(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    table.write_text("No,Sitter,Plate,Cut,Words,File,Shelf\nV1,Zoë,P1,A,Oakmere,a.png,7\n", encoding="utf-8-sig")
    seen = preview(table, Reading(columns=parse_mapping(MAP)))
    assert seen.lacking == ("image",)
    assert seen.meant == {"File": "image"}
    assert seen.columns[-1] == ("Shelf", "")
    assert seen.rows[0]["subject"] == "Zoë"
    (read,) = read_table(table, Reading(columns=parse_mapping([*MAP, "File=image"]))).rows
    assert (read.record_id, read.subject, read.image, read.extra) == ("V1", "Zoë", "a.png", {"Shelf": "7"})
    lines = tmp_path / "theirs.jsonl"
    lines.write_text(json.dumps({"No": "V1", "Sitter": "Zoë", "Plate": "P1", "Cut": "A", "Words": None}) + "\n\n")
    assert preview(lines, Reading(columns=parse_mapping(MAP))).rows[0]["caption"] == ""


def test_a_mapped_row_keeps_its_line(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    head = "No,Sitter,Plate,Cut,Words,File\n"
    table.write_text(head + '\nV1,a,P1,A,"two\nlines",a.png\n\nV2,b,P2,A,c,b.png,surplus\n')
    read = read_table(table, Reading(columns=parse_mapping([*MAP, "File=image"])))
    assert [row.line for row in read.rows] == [3]
    assert [(bad.line, bad.error.code) for bad in read.bad] == [(6, "extra_cells")]
    table.write_text("Sitter,Words,Words\na,b,c\n")
    with pytest.raises(BadTable, match="two columns are called Words"):
        preview(table, Reading())


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["Sitter"], "names no two columns"),
        (["A=subject", "A=pose"], "mapped twice"),
        (["A=sitter"], "no column 'sitter'"),
    ],
)
def test_a_wrong_mapping_is_told(given: list[str], says: str) -> None:
    with pytest.raises(BadTable, match=says):
        parse_mapping(given)


def test_a_mapping_must_fit_the_table(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    table.write_text("Sitter,subject\na,b\n")
    with pytest.raises(BadTable, match="no column 'Name'"):
        preview(table, Reading(columns={"Name": "subject"}))
    with pytest.raises(BadTable, match="two columns would be 'subject'"):
        preview(table, Reading(columns={"Sitter": "subject"}))


def test_a_preview_shows_every_conflict(catalogue: Catalogue, scans: Path) -> None:
    """A friend's table: ids that mean something else here, a pose of somebody else, a picture that is not there."""
    rows = [
        row(0, "scan0.png", caption="other words"),
        row(1, "scan1.png", record_id="V900", subject="Another"),
        row(2, "nowhere.png", record_id="V901", pose="P901", subject="Zoë"),
    ]
    seen = preview(write_table(scans / "theirs.csv", rows), Reading(), catalogue.records())
    told = "\n".join(seen.conflicts)
    assert "line 2: record V000 has caption 'other words'" in told
    assert "line 3: pose P000 shows 'Another'" in told
    assert "line 4: there is no picture" in told
    assert "--renumber" in told


def test_a_preview_under_free_ids_tells_these_and_no_conflict(catalogue: Catalogue, scans: Path) -> None:
    draw(scans / "new.png", 77)
    rows = [row(0, "new.png", subject="Zoë", caption="theirs", pose="P001"), row(1, "scan1.png")]  # enrolled here
    table = write_table(scans / "theirs.csv", rows)
    assert preview(table, Reading(), catalogue.records()).conflicts
    seen = preview(table, Reading(), catalogue.records(), partial(renumbered, catalogue=catalogue))
    assert seen.conflicts == ()
    assert "record V000 became V004" in seen.notes


def test_somebody_elses_ids_are_exchanged_for_free_ones(scans: Path) -> None:
    """Their V000 and P000 are not ours; the same table again changes nothing."""
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    draw(scans / "new.png", 77)
    table = write_table(scans / "theirs.csv", [row(0, "new.png", subject="Zoë", caption="theirs")])
    report = run(table, folder, new_ids=True)
    assert report.failed == ()
    assert report.told == ("record V000 became V004", "pose P000 became P002")
    with Catalogue.open(folder) as opened:
        assert (opened.record("V004").subject, opened.record("V000").subject) == ("Zoë", "Sitter 0")
    again = run(table, folder, new_ids=True)
    assert (again.added, again.unchanged, again.records) == (0, 1, 5)


def sheet_with(path: Path, more: str) -> Path:
    """An Office Open XML spreadsheet (ECMA-376) as little as can be; more: at the end of its one sheet."""
    names = zip("ABCDEF", ("record_id", "subject", "pose", "crop", "caption", "image"), strict=True)
    head = "".join(f'<c r="{letter}1" t="inlineStr"><is><t>{name}</t></is></c>' for letter, name in names)
    body = "".join(f'<c r="{letter}2" t="inlineStr"><is><t>x</t></is></c>' for letter in "ABCDEF")
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    packages = "http://schemas.openxmlformats.org/package/2006"
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{packages}/content-types"><Default Extension="rels" ContentType='
        f'"application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" '
        f'ContentType="{kinds}.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" '
        f'ContentType="{kinds}.worksheet+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{packages}/relationships"><Relationship Id="rId1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="a" sheetId="1" '
        'r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{packages}/relationships"><Relationship Id="rId1" '
        f'Type="{office}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData><row r="1">{head}</row><row r="2">{body}'
        f"</row>{more}</sheetData></worksheet>",
    }
    with zipfile.ZipFile(path, "w") as book:
        for name, text in parts.items():
            book.writestr(name, f'<?xml version="1.0"?>{text}')
    return path


@pytest.mark.parametrize(
    ("more", "where"),
    [
        ('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>', "column XFD, row 1,048,576"),
        ('<row r="99999999999"><c r="ZZZZZZZZ1"><v>1</v></c></row>', "column ZZZZZZZZ, row 99,999,999,999"),
    ],
)
def test_a_stray_cell_at_the_far_corner_is_told(tmp_path: Path, more: str, where: str) -> None:
    """A spreadsheet of two thousand bytes made the whole process ask for 155 GB, and end."""
    assert len(read_table(sheet_with(tmp_path / "plain.xlsx", "")).rows) == 1
    assert len(read_table(sheet_with(tmp_path / "far.xlsx", '<row r="4000"><c r="Z4000"/></row>')).rows) == 1
    with pytest.raises(BadTable, match=where) as caught:
        read_table(sheet_with(tmp_path / "stray.xlsx", more))
    assert caught.value.code == "table_too_large"
    assert "delete stray cells" in caught.value.remedy


def test_a_pipe_or_a_device_is_not_waited_for(tmp_path: Path) -> None:
    """`enrol` hung for ever where a table named one."""
    os.mkfifo(tmp_path / "pipe.csv")
    for path in (tmp_path / "pipe.csv", Path("/dev/zero")):
        with pytest.raises(BadTable, match="no ordinary file") as caught:
            read_table(path)
        assert caught.value.code == "missing_file"
        with pytest.raises(BadTable, match="no ordinary file"):
            replay_log(Catalogue.open(tmp_path / "c", create=True), path)
    os.mkfifo(tmp_path / "scan.png")
    report = run(write_table(tmp_path / "t.csv", [row(0, "scan.png")]), tmp_path / "catalogue")
    (failed,) = report.failed
    assert "is no ordinary file" in failed.message


def test_lines_of_json_end_where_lines_end_and_may_hold_anything_else(tmp_path: Path) -> None:
    """A caption with Unicode's line separator could not be read again from the product's own export."""
    told = {"record_id": "V1", "subject": "S", "pose": "P", "crop": "A", "caption": "x\u2028y", "image": "a.png"}
    lines = tmp_path / "t.jsonl"
    lines.write_bytes(json.dumps(told, ensure_ascii=False).encode() + b"\r\n\r\n" + json.dumps(told).encode())
    rows = read_table(lines).rows
    assert [one.caption for one in rows] == ["x\u2028y"] * 2
    lines.write_text("[" * 200_000)
    with pytest.raises(BadTable) as caught:
        read_table(lines)
    assert caught.value.code == "not_csv"


def test_a_table_of_a_gigabyte_is_refused_at_once(tmp_path: Path) -> None:
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as stream:
        stream.truncate(1_000_000_000)  # a hole: it takes no room
    with pytest.raises(BadTable, match="1,000 MB") as caught:
        read_table(huge)
    assert caught.value.code == "table_too_large"
