"""What a lot gives: tables, spreadsheet, sidecars, contact sheet; its queue, the decisions on it, and their undoing."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from lxml import etree
from PIL import Image
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.finds import resolution, sightings
from matcher.catalogue.finds.resolution import RecordFields
from matcher.cli import app
from matcher.core.answer import CardResult
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.results import COLUMNS, as_bytes, rows_of, write_faces, write_results
from matcher.jobs.lot.review_queue import queue, to_confirm
from matcher.jobs.lot.sidecar import merged, sidecar_path, write_sidecars
from matcher.jobs.lot.spreadsheet import in_order, write_sheet
from matcher.jobs.lot.store import LotRow
from matcher.jobs.lot.workbook import COUNTED, SHOWN
from tests.jobs.lot.test_lot import checksums
from tests.support.lots import ADA, Quick, akin, draw_scan, found, tag


@pytest.fixture
def box(tmp_path: Path) -> Path:
    for number in range(1, 8):
        draw_scan(tmp_path / "box" / f"p{number}.png", number)
    return tmp_path / "box"


@pytest.fixture
def lot(catalogue: Catalogue, box: Path) -> LotRow:
    """p1 to p3 show one new pose, p4 and p5 cannot be told, p6 and p7 are known; p7 is p6's very card again."""
    known = found("known", record_id="V000", pose="P000", crop="A", confidence={"record": 0.95, "copy": 0.1})
    quick = Quick({
        **{f"p{k}.png": [found("new_pose", caption=None)] for k in (1, 2, 3)},
        **{f"p{k}.png": [found("undecided", pose="P000")] for k in (4, 5)}, "p6.png": [known], "p7.png": [known],
    })  # fmt: skip
    lot = tag(catalogue, box, quick).lot
    for one, other in (("1.1", "2.1"), ("2.1", "3.1"), ("4.1", "5.1")):
        akin(catalogue, lot.lot_id, one, other)
    akin(catalogue, lot.lot_id, "6.1", "7.1", copy=0.998)
    return lot


def beside(card: CardResult, right: float) -> CardResult:
    """The same card so many pixels further to the right."""
    a, b, c, d = ((x + right, y) for x, y in card.quad)
    return replace(card, quad=(a, b, c, d))


def cases(catalogue: Catalogue, lot: LotRow) -> list[list[str]]:
    return [sorted(card.card for card in case.cards) for case in queue(catalogue, lot)]


def test_one_find_for_a_new_pose_that_turns_up_three_times(catalogue: Catalogue, lot: LotRow) -> None:
    assert cases(catalogue, lot) == [["1.1", "2.1", "3.1"], ["4.1", "5.1"]]  # what settles most comes first
    assert len(review.propose(catalogue, lot)) == 1
    assert review.propose(catalogue, lot) == ()
    (open_find,) = resolution.finds(catalogue, "open")
    assert queue(catalogue, lot)[0].find_id == open_find.find_id
    made = review.accept(catalogue, lot, "2.1", ADA, RecordFields(subject="Bo Fell", caption="BO FELL"))
    assert [(row.action, row.actor) for row in made][-2:] == [("see", "person"), ("see", "person")]
    record = next(r for r in catalogue.records() if r.subject == "Bo Fell")
    assert len(catalogue.references(record.record_id)) == 1
    assert len(sightings.sightings(catalogue, record.record_id)) == 2
    assert cases(catalogue, lot) == [["4.1", "5.1"]]
    tags = {row["card"]: row["tag"] for row in rows_of(catalogue, lot)}
    assert {tags[card] for card in ("1.1", "2.1", "3.1")} == {record.record_id}
    assert check(catalogue) == ()


