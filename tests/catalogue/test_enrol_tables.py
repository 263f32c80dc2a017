"""Tables of records: what is read, what is refused, and what a bad row costs."""

from __future__ import annotations

from pathlib import Path

import pytest

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.table import read_table
from matcher.core.errors import BadTable
from tests.support.enrolling import codes, draw, dump, row, run, write_table


def test_reads_a_table_with_and_without_byte_order_mark(tmp_path: Path) -> None:
    rows = [row(0, " a.png ", caption='Sitter, "Zoë"\nOakmere', references="x"), row(1, "b.png", caption="")]
    plain = read_table(write_table(tmp_path / "plain.csv", rows))
    marked = read_table(write_table(tmp_path / "marked.csv", rows, "utf-8-sig"))
    assert plain.rows == marked.rows
    first, second = plain.rows
    assert (first.image, first.path, first.extra) == ("a.png", tmp_path / "a.png", {"references": "x"})
    assert first.caption == 'Sitter, "Zoë"\nOakmere'
    assert (first.line, second.line) == (2, 4)  # the first row is two lines long
    assert second.caption == ""  # a card may bear no words


GOOD = "V1,Sitter,P1,A,Words,a.png"


@pytest.mark.parametrize(
    ("content", "code", "says"),
    [
        (b"record_id,subject,pose,crop,caption\nV1,a,b,c,d\n", "missing_column", "line 1: no column image"),
        (b"record_id;siter;pose;crop;captoin;image\n", "missing_column", "captoin: did you mean caption?"),
        (b"record_id,subject,pose,crop,caption,Foto\n", "missing_column", "Foto: did you mean image?"),
        (b"", "missing_column", "found: nothing"),
        (b"record_id,subject,pose,crop,caption,image\n\n , ,,,,\n", "empty_table", "no rows"),
        (b"record_id,subject,pose,crop,caption,image,image\n", "duplicate_column", "image"),
        (b"record_id,subject,pose\x00\x01,crop,caption,image\nV1,Zo\xeb,P,A,c,i\n", "not_utf8", "zero bytes"),
        (b"PK\x03\x04 no spreadsheet", "not_a_table", "cannot be read"),
        (b'record_id,subject,pose,crop,caption,image\nV1,a,b,c,d,e\nV2,"a,b,c,d,e\n', "not_csv", "line 3"),
    ],
)
def test_refuses_a_table(tmp_path: Path, content: bytes, code: str, says: str) -> None:
    path = tmp_path / "RECORDS.csv"
    path.write_bytes(content)
    with pytest.raises(BadTable) as caught:
        enrol(path, tmp_path / "catalogue")
    assert caught.value.code == code
    assert says in str(caught.value)
    assert str(path) in str(caught.value)
    assert caught.value.remedy
    assert not (tmp_path / "catalogue").exists()  # nothing half-made


def test_refuses_a_table_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadTable, match="No such file"):
        read_table(tmp_path / "RECORDS.csv")


@pytest.mark.parametrize(
    ("rows", "failed"),
    [
        # a value is missing: only that row
        ([row(0, "scan0.png", pose=""), row(1, "scan1.png")], [(2, "missing_value")]),
        # the record's rows contradict each other: none of them is taken, the others are
        (
            [row(0, "scan0.png"), row(1, "scan1.png"), row(0, "scan2.png", caption="other")],
            [(2, "clash"), (4, "clash")],
        ),
        # a club that is not stated contradicts nothing, two clubs do
        ([row(1, "scan1.png", club=""), row(1, "scan2.png", club="Oakmere")], []),
        (
            [row(1, "scan0.png"), row(1, "scan1.png", club="Oakmere"), row(1, "scan2.png", club="Fernhill")],
            [(2, "clash"), (3, "clash"), (4, "clash")],
        ),
        # one pose under two subjects
        (
            [row(0, "scan0.png"), row(1, "scan1.png", subject="Another"), row(2, "scan2.png")],
            [(2, "clash"), (3, "clash")],
        ),
        # the image is missing, not an image, or shows no card
        ([row(0, "nowhere.png"), row(1, "scan1.png")], [(2, "missing_file")]),
        ([row(0, "RECORDS.csv"), row(1, "scan1.png")], [(2, "not_an_image")]),
        ([row(0, "no_card.png"), row(1, "scan1.png")], [(2, "no_card")]),
        # one image for two records
        (
            [row(0, "scan0.png"), row(1, "scan1.png"), row(2, "scan0.png")],
            [(2, "duplicate_image"), (4, "duplicate_image")],
        ),
        # one image twice for one record is no failure
        ([row(0, "scan0.png"), row(0, "scan0.png")], []),
    ],
)
def test_a_bad_row_costs_only_itself(scans: Path, rows: list[dict[str, str]], failed: list[tuple[int, str]]) -> None:
    report = run(write_table(scans / "bad.csv", rows), scans / "catalogue")
    assert codes(report) == failed
    assert report.added + report.unchanged == len(rows) - len(failed)
    assert all(f"line {f.line}" in f.message or str(scans / f.image) in f.message for f in report.failed)
    assert all(f.remedy for f in report.failed)


def test_a_record_without_a_usable_image_is_not_stored(scans: Path) -> None:
    rows = [row(0, "no_card.png"), row(1, "scan1.png"), row(1, "nowhere.png")]
    table = write_table(scans / "bad.csv", rows)
    report = run(table, scans / "catalogue")
    assert report.records == 1
    assert "record V000 was not stored" in report.failed[0].message
    assert "not stored" not in report.failed[1].message


def test_contradicting_the_catalogue_fails_only_the_new_rows(scans: Path) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    before = dump(folder)
    draw(scans / "new.png", 99)
    rows = [
        row(0, "scan0.png", copy="first", club="Oakmere"),  # as it is
        row(0, "new.png", club="Fernhill"),  # another club
        row(2, "new.png", subject="Another", record_id="V777"),  # its pose has another subject
        row(1, "scan0.png"),  # an image of another record
    ]
    report = run(write_table(scans / "more.csv", rows), folder)
    assert codes(report) == [(3, "clash"), (4, "clash"), (5, "duplicate_image")]
    assert (report.added, report.unchanged) == (0, 1)
    assert dump(folder) == before
