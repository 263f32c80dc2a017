"""A photo that was identified in, what a listing is weighed by out: the answer, and where each card was seen before.

`InspectCards` runs where the photo is identified, in a worker: its pixels are at hand there, and are not sent about.
"""

from __future__ import annotations

from dataclasses import dataclass

from matcher.core.answer import PhotoAnswer
from matcher.core.identify import Identification
from matcher.jobs.job import JobResult, WorkerContext
from matcher.jobs.listing.seen_before import SeenBefore, SeenBook


@dataclass(frozen=True)
class CardInspection:
    """One card, besides its answer. unevenness: as `Condition` has it, not rounded. seen: the surest first."""

    unevenness: float
    seen: tuple[SeenBefore, ...]


@dataclass(frozen=True)
class Inspection:
    """All cards of a photo, in the order of its answer. uncompared: what is known of, but whose picture is lost."""

    cards: tuple[CardInspection, ...]
    uncompared: tuple[str, ...] = ()


@dataclass(frozen=True)
class ListingPhoto:
    """One picture of a listing: its answer, and one inspection a card; none where it was not inspected."""

    answer: PhotoAnswer
    inspections: tuple[CardInspection, ...] = ()
    uncompared: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.inspections and len(self.inspections) != len(self.answer.cards):
            told = f"{len(self.inspections)} for {len(self.answer.cards)} cards"
            raise ValueError(f"inspections must be one a card, got {told}")

    @classmethod
    def of(cls, result: JobResult) -> ListingPhoto:
        """A picture whose job had the step `InspectCards`."""
        found = result.extra(Inspection)
        return cls(result.answer, found.cards if found else (), found.uncompared if found else ())

    def seen(self, place: int) -> tuple[SeenBefore, ...]:
        """Where the card at this place (from 0) was seen before."""
        return self.inspections[place].seen if self.inspections else ()


@dataclass(frozen=True)
class InspectCards:
    """Step: look for each card among all references and sightings."""

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> Inspection:
        book = context.once(SeenBook)
        cards = tuple(
            CardInspection(card.condition.unevenness, tuple(book.seen_before(found.photo, card)))
            for card in found.cards
        )
        return Inspection(cards, tuple(book.uncompared))
