"""A lot's cards in; what waits for a person out, the most valuable first.

A case is a family of cards that seem to be one variation: deciding on it settles them all. What is settled is told by
the catalogue itself (finds, sightings), so that undoing a decision brings its case back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select

from matcher.catalogue import Catalogue
from matcher.catalogue.tables.finds import Find, Sighting
from matcher.core.errors import CatalogueError
from matcher.core.ladder.decision import NEW
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.store import LotRow

ASKED = (*NEW, "undecided")
"""Outcomes that wait for a person; `known` is confirmed after a look at all of them, `unreadable` waits for nobody."""


@dataclass(frozen=True)
class Settled:
    """What was decided on a card. state: of its find, or 'seen' as a sighting of a record."""

    state: str
    record_id: str | None
    find_id: str | None = None


@dataclass(frozen=True)
class Case:
    """One decision. card: stands for the case; like: other open cards that it would settle; find_id: if proposed."""

    card: Card
    like: tuple[Card, ...]
    find_id: str | None
    skipped: bool

    @property
    def cards(self) -> tuple[Card, ...]:
        return (self.card, *self.like)


def settled(catalogue: Catalogue, cards: Sequence[Card]) -> dict[str, Settled]:
    """What has been decided on these cards, by card; open finds are not settled but named."""
    wanted = {card.image[0] for card in cards}
    known: dict[tuple[str, str], Settled] = {}
    with catalogue.reading() as connection:
        for row in connection.execute(
            select(Find.sha256, Find.outline, Find.state, Find.record_id, Find.find_id).order_by(Find.find_id)
        ):
            if row.sha256 in wanted:
                known[row.sha256, row.outline] = Settled(row.state, row.record_id, row.find_id)
        for seen in connection.execute(select(Sighting.sha256, Sighting.outline, Sighting.record_id)):
            if seen.sha256 in wanted:
                known.setdefault((seen.sha256, seen.outline), Settled("seen", seen.record_id))
    return {card.card: known[card.image] for card in cards if card.image in known}


def queue(catalogue: Catalogue, lot: LotRow, cards: Sequence[Card] | None = None) -> tuple[Case, ...]:
    """The open cases: those that settle most come first, put-off ones last."""
    cards = cards_of(catalogue, lot) if cards is None else cards
    done = settled(catalogue, cards)
    put_off = store.skipped(catalogue, lot.lot_id)
    open_cards = [card for card in cards if _waits(card, done)]
    families: dict[tuple[str, str], list[Card]] = {}
    for card in open_cards:
        families.setdefault((card.family, card.found.pose or ""), []).append(card)
    cases = [_case(members, done, put_off) for members in families.values()]
    return tuple(sorted(cases, key=_value))


def case_of(catalogue: Catalogue, lot: LotRow, card_id: str) -> Case:
    """The open case that this card belongs to, with this card in front.

    A card that nothing is asked about (known, or unreadable) is a case by itself: a person may know better.
    Raises CatalogueError no_such_card, already_decided.
    """
    cards = cards_of(catalogue, lot)
    for case in queue(catalogue, lot, cards):
        for card in case.cards:
            if card.card == card_id:
                like = tuple(other for other in case.cards if other.card != card_id)
                found = settled(catalogue, [card]).get(card_id)
                return Case(card, like, found.find_id if found else None, case.skipped)
    chosen = card_named(cards, lot, card_id)
    done = settled(catalogue, [chosen]).get(card_id)
    if chosen.is_front and (done is None or done.state == "open"):
        return Case(chosen, (), done.find_id if done else None, chosen.key in store.skipped(catalogue, lot.lot_id))
    raise _no_case(lot, chosen, done)


def _no_case(lot: LotRow, card: Card, done: Settled | None) -> CatalogueError:
    told = f"card {card.card} of lot {lot.lot_id}"
    if done:
        return CatalogueError("already_decided", f"{told} is {done.state} already", "undo that decision first")
    if card.side == "back":
        return CatalogueError("already_decided", f"{told} is a back: it goes with its front", f"decide on {card.other}")
    return CatalogueError("already_decided", f"{told} repeats {card.original}", f"decide on {card.original}")


def card_named(cards: Sequence[Card], lot: LotRow, card_id: str) -> Card:
    """Raises CatalogueError no_such_card."""
    for card in cards:
        if card.card == card_id:
            return card
    raise CatalogueError("no_such_card", f"no card {card_id} in lot {lot.lot_id}", "list the lot's queue or results")


def to_confirm(catalogue: Catalogue, cards: Sequence[Card], above: float) -> tuple[Card, ...]:
    """Cards of known records that nobody has confirmed yet, if the answer is at least so sure.

    Of one physical card that was scanned several times, the first scan alone: it was seen once.
    """
    done = settled(catalogue, cards)
    seen = {card.original for card in cards if card.card in done}
    return tuple(
        card
        for card in cards
        if card.is_front
        and card.found.is_known
        and (card.card not in done or done[card.card].state == "open")
        and card.original == card.card
        and card.card not in seen
        and (card.found.confidence.record or 0.0) >= above
    )


def _waits(card: Card, done: Mapping[str, Settled]) -> bool:
    found = done.get(card.card)
    return card.is_front and card.outcome in ASKED and (found is None or found.state == "open")


def _case(members: Sequence[Card], done: Mapping[str, Settled], put_off: set[str]) -> Case:
    """The card that was proposed stands for it; else the most legible one."""
    proposed = [card for card in members if card.card in done]
    first = proposed[0] if proposed else max(members, key=lambda card: card.found.face.residual_contrast)
    like = tuple(card for card in members if card.card != first.card)
    found = done.get(first.card)
    return Case(first, like, found.find_id if found else None, any(card.key in put_off for card in members))


def _value(case: Case) -> tuple[bool, int, bool, float]:
    legible = case.card.found.face.residual_contrast
    return case.skipped, -len(case.cards), case.card.outcome == "undecided", -legible