def test_each_card_of_a_page_is_told_as_itself(catalogue: Catalogue, tmp_path: Path) -> None:
    """Finds of one lot page all bore the name of its first card."""
    draw_scan(tmp_path / "page" / "page.png", 1)
    new = [found("new_pose", caption=None) for _ in range(3)]
    known = [found("known", record_id=f"V00{k}", pose="P000", crop="A", confidence={"record": 0.99}) for k in (0, 1)]
    cards = [beside(one, 20.0 * place) for place, one in enumerate((*new, *known))]
    lot = tag(catalogue, tmp_path / "page", Quick({"page.png": cards})).lot
    review.propose(catalogue, lot)
    assert [row.source for row in resolution.finds(catalogue)] == [f"lot L00001, card 1.{k}" for k in (1, 2, 3)]
    review.confirm(catalogue, lot, cards_of(catalogue, lot), ADA)
    assert {row.source for row in sightings.sightings(catalogue)} == {f"lot L00001, card 1.{k}" for k in (4, 5)}
    told = CliRunner().invoke(app, ["finds", "show", "F00002", "--catalogue", str(catalogue.folder)]).stdout
    assert "card       one of 3 in it, with its corners at 20 " in told
    assert "source     lot L00001, card 1.2" in told


def test_a_decision_is_undone_with_all_that_it_settled(catalogue: Catalogue, lot: LotRow) -> None:
    review.accept(catalogue, lot, "1.1", ADA, RecordFields(subject="Bo Fell", caption=""))
    review.choose(catalogue, lot, "4.1", "V001", ADA)
    assert cases(catalogue, lot) == []
    assert [row.record_id for row in sightings.sightings(catalogue, "V001")] == ["V001", "V001"]
    review.undo(catalogue, lot, ADA)
    assert cases(catalogue, lot) == [["4.1", "5.1"]]
    review.undo(catalogue, lot, ADA)
    assert len(cases(catalogue, lot)) == 2
    assert sightings.sightings(catalogue) == ()
    with pytest.raises(CatalogueError) as caught:
        review.undo(catalogue, lot, ADA)
    assert caught.value.code == "no_such_decision"
    assert len(catalogue.records()) == 4
    assert check(catalogue) == ()


def test_a_whole_lot_is_undone(catalogue: Catalogue, lot: LotRow) -> None:
    review.propose(catalogue, lot)
    review.accept(catalogue, lot, "1.1", ADA, RecordFields(subject="Bo Fell", caption=""))
    review.reject(catalogue, lot, "4.1", ADA)
    review.confirm(catalogue, lot, cards_of(catalogue, lot), ADA)
    assert cases(catalogue, lot) == []
    review.undo(catalogue, lot, ADA, whole=True)
    assert resolution.finds(catalogue) == ()
    assert sightings.sightings(catalogue) == ()
    assert len(cases(catalogue, lot)) == 2
    assert check(catalogue) == ()


def test_without_a_record_the_closest_is_chosen(catalogue: Catalogue, lot: LotRow) -> None:
    review.choose(catalogue, lot, "4.1", None, ADA)
    assert [row.record_id for row in sightings.sightings(catalogue)] == ["V000", "V000"]
    assert review.closest(catalogue, lot, "1.1") == "V000"


def test_like_cards_can_be_left_out(catalogue: Catalogue, lot: LotRow) -> None:
    review.accept(catalogue, lot, "1.1", ADA, RecordFields(subject="Bo Fell", caption=""), apart=["3.1"])
    assert cases(catalogue, lot) == [["4.1", "5.1"], ["3.1"]]
    review.reject(catalogue, lot, "4.1", ADA, apart=None)
    assert cases(catalogue, lot) in ([["3.1"], ["5.1"]], [["5.1"], ["3.1"]])
    assert [find.state for find in resolution.finds(catalogue)] == ["accepted", "rejected"]


def test_what_is_put_off_comes_last_and_comes_back(catalogue: Catalogue, lot: LotRow) -> None:
    review.skip(catalogue, lot, "2.1")
    assert cases(catalogue, lot) == [["4.1", "5.1"], ["1.1", "2.1", "3.1"]]
    review.skip(catalogue, lot, "3.1", put_off=False)
    assert cases(catalogue, lot)[0] == ["1.1", "2.1", "3.1"]


