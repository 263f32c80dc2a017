"""Tables out and in again: formulas, foreign columns, sizes; on both databases."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.mapping import mapped_table, parse_mapping, preview
from matcher.catalogue.exchange.package import record_rows, records_csv, records_jsonl
from matcher.catalogue.records.csv_text import guard, unguard
from matcher.catalogue.records.table import read_table
from matcher.core.errors import BadTable
from tests.support.cards import AWKWARD
from tests.support.enrolling import run


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


def test_a_foreign_table_is_mapped_after_a_preview(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    table.write_text("No,Sitter,Plate,Cut,Words,File,Shelf\nV1,Zoë,P1,A,Oakmere,a.png,7\n", encoding="utf-8-sig")
    mapping = parse_mapping(["No=record_id", "Sitter=subject", "Plate=pose", "Cut=crop", "Words=caption"])
    seen = preview(table, mapping)
    assert seen.lacking == ("image",)
    assert seen.columns[-1] == ("Shelf", "")
    assert seen.rows[0]["subject"] == "Zoë"
    mapped = tmp_path / "mapped.csv"
    mapped.write_bytes(mapped_table(table, {**mapping, "File": "image"}))
    (read,) = read_table(mapped).rows
    assert (read.record_id, read.subject, read.image, read.extra) == ("V1", "Zoë", "a.png", {"Shelf": "7"})
    lines = tmp_path / "theirs.jsonl"
    lines.write_text(json.dumps({"No": "V1", "Sitter": "Zoë", "Plate": "P1", "Cut": "A", "Words": None}) + "\n\n")
    assert preview(lines, mapping).rows[0]["caption"] == ""


def test_a_mapped_row_keeps_its_line_and_its_surplus(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    table.write_text('Sitter,Words\n\na,"two\nlines"\n\nb,c,surplus\n')
    mapped = mapped_table(table, {"Sitter": "subject"}).decode().split("\r\n")
    assert mapped == ["subject,Words", "", 'a,"two\nlines"', "", "b,c,surplus", ""]
    table.write_text("Sitter,Words,Words\na,b,c\n")
    with pytest.raises(BadTable, match="two columns are called Words"):
        preview(table, {})


@pytest.mark.parametrize(
    ("given", "says"),
    [(["Sitter"], "maps nothing"), (["A=subject", "A=pose"], "again"), (["A=sitter"], "none of our columns")],
)
def test_a_wrong_mapping_is_told(given: list[str], says: str) -> None:
    with pytest.raises(BadTable, match=says):
        parse_mapping(given)


def test_a_mapping_must_fit_the_table(tmp_path: Path) -> None:
    table = tmp_path / "theirs.csv"
    table.write_text("Sitter,subject\na,b\n")
    with pytest.raises(BadTable, match="no column 'Name'"):
        preview(table, {"Name": "subject"})
    with pytest.raises(BadTable, match="two columns would be 'subject'"):
        preview(table, {"Sitter": "subject"})


def test_a_table_of_a_gigabyte_is_refused_at_once(tmp_path: Path) -> None:
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as stream:
        stream.truncate(1_000_000_000)  # a hole: it takes no room
    with pytest.raises(BadTable, match="1,000 MB") as caught:
        read_table(huge)
    assert caught.value.code == "table_too_large"
