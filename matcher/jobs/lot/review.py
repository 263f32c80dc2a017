"""Decisions on a lot's queue: a case in, entries of the catalogue's log out, each of which can be undone.

Everything goes through the services for finds and copies; a decision on a case and what it settles with it are one
batch. A lot's entries are known by the key that is stored with each, so that the whole lot can be undone.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any, Literal

from sqlalchemy import select

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.finds import resolution, sightings
from matcher.catalogue.finds.resolution import RecordFields
from matcher.catalogue.log.decisions import TURNS, Actor, DecisionRow
from matcher.catalogue.tables.service import RequestKey
from matcher.core.answer import KNOWN, PhotoAnswer
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.ladder.decision import NEW
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card
from matcher.jobs.lot.discovery import shown
from matcher.jobs.lot.faces import picture_path
from matcher.jobs.lot.review_queue import Case, case_of, queue, settled, to_confirm
from matcher.jobs.lot.store import LotRow

Action = Literal["accept", "choose", "reject"]


@dataclass
class Batch:
    """Entries of one decision of a person on a lot: the first begins the batch, the others join it.

    key: of the request, new for each; asked: hash of what was requested.
    """

    lot: LotRow
    note: str = ""
    key: str = field(default_factory=lambda: uuid.uuid4().hex)
    asked: str = ""
    made: list[DecisionRow] = field(default_factory=list)

    def key_of(self, place: int) -> str:
        """Under which the batch's entry at this place is remembered."""
        return f"lot:{self.lot.lot_id}:{self.key}:{place}"

    def told(self) -> dict[str, Any]:
        batch = self.made[0].number if self.made else 0
        return {"note": self.note, "batch": batch, "idempotency": (self.key_of(len(self.made)), self.asked)}

    def add(self, decision: DecisionRow | None) -> None:
        if decision is not None:
            self.made.append(decision)


def propose(catalogue: Catalogue, lot: LotRow) -> tuple[str, ...]:
    """Propose one find for every case that is something new; returns their ids. The machine's doing.

    A card whose file has gone meanwhile is left out: it can still be proposed once the file is back.
    """
    new = [case.card for case in queue(catalogue, lot) if case.card.outcome in NEW and case.find_id is None]
    batch = Batch(lot)
    made: list[str] = []
    for some in _by_picture(new):
        try:
            made += _proposed(catalogue, some, batch)
        except UnreadablePhoto:
            continue
    return tuple(made)


def accept(
    catalogue: Catalogue, lot: LotRow, card_id: str, who: Actor, wanted: RecordFields, *,
    apart: Collection[str] | None = (), note: str = "", batch: Batch | None = None,
) -> tuple[DecisionRow, ...]:  # fmt: skip
    """Make the card a new record, and its like sightings of it. apart: cards to leave out; None: all but this one.

    Raises CatalogueError no_such_card, already_decided, missing_value, clash; UnreadablePhoto where a scan is gone.
    """
    case, like = _chosen(catalogue, lot, card_id, apart)
    batch = batch or Batch(lot, note)
    _missing(catalogue, like)
    if case.find_id is None:  # a refused call leaves no find behind
        found = case.card.found
        resolution.check_accept(catalogue, found.outcome, found.pose, found.crop, wanted, f"card {case.card.card}")
    find_id = _find_of(catalogue, case, batch)
    batch.add(resolution.accept(catalogue, find_id, who, wanted, **batch.told()))
    record_id = resolution.find(catalogue, find_id).record_id
    assert record_id is not None  # just accepted
    _seen(catalogue, like, record_id, who, batch)
    return tuple(batch.made)


def choose(
    catalogue: Catalogue, lot: LotRow, card_id: str, record_id: str | None, who: Actor, *,
    apart: Collection[str] | None = (), note: str = "", batch: Batch | None = None,
) -> tuple[DecisionRow, ...]:  # fmt: skip
    """Say which known record the card is, and its like: sightings of it. An open find of the card is merged into it.

    record_id None: the closest candidate. Raises as `accept`, and CatalogueError no_such_record.
    """
    case, like = _chosen(catalogue, lot, card_id, apart)
    record_id = record_id or closest(catalogue, lot, card_id)
    catalogue.record(record_id)
    batch = batch or Batch(lot, note)
    _missing(catalogue, [case.card, *like])
    _seen(catalogue, [case.card, *like], record_id, who, batch)
    return tuple(batch.made)


