"""What is stored is known to be whole: damaged, it is made anew or told, and never changes an answer unnoticed.

Review of security, findings 4 and 14; review of the code, B5, B16.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import NAME, confidence_in_use, written
from matcher.catalogue.exchange.check import check
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.files import decode_face, encode_face, picture_of_face
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.cli import app
from matcher.core import nets
from matcher.core.answer import PhotoAnswer
from matcher.core.calibration import Calibration
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError, PlatekinError
from matcher.core.flatten import Face
from matcher.core.nets import WEIGHTS, check_weights
from matcher.core.photo import read_photo
from matcher.core.settings import FaceSize, Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import run as lot_run
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import bare_cards
from matcher.jobs.lot.faces import mend_faces
from matcher.lab.campaigns import damages
from tests.support.cards import card


def face_of(seed: int) -> Face:
    rng = np.random.default_rng(seed)
    face = Face.from_pixels(rng.integers(0, 200, (640, 368, 3), dtype=np.uint8))
    trusted = face.trusted.copy()
    trusted[:, :90] = False
    return Face(face.pixels, face.grey, trusted, face.size, outside=0.2)


def test_a_face_keeps_its_mask() -> None:
    """What the photo does not show was trusted once it had been stored (review of the code, B5)."""
    face = face_of(1)
    again = decode_face(encode_face(face, "a.jpg"), FaceSize(), "faces/aa/a.jpg")
    assert again is not None
    assert (again.trusted == face.trusted).all()
    assert again.outside == 0.2
    shown = picture_of_face(encode_face(face, "a.jpg"))
    assert (shown[:2], shown[-2:]) == (b"\xff\xd8", b"\xff\xd9")  # ITU-T T.81: SOI, EOI, and nothing behind


@pytest.mark.parametrize("how", sorted(damages.DAMAGES))
def test_a_damaged_face_is_none(how: str) -> None:
    import random

    whole = encode_face(face_of(2), "a.jpg")
    for seed in range(20):
        assert decode_face(damages.DAMAGES[how](whole, random.Random(seed)), FaceSize(), "a.jpg") is None


def test_a_face_under_anothers_name_is_none() -> None:
    assert decode_face(encode_face(face_of(2), "a.jpg"), FaceSize(), "b.jpg") is None


def test_faces_are_made_anew_and_told(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        faces = {row.id: catalogue.face(row).pixels for row in catalogue.references()}
        paths = sorted((folder / "faces").rglob("*.jpg"))
        one, two = paths[0].read_bytes(), paths[1].read_bytes()
        paths[0].write_bytes(two)
        paths[1].write_bytes(one)
        paths[2].write_bytes(paths[2].read_bytes()[:2000] + bytes(512) + paths[2].read_bytes()[2512:])
        assert [trouble.kind for trouble in check(catalogue)] == ["damaged_face"] * 3
        for row in catalogue.references():
            assert (catalogue.face(row).pixels == faces[row.id]).all()
        assert check(catalogue) == ()  # made anew by being asked for


def test_a_damaged_description_is_made_anew_and_told(catalogue: Catalogue, folder: Path) -> None:
    catalogue.describe_lacking()
    before = {number: one.descriptors for number, one in catalogue.descriptions()}
    with catalogue.noting() as connection:
        connection.exec_driver_sql("UPDATE descriptions SET descriptors = hashes")
    assert {trouble.kind for trouble in check(catalogue)} == {"bad_description"}
    for number, one in catalogue.descriptions():
        assert (one.descriptors == before[number]).all()
    assert catalogue.describe_lacking() == 6
    assert check(catalogue) == ()


def test_a_damaged_index_is_left_aside_and_told(folder: Path) -> None:
    with CatalogueReferences.open(folder) as references:
        query = references.description(1)
        before = references.search(query)
    for path in sorted((folder / "index").iterdir()):
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2] + bytes([whole[len(whole) // 2] ^ 1]) + whole[len(whole) // 2 + 1 :])
        with CatalogueReferences.open(folder) as references:
            assert references.search(query) == before, path.name
        with Catalogue.open(folder) as catalogue:
            assert [trouble.kind for trouble in check(catalogue)] == ["damaged_index"], path.name
        told = CliRunner().invoke(app, ["doctor", "-c", str(folder)])
        assert "damaged and left aside" in told.stdout
        path.write_bytes(whole)
    with Catalogue.open(folder) as catalogue:
        assert check(catalogue) == ()


def test_damaged_confidence_and_vocabulary_are_told(folder: Path) -> None:
    shipped = json.loads((WEIGHTS / "calibration.json").read_text())
    (folder / NAME).write_bytes(written(shipped))
    assert confidence_in_use(folder).own
    text = (folder / NAME).read_text()
    at = text.index('"intercept":') + 14
    (folder / NAME).write_text(text[:at] + ("1" if text[at] != "1" else "2") + text[at + 1 :])
    with pytest.raises(CatalogueError) as caught:
        confidence_in_use(folder)
    assert caught.value.code == "damaged"
    (folder / "vocabulary.json").write_text("{")
    with Catalogue.open(folder) as catalogue:
        assert [trouble.kind for trouble in check(catalogue)] == ["damaged_confidence", "damaged_vocabulary"]


def test_a_confidence_without_a_digest_is_one_of_an_earlier_version(folder: Path) -> None:
    shutil.copyfile(WEIGHTS / "calibration.json", folder / NAME)
    assert confidence_in_use(folder).own


def test_a_cell_that_holds_no_json_is_told_and_the_rest_is_looked_at(scans: Path, stock: Path) -> None:
    """Review of security, finding 14: `check` ended with a traceback, `identify` blamed the photo's size."""
    folder = Path(shutil.copytree(stock / "catalogue", scans / "catalogue"))
    with closing(sqlite3.connect(folder / "catalogue.sqlite")) as connection, connection:
        connection.execute("""UPDATE "references" SET facts = '{"x' WHERE id = 2""")
    told = CliRunner().invoke(app, ["check", "-c", str(folder)])
    assert told.exit_code == 1
    assert "damaged: " in told.stdout
    assert "restore it from a backup" in told.stdout
    with pytest.raises(CatalogueError) as caught:
        CatalogueReferences.open(folder)
    assert caught.value.code == "damaged"


