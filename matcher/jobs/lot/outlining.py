"""A lot's card outlined anew by a person: its job out, and the answer within that outline put in the old one's place.

Working state of the lot, and no part of the log; but a find that was proposed of the card takes the new outline too,
which is a decision of its own.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.outlining import outline_find
from matcher.catalogue.log.decisions import Actor
from matcher.catalogue.records.files import write_whole
from matcher.catalogue.tables.database import guarded
from matcher.core.answer import Quad
from matcher.core.errors import CatalogueError
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.pictures import HandFace, KeptFace
from matcher.jobs.lot.review import bytes_of
from matcher.jobs.lot.review_queue import card_named, settled
from matcher.jobs.lot.run import job_of
from matcher.jobs.lot.store import LotRow


def outline_job(catalogue: Catalogue, lot: LotRow, card_id: str, quad: Quad, upright: bool = False) -> Job:
    """What is asked about the card within this outline.

    upright: the corners begin at the card's upper left, by a person's word.

    Raises CatalogueError no_such_card, already_decided.
    """
    card = _open_card(catalogue, lot, card_id)
    face = HandFace(card.position)
    return replace(job_of(catalogue, lot, card.item), quad=quad, upright=upright, steps=(face,))


def outline_card(catalogue: Catalogue, lot: LotRow, card_id: str, result: JobResult, who: Actor, **logged: Any) -> None:
    """Put the only card of the job's answer, and its face, in the place of the lot's.

    Raises CatalogueError no_such_card, already_decided, disk_full.
    """
    card, answer, face = _open_card(catalogue, lot, card_id), result.answer, result.extra(KeptFace)
    whole = store.answers(catalogue, lot.lot_id)[card.item.content]
    cards = list(whole.cards)
    cards[card.position - 1] = answer.cards[0]
    found = settled(catalogue, [card]).get(card_id)
    if found and found.find_id:
        outline_find(catalogue, found.find_id, answer, bytes_of(catalogue, card), who, **logged)
    fingerprint = store.made_with(catalogue.settings)
    store.keep_answer(catalogue, card.item, fingerprint, replace(whole, cards=tuple(cards)))
    if face is not None:
        with guarded(catalogue.folder):
            write_whole(card.face_path(store.faces_of(catalogue, lot.lot_id)), face.data, keep=False)


def _open_card(catalogue: Catalogue, lot: LotRow, card_id: str) -> Card:
    card = card_named(cards_of(catalogue, lot), lot, card_id)
    done = settled(catalogue, [card]).get(card_id)
    if done and done.state != "open":
        told = f"card {card_id} of lot {lot.lot_id} is {done.state} already"
        raise CatalogueError("already_decided", told, "undo that decision first")
    return card
