"""A lot's card outlined anew: its answer and its face change together, or not at all."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import decode_face
from matcher.core.errors import CatalogueError
from matcher.core.settings import FaceSize, Settings
from matcher.jobs.job import JobResult
from matcher.jobs.lot import outlining, store
from matcher.jobs.lot.cards import bare_cards
from matcher.jobs.lot.faces import mend_faces
from matcher.jobs.lot.outlining import outline_card, outline_job
from matcher.jobs.workers import Worker
from tests.support.cards import ADA
from tests.support.lots import Quick, draw_scan, found, tag

QUAD = ((20.0, 30.0), (250.0, 30.0), (250.0, 430.0), (20.0, 430.0))


@pytest.fixture
def lot(catalogue: Catalogue, tmp_path: Path) -> store.LotRow:
    draw_scan(tmp_path / "box" / "p1.png", 1)
    lot = tag(catalogue, tmp_path / "box", Quick({"p1.png": [found("new_pose")]})).lot
    assert mend_faces(catalogue, lot, Settings()) == ()
    return lot


def asked(catalogue: Catalogue, lot: store.LotRow) -> JobResult:
    bench = Worker(catalogue.folder, Settings())
    try:
        return bench.run(outline_job(catalogue, lot, "1.1", QUAD, upright=True))
    finally:
        bench.references.catalogue.close()


def test_the_face_is_the_one_within_the_new_outline(catalogue: Catalogue, lot: store.LotRow) -> None:
    (card,) = bare_cards(catalogue, lot)
    path = card.face_path(store.faces_of(catalogue, lot.lot_id))
    before = path.read_bytes()
    result = asked(catalogue, lot)
    assert path.read_bytes() == before  # nothing is settled yet
    outline_card(catalogue, lot, "1.1", result, ADA)
    (card,) = bare_cards(catalogue, lot)
    assert card.found.quad == QUAD
    assert path.read_bytes() != before
    assert decode_face(path.read_bytes(), FaceSize(), path.name) is not None
    kept = path.read_bytes()
    path.unlink()
    assert mend_faces(catalogue, lot, Settings()) == ()
    assert path.read_bytes() == kept  # as it is made of the outline that is stored


def test_a_card_that_was_decided_meanwhile_keeps_its_face(
    catalogue: Catalogue, lot: store.LotRow, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker wrote the new face before it was asked whether the card is open still."""
    (card,) = bare_cards(catalogue, lot)
    path = card.face_path(store.faces_of(catalogue, lot.lot_id))
    before, result = path.read_bytes(), asked(catalogue, lot)
    monkeypatch.setattr(outlining, "settled", lambda *_: {"1.1": SimpleNamespace(state="accepted", find_id=None)})
    with pytest.raises(CatalogueError) as caught:
        outline_card(catalogue, lot, "1.1", result, ADA)
    assert caught.value.code == "already_decided"
    assert path.read_bytes() == before
    assert bare_cards(catalogue, lot) == (card,)
