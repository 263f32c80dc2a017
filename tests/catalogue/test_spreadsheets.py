"""Sixty tables as eight spreadsheet programs of several countries write them are enrolled as they are.

The truth is what was written, by libraries other than the one that reads (see `tests.support.spreadsheets`).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.columns import suggestions
from matcher.catalogue.records.table import Reading, read_table
from matcher.catalogue.records.text_encoding import decode
from matcher.cli.enrol import _unpacked
from matcher.core.errors import BadTable
from tests.support.enrolling import draw, run
from tests.support.spreadsheets import HEADER, PROGRAMS, RECORDS, SAVED, delimited


@pytest.fixture
def box(tmp_path: Path) -> Path:
    (tmp_path / "scans").mkdir()
    for seed in range(len(RECORDS)):
        draw(tmp_path / "scans" / f"scan{seed}.png", seed)
    return tmp_path


def test_there_are_sixty_of_eight_programs() -> None:
    assert (len(SAVED), len(PROGRAMS)) == (60, 8)


@pytest.mark.parametrize("name", SAVED)
def test_a_table_is_enrolled_as_it_was_saved(box: Path, name: str) -> None:
    with _unpacked(SAVED[name](box)) as table:
        report = run(table, box / "catalogue")
    assert report.failed == ()
    with Catalogue.open(box / "catalogue") as catalogue:
        assert [(r.record_id, r.subject, r.pose, r.crop, r.caption, r.club, r.year) for r in catalogue.records()] == [
            (*record[:5], *record[6:8]) for record in RECORDS
        ]
        assert [row.seen_on for row in catalogue.references()] == [record[8] for record in RECORDS]


def test_what_may_be_two_days_is_asked_and_the_answer_helps(box: Path) -> None:
    table = delimited(box)
    table.write_text(table.read_text().replace("1987-05-23", "4/5/1987"))
    read = read_table(table)
    assert [(bad.line, bad.error.code) for bad in read.bad] == [(2, "bad_day")]
    assert "--days day-first" in read.bad[0].error.remedy
    assert read_table(table, Reading(days="day-first")).rows[0].seen_on == "1987-05-04"
    assert read_table(table, Reading(days="month-first")).rows[0].seen_on == "1987-04-05"
    # One row of the column that tells its order speaks for the others.
    table.write_text(table.read_text().replace("1987-05-24", "24/5/1987"))
    assert [row.seen_on for row in read_table(table).rows] == ["1987-05-04", "1987-05-24", "1987-06-02"]


def test_an_encoding_that_was_guessed_is_told_and_can_be_said(box: Path) -> None:
    """Czech letters of a Central European Windows are taken for others, and the message names the step."""
    table = box / "cards.csv"
    table.write_bytes((",".join(HEADER) + "\nV1,Dvořák Šťastný,P1,A,Dvořák,scans/scan0.png,,,\n").encode("cp1250"))
    assert "--encoding" in read_table(table).notes[0]
    assert read_table(table, Reading(encoding="cp1250")).rows[0].subject == "Dvořák Šťastný"
    with pytest.raises(BadTable, match="no encoding is called 'klingon'"):
        read_table(table, Reading(encoding="klingon"))


@pytest.mark.parametrize("encoding", ["cp1252", "mac_roman", "cp850"])
@pytest.mark.parametrize("text", ["Zoë Müller", "René à Genève", "Ñuñez y Peña", "Größe"])
def test_western_letters_are_told_by_where_they_stand(text: str, encoding: str) -> None:
    assert decode(text.encode(encoding)).text == text


def test_a_misspelt_column_is_told_with_what_it_was_meant_to_be(box: Path) -> None:
    table = delimited(box, header=["record_id", "sitter", "pose", "crop", "captoin", "file", "club", "year", "seen_on"])
    with pytest.raises(BadTable) as caught:
        read_table(table)
    assert "captoin: did you mean caption?" in caught.value.message
    assert "sitter: did you mean subject?" in caught.value.message
    assert "--map captoin=caption" in caught.value.remedy
    meant = suggestions(["record_id", "sitter", "pose", "crop", "captoin", "file"])
    assert read_table(table, Reading(columns=meant)).rows[0].subject == RECORDS[0][1]


def test_a_column_is_taken_for_none_that_it_is_merely_a_little_like() -> None:
    """'price' and 'picture' have two thirds of their letters in common (difflib's ratio), 'place' and 'plate' more."""
    assert suggestions(["record_id", "subject", "caption", "price", "place", "game"]) == {}


def test_a_picture_is_found_in_other_capitals_and_other_accents(box: Path) -> None:
    """Windows minds no capitals; a Macintosh takes accents apart."""
    draw(box / "scans" / "Zoe\u0308.PNG", 50)
    table = delimited(box)
    table.write_text(table.read_text().replace("scans/scan0.png", "SCANS\\zoë.png"))
    assert read_table(table).rows[0].path.name == "Zoe\u0308.PNG"


def test_a_spreadsheet_with_a_password_is_told(tmp_path: Path) -> None:
    """An encrypted workbook is an OLE file (MS-OFFCRYPTO, 2.3): these are its first bytes."""
    path = tmp_path / "cards.xlsx"
    path.write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600))
    with pytest.raises(BadTable, match="cannot be read") as caught:
        read_table(path)
    assert "without a password" in caught.value.remedy


def test_a_text_that_breaks_off_is_told_in_words() -> None:
    with pytest.raises(ValueError, match=r"^it breaks off, or is no text in utf-16-le: byte 3 cannot be read$"):
        decode(b"\xff\xfe\x00")