def test_a_card_that_is_not_there(catalogue: Catalogue, lot: LotRow) -> None:
    with pytest.raises(CatalogueError) as caught:
        review.reject(catalogue, lot, "99.1", ADA)
    assert caught.value.code == "no_such_card"


def test_a_known_card_can_be_overruled_and_the_others_confirmed_by_name(catalogue: Catalogue, lot: LotRow) -> None:
    assert [card.card for card in to_confirm(catalogue, cards_of(catalogue, lot), 0.0)] == ["6.1"]
    review.choose(catalogue, lot, "6.1", "V001", ADA)
    assert [row.record_id for row in sightings.sightings(catalogue)] == ["V001"]
    with pytest.raises(CatalogueError) as caught:
        review.reject(catalogue, lot, "6.1", ADA)
    assert caught.value.code == "already_decided"
    assert review.confirm(catalogue, lot, cards_of(catalogue, lot), ADA, only=["6.1"]) == ()
    # 7.1 is the same physical card again.
    assert review.confirm(catalogue, lot, cards_of(catalogue, lot), ADA, only=["7.1"]) == ()


def test_nothing_is_decided_where_a_scan_is_gone(catalogue: Catalogue, lot: LotRow, box: Path) -> None:
    (box / "p3.png").unlink()
    before = catalogue.last_decision()
    with pytest.raises(UnreadablePhoto) as caught:
        review.choose(catalogue, lot, "1.1", "V001", ADA)
    assert caught.value.code == "missing_file"
    assert catalogue.last_decision() == before
    review.choose(catalogue, lot, "1.1", "V001", ADA, apart=["3.1"])


def test_held_cards_are_confirmed_at_once(catalogue: Catalogue, lot: LotRow) -> None:
    cards = cards_of(catalogue, lot)
    assert to_confirm(catalogue, cards, 0.96) == ()
    assert [card.card for card in to_confirm(catalogue, cards, 0.9)] == ["6.1"]  # 7.1 is the same physical card again
    made = review.confirm(catalogue, lot, cards, ADA, above=0.9)
    assert {row.batch for row in made} == {made[0].number}
    assert len(sightings.sightings(catalogue, "V000")) == 1
    assert to_confirm(catalogue, cards, 0.0) == ()


# Results


def test_tables_hold_one_row_a_card(catalogue: Catalogue, lot: LotRow, box: Path, tmp_path: Path) -> None:
    shutil.copyfile(box / "p1.png", box / "=1+1.png")
    (box / "bad.png").write_text("x")
    again = Quick({"=1+1.png": [found("undecided")]})
    lot = tag(catalogue, box, again).lot
    assert write_results(catalogue, lot, tmp_path / "r.csv") == 9
    rows = list(csv.DictReader(io.StringIO((tmp_path / "r.csv").read_text(encoding="utf-8"))))
    assert tuple(rows[0]) == COLUMNS
    by_file = {row["file"]: row for row in rows}
    assert by_file["'=1+1.png"]["same_scan"] == "1.1"  # guarded; the very bytes of p1
    assert by_file["p7.png"]["same_card"] == "6.1"
    assert (by_file["p6.png"]["tag"], by_file["p6.png"]["subject"]) == ("V000", catalogue.record("V000").subject)
    assert by_file["bad.png"]["error"].startswith("no_card: ")
    assert by_file["p1.png"]["quad"] == "0,0 276,0 276,480 0,480"
    lines = [json.loads(line) for line in as_bytes(catalogue, lot, "jsonl").splitlines()]
    assert len(lines) == 9
    assert lines[0]["found"]["outcome"] == lines[0]["outcome"]
    hidden = as_bytes(catalogue, lot, "csv", folders=False).decode()
    assert str(box) not in hidden


