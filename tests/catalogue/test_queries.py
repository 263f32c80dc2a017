"""What a catalogue gives out: rows, descriptions, faces, files; and what removing leaves."""

from __future__ import annotations

import json
import pickle
import shutil
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import noted, settle, suffix_of, write_whole
from matcher.catalogue.tables.models import description_columns, description_of
from matcher.core.describe import Description, describe
from matcher.core.errors import CatalogueError
from tests.support.enrolling import change, dump, row, run, write_table


@pytest.fixture
def database() -> str:
    """This file is about the SQLite file and its folder; what holds for both databases is in the other files."""
    return "sqlite"


# Reading


def test_reads_frozen_rows(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        assert [r.record_id for r in catalogue.records()] == ["V000", "V001", "V002", "V003"]
        assert (catalogue.counts().records, catalogue.counts().copies, catalogue.counts().poses) == (4, 2, 2)
        assert catalogue.counts().subjects == 2
        reference = catalogue.reference(3)
        with pytest.raises(FrozenInstanceError):
            reference.name = "x"  # type: ignore[misc]
        assert reference.quad == ((0, 0), (276, 0), (276, 480), (0, 480))
        assert abs(reference.added_at - datetime.now(UTC)) < timedelta(hours=2)
        assert catalogue.references("V999") == ()
        for ask, code in ((lambda: catalogue.record("V999"), "no_such_record"),
                          (lambda: catalogue.reference(999), "no_such_reference")):  # fmt: skip
            with pytest.raises(CatalogueError) as caught:
                ask()
            assert caught.value.code == code


def test_an_open_catalogue_can_be_sent_to_a_worker(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue, pickle.loads(pickle.dumps(catalogue)) as other:
        assert other.references() == catalogue.references()


def test_descriptions_come_back_as_they_were(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        found = dict(catalogue.descriptions())
        assert list(found) == [1, 2, 3, 4, 5, 6]
        for reference in catalogue.references():
            fresh = describe(catalogue.face(reference))
            for stored in (found[reference.id], catalogue.description(reference)):
                assert description_columns(stored) == description_columns(fresh)


def test_an_empty_description_can_be_stored() -> None:
    nothing = np.empty(0, np.float32)
    empty = Description(
        np.zeros(32, np.uint8), nothing.reshape(0, 2), nothing, nothing, np.empty((0, 32), np.uint8), "f"
    )
    assert description_of(description_columns(empty)).descriptors.shape == (0, 32)


def test_descriptions_of_an_older_fingerprint_are_made_again(folder: Path, scans: Path) -> None:
    before = dump(folder)
    change(folder, "UPDATE descriptions SET fingerprint = 'older', descriptors = x'' WHERE rowid < 3")
    with Catalogue.open(folder) as catalogue:
        assert len({description.fingerprint for _, description in catalogue.descriptions()}) == 1
        assert [r.fingerprint for r in catalogue.references()].count("older") == 2
    run(scans / "RECORDS.csv", folder)
    assert dump(folder) == before


# Faces


def test_a_face_is_the_same_from_the_cache_and_made_again(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        reference = catalogue.reference(2)
        cached = catalogue.face(reference)
        (path,) = (folder / "faces").rglob(f"{reference.sha256}-*.jpg")
        stored = path.read_bytes()
        for damage in (path.unlink, lambda: path.write_bytes(b""), lambda: path.write_bytes(stored[:900])):
            damage()
            assert np.array_equal(catalogue.face(reference).pixels, cached.pixels)
            assert path.read_bytes() == stored


def test_other_corners_give_another_face(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        reference = catalogue.reference(2)
        moved = replace(reference, quad=((9, 9), (270, 0), (270, 480), (0, 480)))
        assert not np.array_equal(catalogue.face(moved).pixels, catalogue.face(reference).pixels)


def test_a_changed_image_is_noticed(folder: Path) -> None:
    shutil.rmtree(folder / "faces")
    with Catalogue.open(folder) as catalogue:
        first, second = catalogue.references("V000")
        shutil.copy(catalogue.image_path(first), catalogue.image_path(second))
        catalogue.image_path(first).unlink()
        for reference in (first, second):
            with pytest.raises(CatalogueError) as caught:
                catalogue.face(reference)
            assert caught.value.code == "damaged"


# Removing


def test_removes_a_record_and_nothing_else(folder: Path, scans: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        gone = catalogue.references("V000")
        kept = [r for r in catalogue.references() if r not in gone]
        assert catalogue.remove_record("V000") == (1, 2)
        assert all(catalogue.image_path(r).exists() for r in (*gone, *kept))  # undoing will want them
        assert (catalogue.counts().references, catalogue.counts().copies) == (4, 0)
        with pytest.raises(CatalogueError):
            catalogue.remove_record("V000")
    assert len(dump(folder)[1]) == 12  # six images, six faces
    run(scans / "RECORDS.csv", folder)
    with Catalogue.open(folder) as catalogue:
        assert [r.id for r in catalogue.references("V000")] == [7, 8]  # ids are never given again


def test_an_id_is_not_given_again_after_the_last_was_removed(folder: Path, scans: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        assert catalogue.remove_record("V003") == (5, 6)
    run(write_table(scans / "again.csv", [row(3, "scan5.png")]), folder)
    with Catalogue.open(folder) as catalogue:
        assert catalogue.references()[-1].id == 7


# Files


def test_only_noted_files_are_ever_removed(tmp_path: Path) -> None:
    for name in ("images/aa/mine.jpg", "images/aa/wanted.jpg", "images/aa/left.jpg"):
        write_whole(tmp_path / name, b"x")
    (tmp_path / "images/aa/left.jpg.12-3.part").touch()
    (tmp_path / "writing.files").write_text("images/aa/wanted.jpg\nimages/aa/left.jpg\nimages/bb/never.jpg")
    assert settle(tmp_path, lambda name: "wanted" in name) == ["images/aa/left.jpg"]
    assert sorted(p.name for p in tmp_path.rglob("*.*")) == ["mine.jpg", "wanted.jpg"]


def test_what_no_database_can_look_for_is_told(folder: Path) -> None:
    """A number of thirty digits, or a name that is no Unicode, ended a command with a traceback."""
    with Catalogue.open(folder) as catalogue:
        for ask in (lambda: catalogue.decision(10**30), lambda: catalogue.record("\udcff")):
            with pytest.raises(CatalogueError) as caught:
                ask()
            assert caught.value.code == "odd_text"


@pytest.mark.parametrize("as_json", [False, True])
def test_a_note_takes_away_nothing_that_is_not_a_picture_a_face_or_lines(tmp_path: Path, as_json: bool) -> None:
    """A tampered export deleted the database, and files beside the catalogue."""
    folder = tmp_path / "catalogue"
    (folder / "images/aa").mkdir(parents=True)
    kept = [folder / "catalogue.sqlite", tmp_path / "neighbour.sqlite", folder / "images/mine.txt"]
    for path in (*kept, folder / "images/aa/left.jpg"):
        path.write_bytes(b"x")
    names = [
        "images/aa/left.jpg",
        "catalogue.sqlite",
        "../neighbour.sqlite",
        str(kept[1]),
        "images/../catalogue.sqlite",
    ]
    names += ["images/mine.txt", "images/aa/../../catalogue.sqlite"]
    (folder / "writing.files").write_text(json.dumps(names) if as_json else "\n".join(names))
    assert settle(folder, lambda name: False) == ["images/aa/left.jpg"]
    assert all(path.is_file() for path in kept)
    with pytest.raises(CatalogueError), noted(folder, ["images/x\ncatalogue.sqlite"]):
        pass
    assert not (folder / "writing.files").exists()


@pytest.mark.parametrize(
    ("data", "suffix"),
    [(b"\xff\xd8\xff\xe0", ".jpg"), (b"\x89PNG\r\n", ".png"), (b"MM\x00*", ".tif"), (b"", ".img")],
)
def test_suffix_follows_the_content(data: bytes, suffix: str) -> None:
    assert suffix_of(data) == suffix