def test_a_damaged_database_file_is_told(scans: Path, stock: Path) -> None:
    folder = Path(shutil.copytree(stock / "catalogue", scans / "catalogue"))
    with closing(sqlite3.connect(folder / "catalogue.sqlite")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode=DELETE")
    data = bytearray((folder / "catalogue.sqlite").read_bytes())
    data[-3000:-1000] = bytes(2000)
    (folder / "catalogue.sqlite").write_bytes(data)
    assert CliRunner().invoke(app, ["check", "-c", str(folder)]).exit_code == 1


def test_every_shipped_weight_is_what_its_sum_says() -> None:
    """After training: python -m matcher.core.nets"""
    assert nets.sums() == {p.name: nets.digest(p) for p in WEIGHTS.iterdir() if p.name != nets.SUMS}


def test_a_damaged_weight_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weights = Path(shutil.copytree(WEIGHTS, tmp_path / "weights"))
    monkeypatch.setattr(nets, "WEIGHTS", weights)
    check_weights(weights / "orientation.onnx")
    for name in ("movement.onnx", "calibration.json"):
        data = bytearray((weights / name).read_bytes())
        data[len(data) // 2] ^= 1
        (weights / name).write_bytes(data)
        with pytest.raises(PlatekinError) as caught:
            check_weights(weights / name)
        assert caught.value.code == "damaged_part"
    with pytest.raises(PlatekinError):
        Calibration.load(weights / "calibration.json")


def test_another_size_of_faces_is_another_description() -> None:
    """Review of the code, B16: another `settings.face` mixed unlike descriptors."""
    assert fingerprint() == fingerprint(size=FaceSize())
    assert fingerprint(size=FaceSize(width=400)) != fingerprint()


def test_single_damages_change_no_answer_unnoticed(scans: Path, stock: Path) -> None:
    """A short run of the campaign; 200 by `scripts/mistreat damages`."""
    folder = Path(shutil.copytree(stock / "catalogue", scans / "catalogue"))
    photos = [scans / name for name in ("scan0.png", "scan3.png")]
    found = damages.run(folder, photos, 12, seed=5)
    assert not [one for one in found if one.silent], damages.summary(found)


def test_a_lots_damaged_face_is_made_anew_or_told(catalogue: Catalogue, scans: Path) -> None:
    """It was left out of every comparison without a word."""
    lot = answered_lot(catalogue, scans, "scan0.png", "scan1.png")
    first, second = bare_cards(catalogue, lot)
    settings, faces = Settings(), store.faces_of(catalogue, lot.lot_id)
    assert mend_faces(catalogue, lot, settings) == ()  # none was there: made of the scans
    paths = [card.face_path(faces) for card in (first, second)]
    before = [path.read_bytes() for path in paths]
    paths[0].write_bytes(before[0][:-200] + bytes(200))
    paths[1].unlink()
    assert mend_faces(catalogue, lot, settings) == ()
    assert [path.read_bytes() for path in paths] == before
    paths[1].write_bytes(before[0])  # another card's face
    second.item.path.write_bytes(first.item.path.read_bytes())  # and its scan is another one now
    assert [card.card for card in mend_faces(catalogue, lot, settings)] == [second.card]


def answered_lot(catalogue: Catalogue, scans: Path, *names: str) -> store.LotRow:
    """A lot whose pictures have been identified, each as one card that fills it; without faces."""
    folder = scans / "box"
    folder.mkdir()
    for name in names:
        shutil.copy(scans / name, folder / name)
    return lot_run.run(catalogue, [folder], person("Ada"), Settings(), compare=False, identify=whole_cards).lot


def whole_cards(jobs: Sequence[Job], *_: Any) -> Iterator[JobResult]:
    for job in jobs:
        photo = read_photo(job.source)
        shown = card("known", photo.width, photo.height, pose="P000", crop="A", record_id="V000")
        yield JobResult(PhotoAnswer(job.name, photo.sha256, photo.width, photo.height, None, (shown,), versions()))