def test_a_spreadsheet_runs_nothing(catalogue: Catalogue, lot: LotRow, box: Path, tmp_path: Path) -> None:
    """Read back by openpyxl, an outside reader."""
    shutil.copyfile(box / "p1.png", box / "=HYPERLINK(1).png")
    lot = tag(catalogue, box, Quick({})).lot
    write_results(catalogue, lot, tmp_path / "r.xlsx")
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    sheet = book["cards"]
    header = [cell.value for cell in sheet[1]]
    assert tuple(header) == ("picture", *SHOWN)
    cells = [cell for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type in ("s", "n") and cell.hyperlink is None for cell in cells)
    assert "'=HYPERLINK(1).png" in [cell.value for cell in cells]
    contrast = sheet.cell(2, header.index("residual_contrast") + 1)
    assert contrast.data_type == "n"
    assert contrast.value == pytest.approx(0.41)
    assert "does not authenticate" in str(book["notes"]["A2"].value)
    rows = [row for row in sheet.iter_rows(min_row=2, values_only=True) if row[1]]
    assert len(sheet._images) == len(rows)  # a picture beside each card
    counted = {row[0]: row[1] for row in book["counts"].iter_rows(values_only=True)}
    assert counted["cards"] == len(rows)
    assert sum(counted[words] for _, words in COUNTED if words in counted) == len(rows)


@pytest.mark.parametrize("name", ["r.doc", "nowhere.xlsx/r.csv"])
def test_a_target_that_cannot_be_written(catalogue: Catalogue, lot: LotRow, tmp_path: Path, name: str) -> None:
    (tmp_path / "nowhere.xlsx").write_text("a file in place of a folder")
    with pytest.raises(CatalogueError) as caught:
        write_results(catalogue, lot, tmp_path / name)
    assert caught.value.code == "bad_target"
    assert caught.value.remedy