def closest(catalogue: Catalogue, lot: LotRow, card_id: str) -> str:
    """The record of the card's closest candidate. Raises CatalogueError missing_value where it has none."""
    candidate = case_of(catalogue, lot, card_id).card.found.closest
    if candidate is None:
        raise CatalogueError("missing_value", f"card {card_id}: no enrolled card is like it", "name the record")
    return candidate.record_id


def reject(
    catalogue: Catalogue, lot: LotRow, card_id: str, who: Actor, *, apart: Collection[str] | None = (),
    note: str = "", batch: Batch | None = None,
) -> tuple[DecisionRow, ...]:  # fmt: skip
    """Say that the card, and its like, are nothing to be kept: they are not asked about again."""
    case, like = _chosen(catalogue, lot, card_id, apart)
    batch = batch or Batch(lot, note)
    _missing(catalogue, [case.card, *like])
    known = _open_finds(catalogue, [case.card, *like])
    for card in (case.card, *like):
        find_id = known.get(card.card) or next(iter(_proposed(catalogue, [card], batch)))
        batch.add(resolution.reject(catalogue, find_id, who, **batch.told()))
    return tuple(batch.made)


def skip(catalogue: Catalogue, lot: LotRow, card_id: str, put_off: bool = True) -> None:
    """Put a case off, or take it up again: working state, no decision."""
    case = case_of(catalogue, lot, card_id)
    store.set_skipped(catalogue, lot.lot_id, [card.key for card in case.cards], put_off)


def confirm(
    catalogue: Catalogue, lot: LotRow, cards: Sequence[Card], who: Actor, *, above: float = 0.0, note: str = "",
    only: Collection[str] | None = None, batch: Batch | None = None,
) -> tuple[DecisionRow, ...]:  # fmt: skip
    """Note every card of a known record in the lot as a sighting of it, as one batch. only: these cards, if given."""
    chosen = [card for card in to_confirm(catalogue, cards, above) if only is None or card.card in only]
    _missing(catalogue, chosen)
    batch = batch or Batch(lot, note)
    proposed = _open_finds(catalogue, chosen)  # outlined by hand since they were proposed as something new
    for card in chosen:
        if card.card in proposed:
            _seen(catalogue, [card], str(card.found.record_id), who, batch)
    for some in _by_picture(card for card in chosen if card.card not in proposed):
        answer, data = _answer_about(some), bytes_of(catalogue, some[0])
        batch.add(sightings.note_sightings(catalogue, answer, data, who, source=_sources(some), **batch.told()))
    return tuple(batch.made)


def decisions(catalogue: Catalogue, lot: LotRow, standing: bool = True) -> tuple[DecisionRow, ...]:
    """The lot's entries of the log, the oldest first. standing: only those that were not undone."""
    with catalogue.reading() as connection:
        own = select(RequestKey.decision).where(RequestKey.key.startswith(f"lot:{lot.lot_id}:", autoescape=True))
        numbers = sorted(connection.execute(own).scalars())
    rows = catalogue.decisions(numbers=numbers) if numbers else ()
    return tuple(row for row in rows if row.action not in TURNS and (row.standing or not standing))


def undo(
    catalogue: Catalogue, lot: LotRow, who: Actor, *, whole: bool = False, note: str = "", batch: Batch | None = None
) -> tuple[DecisionRow, ...]:
    """Undo the last decision of a person on this lot, with all that it settled; or everything, proposals too.

    Raises CatalogueError no_such_decision, in_the_way.
    """
    standing = decisions(catalogue, lot)
    by_people = [row for row in standing if row.actor == "person"]
    if not (standing if whole else by_people):
        raise CatalogueError(
            "no_such_decision", f"lot {lot.lot_id}: there is nothing to undo", "see: platekin decisions list"
        )
    chosen = standing if whole else [row for row in standing if row.batch == by_people[-1].batch]
    if not whole:  # what the machine has proposed stays proposed
        chosen = [row for row in chosen if row.actor == "person"]
    told = (batch or Batch(lot, note)).told()
    return undo_redo.undo(catalogue, [row.number for row in chosen], who, **told)


