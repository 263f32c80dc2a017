"""Formats in a catalogue: in tables, by series, said anew and taken back; what cannot be one is told."""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.check import check
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.formats import list_formats, set_formats
from matcher.catalogue.records.indexing import outlined_anew
from matcher.catalogue.records.series import set_series
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.errors import BadTable, CatalogueError, UnreadablePhoto
from matcher.core.formats import PRESETS, parse_format
from matcher.core.identify import identify
from matcher.core.photo import read_photo
from matcher.core.settings import FaceSize, Settings
from matcher.lab.synthesis import Age, Caption, Crop, Scene, make_copy, photograph, write_photo
from tests.support.faces import picture

ADA = person("Ada Quill")
CABINET = PRESETS["cabinet"]
COLUMNS = ("record_id", "subject", "pose", "crop", "caption", "image", "format", "series")


def write_card(path: Path, negative: int, form: str, seed: int = 1) -> None:
    """A photo of a card of that format, on a dark table."""
    plate = picture(negative, height=1100, width=900)
    card = make_copy(
        plate, Crop(), Caption(f"Sitter {negative}"), Age(residual_contrast=0.9), seed=seed, px_per_mm=12.0,
        size=parse_format(form).face,
    )  # fmt: skip
    scene = Scene(surface="dark", share=0.8)
    path.write_bytes(write_photo(photograph(card, scene, np.random.default_rng(seed)), scene))


@pytest.fixture
def box(tmp_path: Path) -> Path:
    """Two cabinets and an insert, and the table that tells them."""
    for number, form in ((1, "cabinet"), (2, "insert"), (3, "cabinet")):
        write_card(tmp_path / f"{number}.jpg", number, form)
    rows = [(n, "cabinet" if n != 2 else "") for n in (1, 2, 3)]
    return table(
        tmp_path, [(f"V{n}", f"Sitter {n}", f"P{n}", "A", f"Sitter {n}", f"{n}.jpg", form, "") for n, form in rows]
    )


def told(number: int, form: str = "", series: str = "") -> tuple[str, ...]:
    """A row of the table."""
    sitter = f"Sitter {number}"
    return (f"V{number}", sitter, f"P{number}", "A", sitter, f"{number}.jpg", form, series)


