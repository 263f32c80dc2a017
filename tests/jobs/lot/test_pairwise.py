"""A lot's cards laid over each other by the real index and ladder: one new picture on two cards, one turned over."""

from __future__ import annotations

from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import encode_face
from matcher.core.errors import CatalogueError
from matcher.core.flatten import Face
from matcher.core.settings import Settings
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import bare_cards, cards_of
from matcher.jobs.lot.cleaning import forget_lot
from matcher.jobs.lot.job_queue import LotQueue, Stopped
from matcher.jobs.lot.pairwise import compare_lot
from matcher.jobs.lot.review_queue import queue
from tests.support.faces import face_of, picture
from tests.support.lots import Quick, draw_scan, found, tag


@pytest.fixture
def lot(catalogue: Catalogue, tmp_path: Path) -> store.LotRow:
    """1.1 and 2.1 show one picture, the second upside down and fainter; 3.1 another."""
    for number in (1, 2, 3):
        draw_scan(tmp_path / "box" / f"p{number}.png", number)
    lot = tag(catalogue, tmp_path / "box", Quick({f"p{k}.png": [found("new_pose")] for k in (1, 2, 3)})).lot
    faces: dict[str, Face] = {
        "1.1": face_of(picture(1), noise=2.0, seed=1, caption="BO FELL"),
        "2.1": face_of(picture(1), noise=2.0, seed=2, caption="BO FELL", contrast=0.8).half_turn(),
        "3.1": face_of(picture(2), noise=2.0, seed=3, caption="BO FELL"),
    }
    for card in bare_cards(catalogue, lot):
        path = card.face_path(store.faces_of(catalogue, lot.lot_id))
        path.write_bytes(encode_face(faces[card.card], path.name))
    return lot


def test_one_picture_on_two_cards_is_one_case(catalogue: Catalogue, lot: store.LotRow) -> None:
    assert compare_lot(catalogue, lot, Settings()) >= 1
    cards = {card.key: card.card for card in cards_of(catalogue, lot)}
    pairs = {frozenset((cards[pair.first], cards[pair.second])): pair for pair in store.pairs(catalogue, lot.lot_id)}
    assert (pairs[frozenset(("1.1", "2.1"))].pose or 0.0) > 0.75
    assert all((pair.pose or 0.0) < 0.5 for names, pair in pairs.items() if "3.1" in names)
    cases = [sorted(card.card for card in case.cards) for case in queue(catalogue, lot)]
    assert cases == [["1.1", "2.1"], ["3.1"]]
    assert compare_lot(catalogue, lot, Settings()) == 0  # nothing is judged twice


def test_a_face_that_was_taken_away_meets_nobody(catalogue: Catalogue, lot: store.LotRow) -> None:
    for card in bare_cards(catalogue, lot):
        card.face_path(store.faces_of(catalogue, lot.lot_id)).unlink()
    assert compare_lot(catalogue, lot, Settings()) == 0
    assert len(queue(catalogue, lot)) == 3


def test_a_lot_is_not_forgotten_while_it_is_worked_on(catalogue: Catalogue, lot: store.LotRow) -> None:
    second = store.only_run(catalogue, lot.lot_id)
    with store.only_run(catalogue, lot.lot_id), pytest.raises(CatalogueError) as caught, second:
        pass
    assert caught.value.code == "lot_busy"
    assert caught.value.remedy


def test_a_lot_that_was_taken_away_does_not_come_again(catalogue: Catalogue, lot: store.LotRow) -> None:
    """Whoever was about to finish it made its folder anew, which nobody could take away for a month."""
    forget_lot(catalogue, lot.lot_id)
    with pytest.raises(CatalogueError) as caught, store.only_run(catalogue, lot.lot_id):
        pass
    assert caught.value.code == "no_such_lot"
    assert not store.folder_of(catalogue, lot.lot_id).exists()


def test_a_forgotten_lots_id_is_given_to_no_other(catalogue: Catalogue, lot: store.LotRow, tmp_path: Path) -> None:
    """The new lot's undo took back what had been decided on the forgotten one: decisions are found by the lot's id."""
    review.propose(catalogue, lot)
    assert review.decisions(catalogue, lot)
    forget_lot(catalogue, lot.lot_id)
    draw_scan(tmp_path / "other" / "p9.png", 9)
    new = tag(catalogue, tmp_path / "other", Quick({"p9.png": [found("new_pose")]})).lot
    assert new.lot_id > lot.lot_id
    assert review.decisions(catalogue, new) == ()


def test_comparing_is_given_up_when_the_service_ends_and_gone_on_with(catalogue: Catalogue, lot: store.LotRow) -> None:
    """A lot of hundreds would hold up SIGTERM for minutes."""
    ending = LotQueue(catalogue, Settings())
    ending.stop()
    with pytest.raises(Stopped):
        ending.finish(lot.lot_id)
    assert store.lot(catalogue, lot.lot_id).compared == ""
    LotQueue(catalogue, Settings()).finish(lot.lot_id)
    assert store.lot(catalogue, lot.lot_id).compared != ""
