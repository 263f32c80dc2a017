"""Where in its picture a record's card is goes out with the table of records and comes in again."""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.exchange.bare import export_stripped
from matcher.catalogue.exchange.package import records_csv, records_jsonl
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.outlining import outline_reference
from matcher.catalogue.records.table import read_table
from matcher.core.detect.given_outline import outline_text
from matcher.core.errors import BadTable
from tests.support.enrolling import codes
from tests.support.faces import picture

ADA = person("Ada Quill")
LEFT = ((60.0, 80.0), (428.0, 80.0), (428.0, 720.0), (60.0, 720.0))
RIGHT = ((500.25, 80.0), (868.0, 80.0), (868.0, 720.0), (500.25, 720.0))
COLUMNS = ("record_id", "subject", "pose", "crop", "caption", "image", "outline")


@pytest.fixture
def page(tmp_path: Path) -> Path:
    """A page with two cards on a dark ground."""
    pixels = np.full((800, 930, 3), 20, np.uint8)
    for number, (corner, _, opposite, _) in enumerate((LEFT, RIGHT)):
        (x1, y1), (x2, y2) = ((int(x), int(y)) for x, y in (corner, opposite))
        card = cv2.resize(picture(number + 1), (x2 - x1, y2 - y1))
        pixels[y1:y2, x1:x2] = card[..., None]
    cv2.imwrite(str(tmp_path / "page.png"), pixels)
    return tmp_path


def table(folder: Path, *outlines: str, records: tuple[str, ...] = ("V1", "V2", "V3")) -> Path:
    """A row for each outline, each of another record."""
    told = [
        (one, f"Sitter {one}", f"P{one}", "A", "", "page.png", text)
        for one, text in zip(records, outlines, strict=False)
    ]
    with (folder / "cards.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS, *told])
    return folder / "cards.csv"


def both(folder: Path) -> EnrolReport:
    return enrol(table(folder, outline_text(LEFT), outline_text(RIGHT)), folder / "my", workers=0)


def quads(folder: Path) -> dict[str, object]:
    with Catalogue.open(folder) as opened:
        return {row.record_id: tuple(map(tuple, row.quad)) for row in opened.references()}


def test_two_cards_of_one_picture_are_each_enrolled_where_the_table_says(page: Path) -> None:
    report = both(page)
    assert (report.added, report.failed) == (2, ())
    assert quads(page / "my") == {"V1": LEFT, "V2": RIGHT}
    assert (both(page).added, both(page).unchanged) == (0, 2)


@pytest.mark.parametrize("kind", ["csv", "jsonl", "strip", "bag"])
def test_an_export_tells_where_each_card_is(page: Path, kind: str) -> None:
    both(page)
    other = page / "other"
    with Catalogue.open(page / "my") as opened:
        if kind == "strip":
            export_stripped(opened, page / "bare")
            source = page / "bare" / "records.csv"
        elif kind == "bag":
            export_bag(opened, page / "bag")
            source = page / "bag" / "data" / "records.csv"
        else:
            with opened.reading() as connection:
                data = (records_csv if kind == "csv" else records_jsonl)(connection, "my")
            source = page / f"out.{kind}"
            source.write_bytes(data)
    report = enrol(source, other, workers=0)
    assert (report.added, report.failed) == (2, ())
    assert quads(other) == quads(page / "my")
    with Catalogue.open(other) as there, Catalogue.open(page / "my") as here:
        assert [one.outline for one in there.references()] == [one.outline for one in here.references()]


def test_what_was_outlined_by_hand_stays_so_elsewhere(page: Path) -> None:
    both(page)
    drawn = (RIGHT[2], RIGHT[3], RIGHT[0], RIGHT[1])  # on its head
    with Catalogue.open(page / "my") as opened:
        (reference,) = opened.references("V2")
        outline_reference(opened, reference.id, drawn, ADA)
        with opened.reading() as connection:
            (page / "out.csv").write_bytes(records_csv(connection, "my"))
    enrol(page / "out.csv", page / "other", workers=0)
    assert quads(page / "other") == {"V1": LEFT, "V2": drawn}


def test_a_card_that_was_found_by_itself_has_none(page: Path) -> None:
    assert enrol(table(page, ""), page / "my", workers=0).added == 1
    with Catalogue.open(page / "my") as opened, opened.reading() as connection:
        (found,) = opened.references()
        assert found.facts["outline_score"] < 1.0
        assert b"outline" not in records_csv(connection)


def test_an_export_of_before_can_still_be_brought_in(page: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    both(page)
    with monkeypatch.context() as earlier:
        earlier.setattr(package, "is_given", lambda *_: False)
        with Catalogue.open(page / "my") as opened:
            export_bag(opened, page / "bag")
    assert b"outline" not in (page / "bag" / "data" / "records.csv").read_bytes()
    with Catalogue.open(page / "other", create=True) as other:
        import_bag(other, page / "bag")
    assert quads(page / "other") == {"V1": LEFT, "V2": RIGHT}


def test_one_card_for_two_records_is_refused_however_it_is_told(page: Path) -> None:
    near = outline_text([(x + 3, y) for x, y in LEFT])
    assert codes(enrol(table(page, outline_text(LEFT), near), page / "my", workers=0)) == [
        (2, "duplicate_image"),
        (3, "duplicate_image"),
    ]
    both(page)
    again = enrol(table(page, near, records=("V9",)), page / "my", workers=0)
    assert codes(again) == [(2, "duplicate_image")]
    found = enrol(table(page, "", records=("V9",)), page / "my", workers=0)  # the clearest is one of the two
    assert codes(found) == [(2, "duplicate_image")]


def test_an_outline_that_is_none_is_told_with_its_line(page: Path) -> None:
    bad = table(page, "102 80 910 95", outline_text(LEFT[::-1]), "0 0 9999 0 9999 9999 0 9999")
    assert [(one.line, one.error.code) for one in read_table(bad).bad] == [(2, "bad_outline")]
    report = enrol(bad, page / "my", workers=0)
    assert codes(report) == [(2, "bad_outline"), (3, "bad_outline"), (4, "bad_outline")]
    assert all("page.png" in one.message or "line 2" in one.message for one in report.failed)
    assert not (page / "my").exists()


def test_corners_are_read_as_people_write_them(page: Path) -> None:
    told = table(page, "60,80 428,80 428,720 60,720")
    assert [row.quad for row in read_table(told).rows] == [LEFT]
    with pytest.raises(BadTable, match="no rows"):
        read_table(table(page))