def table(folder: Path, rows: list[tuple[str, ...]]) -> Path:
    with (folder / "cards.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows])
    return folder / "cards.csv"


def test_cards_of_two_formats_stand_in_one_catalogue(box: Path, tmp_path: Path) -> None:
    report = enrol(box, tmp_path / "my", workers=0)
    assert (report.added, report.failed) == (3, ())
    write_card(tmp_path / "asked.jpg", 3, "cabinet", seed=9)
    with Catalogue.open(tmp_path / "my") as opened:
        shapes = [opened.face(row).pixels.shape[:2] for row in opened.references()]
        assert shapes == [(640, 416), (640, 368), (640, 416)]
        counts = {row.format: (row.records, row.references) for row in list_formats(opened)}
        assert (counts["cabinet"], counts["insert"], counts["stereo"]) == ((2, 2), (1, 1), (0, 0))
        references = CatalogueReferences.of(opened)
        assert set(references.sizes) == {CABINET.face, FaceSize()}
        known = {one.record.record_id: one.size for pose in ("P1", "P2", "P3") for one in references.of_pose(pose)}
        assert known == {"V1": CABINET.face, "V2": FaceSize(), "V3": CABINET.face}
        (card,) = identify(read_photo(tmp_path / "asked.jpg"), references, Settings(), references.calibration).cards
        assert card.answer.established.get("record_id") == "V3"
        assert card.face.size == CABINET.face
        assert check(opened) == ()


def test_a_series_says_the_format_of_its_cards(box: Path, tmp_path: Path) -> None:
    rows = [
        ("V1", "Sitter 1", "P1", "A", "Sitter 1", "1.jpg", "", "S1"),
        ("V2", "Sitter 2", "P2", "A", "", "2.jpg", "", ""),
    ]
    with Catalogue.open(tmp_path / "my", create=True) as opened:
        set_series(opened, "S1", {"width_mm": "108", "height_mm": "165"}, ADA)
    assert enrol(table(tmp_path, rows), tmp_path / "my", workers=0).failed == ()
    with Catalogue.open(tmp_path / "my") as opened:
        assert [row.format for row in opened.references()] == ["cabinet", ""]


def test_a_picture_that_cannot_be_its_format_is_told_and_the_others_go_in(box: Path, tmp_path: Path) -> None:
    rows = [told(1, "stereo"), told(2)]
    report = enrol(table(tmp_path, rows), tmp_path / "my", workers=0)
    assert [(row.line, row.code) for row in report.failed] in ([(2, "wrong_format")], [(2, "no_card")])
    assert report.added == 1


@pytest.mark.parametrize("form", ["0x0", "10000x100", "enormous"])
def test_a_row_with_no_format_is_set_aside(box: Path, tmp_path: Path, form: str) -> None:
    rows = [told(1, form), told(2)]
    report = enrol(table(tmp_path, rows), tmp_path / "my", workers=0)
    assert [(row.line, row.code) for row in report.failed] == [(2, "bad_format")]
    assert report.added == 1


def test_a_product_picture_cut_to_the_card_is_that_card(tmp_path: Path) -> None:
    flat = np.full((740, 540, 3), (70, 150, 20), np.uint8)
    cv2.rectangle(flat, (130, 150), (410, 370), (160, 40, 230), -1)
    cv2.imwrite(str(tmp_path / "1.png"), flat)
    rows = [("V1", "A", "P1", "A", "x", "1.png", "135x185", "")]
    assert enrol(table(tmp_path, rows), tmp_path / "my", workers=0).failed == ()
    with Catalogue.open(tmp_path / "my") as opened:
        (row,) = opened.references()
        assert sorted(map(tuple, row.quad)) == [(0.0, 0.0), (0.0, 740.0), (540.0, 0.0), (540.0, 740.0)]


def test_a_format_said_anew_outlines_anew_and_can_be_taken_back(box: Path, tmp_path: Path) -> None:
    rows = [told(number, "carte de visite") for number in (1, 3)]
    assert enrol(table(tmp_path, rows), tmp_path / "my", workers=0).failed == ()
    write_card(tmp_path / "asked.jpg", 1, "cabinet", seed=9)
    with Catalogue.open(tmp_path / "my") as opened:
        before = opened.references()
        done = set_formats(opened, "cabinet", ADA, records=["V1"])
        outlined_anew(opened, done)
        assert (opened.record("V1").format, opened.references("V1")[0].format) == ("cabinet", "cabinet")
        assert opened.references("V1")[0].outline != before[0].outline
        assert check(opened) == ()
        undo_redo.undo(opened, [done.number], ADA)
        assert opened.references() == before
        undo_redo.redo(opened, [done.number], ADA)
        assert opened.face(opened.references("V1")[0]).size == CABINET.face
        assert check(opened) == ()


def test_a_series_that_no_record_bears_is_told(box: Path, tmp_path: Path) -> None:
    enrol(box, tmp_path / "my", workers=0)
    with Catalogue.open(tmp_path / "my") as opened:
        assert "no record bears this series yet" in set_formats(opened, "cabinet", ADA, series="Quillory Set").outcome


def test_what_cannot_be_set_is_refused_and_changes_nothing(box: Path, tmp_path: Path) -> None:
    enrol(box, tmp_path / "my", workers=0)
    with Catalogue.open(tmp_path / "my") as opened:
        before = opened.last_decision()
        with pytest.raises(BadTable, match="no size of a card"):
            set_formats(opened, "0x165", ADA, records=["V1"])
        with pytest.raises(CatalogueError, match="V9"):
            set_formats(opened, "cabinet", ADA, records=["V9"])
        with pytest.raises(CatalogueError, match="which series"):
            set_formats(opened, "cabinet", ADA)
        with pytest.raises(UnreadablePhoto, match="reference 1 of record V1"):
            set_formats(opened, "stereo", ADA, records=["V1"])
        with pytest.raises(CatalogueError) as same:
            set_formats(opened, "cabinet", ADA, records=["V1"])
        assert same.value.code == "nothing_changed"
        assert opened.last_decision() == before


def scan(path: Path, form: str) -> None:
    """A card of that format on a dark ground, as a scanner writes it at 300 dpi."""
    card = make_copy(
        picture(4, height=1100, width=900), Crop(), Caption("Sitter 2"), Age(residual_contrast=0.9), seed=1,
        px_per_mm=300 / 25.4, size=parse_format(form).face,
    )  # fmt: skip
    pixels = cv2.copyMakeBorder(card.pixels, 80, 80, 80, 80, cv2.BORDER_CONSTANT, value=(15, 15, 15))
    Image.fromarray(pixels).save(path, dpi=(300, 300), quality=95)


@pytest.mark.parametrize(("form", "seen"), [
    ("cabinet landscape", r"0\.5[78] : 1, by its scan's resolution \d\d x \d\d mm; cabinet landscape, 165 x 108 mm"),
    ("carte de visite", r"0\.5[78] : 1, by its scan's resolution 3\d x 6\d mm; carte de visite, 63 x 100 mm"),
    ("10x10", r"0\.5[78] : 1; 10 x 10 mm is 1\.00 : 1"),
])  # fmt: skip
def test_what_shape_and_resolution_both_speak_against_is_refused(tmp_path: Path, form: str, seen: str) -> None:
    """A cabinet landscape was let in of an upright insert, which then was said to be cut by 82.5 mm."""
    scan(tmp_path / "2.jpg", "insert")
    enrol(table(tmp_path, [told(2)]), tmp_path / "my", workers=0)
    with Catalogue.open(tmp_path / "my") as opened:
        with pytest.raises(UnreadablePhoto, match=seen) as caught:
            set_formats(opened, form, ADA, records=["V2"])
        assert caught.value.code == "wrong_format"
        assert "table" not in caught.value.remedy


def test_a_size_that_the_resolution_alone_speaks_against_is_taken(tmp_path: Path) -> None:
    """Cameras write 300 dpi into files for no reason: the shape is what is left to go by."""
    scan(tmp_path / "2.jpg", "insert")
    enrol(table(tmp_path, [told(2)]), tmp_path / "my", workers=0)
    with Catalogue.open(tmp_path / "my") as opened:
        assert "1 reference outlined anew" in set_formats(opened, "73x127", ADA, records=["V2"]).outcome
