"""A lot's answers and pairs in; one `Card` a card of the lot, in the order of files, pages and positions, out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from matcher.catalogue import Catalogue
from matcher.catalogue.tables.models import outline_key
from matcher.core.answer import CardResult, PhotoAnswer
from matcher.core.formats import face_of_text, face_text
from matcher.jobs.lot import store
from matcher.jobs.lot.clustering import CardGroups, group_cards
from matcher.jobs.lot.discovery import natural
from matcher.jobs.lot.pictures import face_file
from matcher.jobs.lot.recto_verso import Side, tell_sides
from matcher.jobs.lot.store import ItemRow, LotRow


@dataclass(frozen=True)
class Card:
    """One card of a lot.

    card:     what people call it: number of its item, and its place on the page, like '12.3'.
    key:      of its content, by which pairs and what was put off are kept.
    found:    the card's part of the answer. photo: that answer without its cards. sha256: of the picture.
    side:     'front' or 'back' where that is told. other: the card that shows its other side.
    same_scan, same_card, same_record: other cards of the lot: the same file's content again; the same physical card
              scanned again; known as the same record. original: the first of same_scan and same_card, itself if none.
    family:   the card that stands for all that seem to be one variation with it.
    """

    card: str
    key: str
    item: ItemRow
    position: int
    found: CardResult
    photo: PhotoAnswer
    side: Side = ""
    other: str = ""
    same_scan: tuple[str, ...] = ()
    same_card: tuple[str, ...] = ()
    same_record: tuple[str, ...] = ()
    original: str = ""
    family: str = ""

    @property
    def outcome(self) -> str:
        return self.found.outcome

    @property
    def is_front(self) -> bool:
        """A front that is no repetition of a scan: what takes part in review and in pairs."""
        return self.side != "back" and not (self.same_scan and self.original != self.card)

    @property
    def sha256(self) -> str:
        return self.photo.sha256 or ""

    def face_path(self, faces: Path) -> Path:
        return face_file(faces, self.sha256, self.position)

    @property
    def image(self) -> tuple[str, str]:
        """What the catalogue knows the card by: SHA-256 of its picture, and its outline."""
        form = face_text(face_of_text(self.found.face.format))  # as it is enrolled: of an odd card to the same digits
        return self.sha256, outline_key(self.found.quad, form)


def cards_of(catalogue: Catalogue, lot: LotRow) -> tuple[Card, ...]:
    """All cards of a lot, with what is known of how they are akin."""
    cards = bare_cards(catalogue, lot)
    return related(cards, store.pairs(catalogue, lot.lot_id))


def bare_cards(catalogue: Catalogue, lot: LotRow) -> tuple[Card, ...]:
    """The cards with their sides, and the repetitions of a content; not yet compared with each other."""
    rows = [row for row in store.items(catalogue, lot.lot_id) if row.state == "done"]
    rows.sort(key=lambda row: (natural(row.called), row.page))
    answers = store.answers(catalogue, lot.lot_id)
    sides = tell_sides(list(dict.fromkeys(row.called for row in rows)), lot.options.get("sides", "none"))
    made: list[Card] = []
    for row in rows:
        answer = answers.get(row.content)
        if answer is not None:
            photo = replace(answer, cards=())
            for position, found in enumerate(answer.cards, start=1):
                side = sides.of(row.called)
                key = store.key_of_card(row.sha256, row.page, position)
                made.append(Card(f"{row.number}.{position}", key, row, position, found, photo, side))
    return _repeated(_paired(made, sides.other))


def related(cards: Sequence[Card], pairs: Sequence[store.PairRow]) -> tuple[Card, ...]:
    """The cards with their duplicates, copies and families."""
    fronts = {card.key: card for card in cards if card.is_front}
    kin: CardGroups = group_cards({key: card.found.face.residual_contrast for key, card in fronts.items()}, pairs)
    of_record = defaultdict(list)
    for card in fronts.values():
        if card.found.is_known:
            of_record[card.found.record_id].append(card.card)
    made = []
    for card in cards:
        again = [fronts[key].card for key in kin.same_card.get(card.key, ()) if key != card.key]
        record = card.found.record_id if card.found.is_known else None
        others = [other for other in of_record.get(record, ()) if other != card.card and other not in again]
        first = min((card.original, *again), key=_place) if card.is_front else card.original
        family = fronts[kin.family[card.key]].card if card.key in kin.family and card.key in fronts else card.card
        told = {"same_card": tuple(again), "same_record": tuple(others), "original": first, "family": family}
        made.append(replace(card, **told))  # type: ignore[arg-type]
    return tuple(made)


def _place(card: str) -> tuple[int, int]:
    number, position = card.split(".")
    return int(number), int(position)


def _repeated(cards: Sequence[Card]) -> tuple[Card, ...]:
    """Which cards are the same content again; the one met first is the original."""
    same: dict[str, list[Card]] = defaultdict(list)
    for card in cards:
        same[card.key].append(card)
    made = []
    for card in cards:
        others = tuple(other.card for other in same[card.key] if other.card != card.card)
        original = min((one.card for one in same[card.key]), key=_place)
        made.append(replace(card, same_scan=others, original=original))
    return tuple(made)


def _paired(cards: Sequence[Card], other: Mapping[Path, Path]) -> list[Card]:
    """Fronts and backs one by one, where both pages show as many cards; in the order of their places."""
    pages: dict[tuple[Path, int], list[Card]] = defaultdict(list)
    for card in cards:
        pages[card.item.called, card.item.page].append(card)
    made = []
    for card in cards:
        opposite = other.get(card.item.called)
        mine = pages[card.item.called, card.item.page]
        theirs = pages.get((opposite, card.item.page), []) if opposite else []
        made.append(replace(card, other=theirs[card.position - 1].card) if len(theirs) == len(mine) else card)
    return made