def _chosen(
    catalogue: Catalogue, lot: LotRow, card_id: str, apart: Collection[str] | None
) -> tuple[Case, tuple[Card, ...]]:
    """The case with the cards that are to be settled with it; where one of them was proposed, it stands for them."""
    case = case_of(catalogue, lot, card_id)
    like = () if apart is None else tuple(card for card in case.like if card.card not in apart)
    finds_of = _open_finds(catalogue, like)
    if case.find_id or not finds_of:
        return case, like
    first = next(card for card in like if card.card in finds_of)
    others = (case.card, *(card for card in like if card is not first))
    return Case(first, others, finds_of[first.card], case.skipped), others


def _open_finds(catalogue: Catalogue, cards: Sequence[Card]) -> dict[str, str]:
    """By card, the find that waits."""
    done = settled(catalogue, cards)
    return {card: found.find_id for card, found in done.items() if found.state == "open" and found.find_id}


def _find_of(catalogue: Catalogue, case: Case, batch: Batch) -> str:
    return case.find_id or next(iter(_proposed(catalogue, [case.card], batch)))


def _proposed(catalogue: Catalogue, cards: Sequence[Card], batch: Batch) -> list[str]:
    """Finds of these cards, all of one picture."""
    first = cards[0]
    told = batch.told()
    rows = resolution.propose(
        catalogue, _answer_about(cards), bytes_of(catalogue, first), source=_sources(cards), only=range(len(cards)),
        **told,
    )  # fmt: skip
    key = told["idempotency"][0]
    with catalogue.reading() as connection:
        number = connection.execute(select(RequestKey.decision).where(RequestKey.key == key)).scalar()
    if number is not None:
        batch.add(catalogue.decision(number))
    return [row.find_id for row in rows]


def _seen(catalogue: Catalogue, cards: Iterable[Card], record_id: str, who: Actor, batch: Batch) -> None:
    """Note cards as sightings of a record: the person's word, whatever the machine made of them.

    A card that was proposed by itself is merged into the record instead.
    """
    chosen = list(cards)
    proposed = _open_finds(catalogue, chosen)
    for find_id in proposed.values():
        batch.add(resolution.merge(catalogue, find_id, record_id, who, **batch.told()))
    for some in _by_picture(card for card in chosen if card.card not in proposed):
        told = tuple(replace(card.found, outcome=KNOWN, record_id=record_id) for card in some)
        answer = replace(some[0].photo, cards=told)
        data = bytes_of(catalogue, some[0])
        batch.add(sightings.note_sightings(catalogue, answer, data, who, source=_sources(some), **batch.told()))


def _answer_about(cards: Sequence[Card]) -> PhotoAnswer:
    """The answer about these cards alone, all of one picture."""
    return replace(cards[0].photo, cards=tuple(card.found for card in cards))


def _by_picture(cards: Iterable[Card]) -> list[list[Card]]:
    def picture(card: Card) -> tuple[str, int]:
        return card.item.content

    return [list(some) for _, some in groupby(sorted(cards, key=picture), key=picture)]


def bytes_of(catalogue: Catalogue, card: Card) -> bytes:
    """The card's picture: the file itself, or its page by itself. Raises UnreadablePhoto missing_file."""
    path = picture_path(catalogue, card)
    try:
        return path.read_bytes()
    except OSError as error:
        told = f"{shown(path)}: {error.strerror}"
        raise UnreadablePhoto("missing_file", told, "put the scan back where it was, then decide again") from None


def _missing(catalogue: Catalogue, cards: Iterable[Card]) -> None:
    """Before anything is decided: are all scans still there? Raises UnreadablePhoto missing_file."""
    for card in cards:
        path = picture_path(catalogue, card)
        if not path.is_file():
            told = f"{shown(path)}: the scan of card {card.card} is no longer there"
            raise UnreadablePhoto("missing_file", told, "put it back where it was, or leave that card out")


def _sources(cards: Sequence[Card]) -> list[str]:
    """Where each card was seen."""
    return [f"lot {card.item.lot_id}, card {card.card}" for card in cards]