def test_a_full_disk_is_told_and_leaves_nothing_half(catalogue: Catalogue, lot: LotRow, tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full here")
    from matcher.jobs.lot import results

    def no_room(path: Path, data: bytes, keep: bool = True, mode: int | None = None) -> None:
        with full.open("wb", buffering=0) as stream:
            stream.write(data)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(results, "write_whole", no_room)
        with pytest.raises(CatalogueError) as caught:
            write_results(catalogue, lot, tmp_path / "r.csv")
    assert caught.value.code == "disk_full"
    assert not list(tmp_path.glob("r.csv*"))


def test_faces_and_the_contact_sheet(catalogue: Catalogue, lot: LotRow, tmp_path: Path) -> None:
    assert write_faces(catalogue, lot, tmp_path / "faces") == 7
    assert sorted(p.name for p in (tmp_path / "faces").iterdir())[0] == "p1-1.1.jpg"
    assert write_sheet(catalogue, lot, tmp_path / "s.pdf") == 1
    assert (tmp_path / "s.pdf").read_bytes().startswith(b"%PDF-")
    assert write_sheet(catalogue, lot, tmp_path / "s.png") == 1
    with Image.open(tmp_path / "s.png") as page:
        assert page.size == (1240, 1754)
    written = {path: path.read_bytes() for path in tmp_path.rglob("*.*") if path.suffix in (".pdf", ".png", ".jpg")}
    for write, target in ((write_faces, "faces"), (write_sheet, "s.pdf"), (write_sheet, "s.png")):
        with pytest.raises(CatalogueError) as caught:  # a photo of somebody's may be called so
            write(catalogue, lot, tmp_path / target)
        assert caught.value.code == "target_exists"
    assert {path: path.read_bytes() for path in written} == written
    assert write_sheet(catalogue, lot, tmp_path / "s.png", replace=True) == 1
    assert write_faces(catalogue, lot, tmp_path / "faces", replace=True) == 7
    order = [card.outcome for card in in_order(cards_of(catalogue, lot))]
    assert order == ["undecided"] * 2 + ["new_pose"] * 3 + ["known"] * 2


# Sidecars

THEIRS = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><!-- mine --><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 <rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="4"
   xmlns:mine="http://example.org/mine/"><mine:shelf>B 7</mine:shelf></rdf:Description>
 <rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">
  <dc:subject><rdf:Bag><rdf:li>box 3</rdf:li></rdf:Bag></dc:subject>
  <dc:description><rdf:Alt><rdf:li xml:lang="x-default">My words</rdf:li><rdf:li xml:lang="de">Meine</rdf:li></rdf:Alt>
  </dc:description></rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>"""


def exiftool(path: Path) -> dict[str, Any]:
    tool = shutil.which("exiftool")
    if tool is None:
        pytest.skip("no exiftool: on Debian, apt-get install libimage-exiftool-perl")
    told = subprocess.run([tool, "-json", "-struct", "-a", "-Validate", "-all", str(path)], capture_output=True)
    (found,) = json.loads(told.stdout)
    return dict(found)


def test_a_sidecar_is_written_beside_and_read_by_exiftool(catalogue: Catalogue, lot: LotRow, box: Path) -> None:
    """ExifTool (Debian's libimage-exiftool-perl) knows Dublin Core and the IPTC Extension's regions."""
    before = checksums(box)
    written, failed = write_sidecars(catalogue, lot)
    assert (len(written), failed) == (7, [])
    assert {name: sums for name, sums in checksums(box).items() if not name.endswith(".xmp")} == before
    told = exiftool(box / "p6.png.xmp")
    record = catalogue.record("V000")
    assert told["Validate"] == "OK"
    assert told["Subject"] == [record.subject, record.club, "V000"]
    assert told["PersonInImage"] in (record.subject, [record.subject])
    (region,) = told["ImageRegion"]
    assert region["RegionBoundary"]["RbShape"].casefold() == "polygon"
    corners = [(vertex["RbX"], vertex["RbY"]) for vertex in region["RegionBoundary"]["RbVertices"]]
    assert corners == [(0, 0), (1, 0), (1, 1), (0, 1)]
    assert region["RId"] == f"platekin-{lot.lot_id}-6.1"
    assert "V000" in told["Description"]


@pytest.mark.parametrize("naming", ["full", "stem"])
def test_a_sidecar_keeps_what_others_wrote(catalogue: Catalogue, lot: LotRow, box: Path, naming: Any) -> None:
    path = sidecar_path(box / "p6.png", naming)
    path.write_text(THEIRS, encoding="utf-8")
    write_sidecars(catalogue, lot, naming)
    once = path.read_bytes()
    told = exiftool(path)
    assert told["Rating"] == 4
    assert told["Shelf"] == "B 7"
    assert told["Subject"][0] == "box 3"
    assert "V000" in told["Subject"]
    assert told["Description"] == "My words"  # a person's own words are not replaced
    assert b"Meine" in once
    assert b"<!-- mine -->" in once
    write_sidecars(catalogue, lot, naming)
    assert path.read_bytes() == once


def test_a_sidecar_follows_a_decision(catalogue: Catalogue, lot: LotRow, box: Path) -> None:
    write_sidecars(catalogue, lot)
    assert "V001" not in (box / "p4.png.xmp").read_text(encoding="utf-8")
    review.choose(catalogue, lot, "4.1", "V001", ADA)
    write_sidecars(catalogue, lot)
    assert "V001" in (box / "p4.png.xmp").read_text(encoding="utf-8")
    review.undo(catalogue, lot, ADA)
    write_sidecars(catalogue, lot)
    assert "V001" not in (box / "p4.png.xmp").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "data",
    [
        b"", b"not xml", b"<a/>", b"\xff\xfe\x00", b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
    ],
)  # fmt: skip
def test_a_sidecar_that_is_none_is_left_alone(catalogue: Catalogue, lot: LotRow, box: Path, data: bytes) -> None:
    path = box / "p6.png.xmp"
    path.write_bytes(data)
    written, failed = write_sidecars(catalogue, lot)
    assert [error.code for error in failed] == ["bad_sidecar"]
    assert len(written) == 6
    assert path.read_bytes() == data


def test_two_pictures_never_share_a_sidecar(catalogue: Catalogue, lot: LotRow, box: Path) -> None:
    draw_scan(box / "p6.tif", 60)
    lot = tag(catalogue, box, Quick({"p6.tif": [found("undecided")]})).lot
    written, failed = write_sidecars(catalogue, lot, "stem")
    assert len(failed) == 2
    assert not (box / "p6.xmp").exists()
    assert len(written) == 6


def test_odd_words_are_legal_xml(catalogue: Catalogue, lot: LotRow) -> None:
    card: Card = cards_of(catalogue, lot)[0]
    from matcher.jobs.lot.results import card_row

    row = {**card_row(card), "subject": "A & <B>\x00\x0b\ufffe Ж 名", "tag": "V&1"}
    tree = merged(None, [row], (276, 480), Path("x.xmp"))
    again = etree.fromstring(etree.tostring(tree))
    assert "A & <B> Ж 名" in "".join(again.itertext())


# Commands


def test_the_commands_of_a_lot(catalogue: Catalogue, lot: LotRow, tmp_path: Path) -> None:
    def call(*words: Any, code: int = 0) -> str:
        result = CliRunner().invoke(app, [*map(str, words), "--catalogue", str(catalogue.folder)])
        assert result.exit_code == code, result.output + str(result.exception)
        return result.stdout

    assert lot.lot_id in call("lot", "list")
    assert "2 decisions settle 5 cards; 1 card of known records" in call("lot", "queue", lot.lot_id)
    preview = call("lot", "choose", lot.lot_id, "4.1", "V001", "--preview")
    assert "5.1" in preview
    assert "nothing was decided" in preview
    assert store.counts(catalogue, lot.lot_id)["done"] == 7
    call("lot", "choose", lot.lot_id, "4.1", "V001", "--not", "5.1", "--by", "Ada Quill")
    rows = [json.loads(line) for line in call("lot", "show", lot.lot_id, "--format", "json").splitlines()]
    assert {row["card"]: row.get("decided_record") for row in rows}["4.1"] == "V001"
    words = ["--subject", "Bo Fell", "--caption", "BO FELL", "--by", "Ada Quill"]
    accepted = CliRunner().invoke(app, ["lot", "accept", lot.lot_id, "1.1", *words, "-c", str(catalogue.folder)])
    assert "the club was left blank; none was read on this card" in accepted.stderr
    rows = [json.loads(line) for line in call("lot", "show", lot.lot_id, "--format", "json").splitlines()]
    assert {row["card"]: row["caption"] for row in rows}["1.1"] == "BO FELL"
    call("lot", "confirm", lot.lot_id, "--above", "0.9", "--by", "Ada Quill")
    assert "1 decision settles 1 card; 0 cards of known records" in call("lot", "queue", lot.lot_id)
    call("lot", "undo", lot.lot_id, "--all", "--by", "Ada Quill")
    call("lot", "save", lot.lot_id, tmp_path / "out.xlsx")
    noted = tmp_path / "noted.csv"
    noted.write_text("my own notes", encoding="utf-8")
    call("lot", "save", lot.lot_id, noted, code=1)
    assert noted.read_text(encoding="utf-8") == "my own notes"
    call("lot", "save", lot.lot_id, noted, "--replace")
    assert noted.read_text(encoding="utf-8").count("\n") >= 7
    call("lot", "sheet", lot.lot_id, tmp_path / "out.pdf")
    call("lot", "sidecars", lot.lot_id)
    call("lot", "skip", lot.lot_id, "1.1")
    call("lot", "cancel", lot.lot_id)
    call("lot", "forget", lot.lot_id)
    assert store.lots(catalogue) == ()
    assert not store.folder_of(catalogue, lot.lot_id).exists()
    assert call("lot", "show", lot.lot_id, code=1) == ""
