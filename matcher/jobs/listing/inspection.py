"""A photo that was identified in, what a listing is weighed by out: facts about each face, where it was seen before.

Runs where the photo is identified, in a worker: its pixels are at hand there, and are not sent about.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.condition import Condition
from matcher.core.identify import CardAnswer, Identification
from matcher.core.settings import Settings
from matcher.jobs.listing.seen_before import SeenBook

FACTS = ("unevenness", "aspect", "off_nominal", "off_size_mm", "off_square", "scale", "sigma")
"""Of `Condition`, besides those that the contract's object tells already."""


class ListingInspector:
    """Looks at identified photos with an opened catalogue."""

    def __init__(self, references: CatalogueReferences, settings: Settings) -> None:
        self._book = SeenBook(references, settings)

    def with_look(self, told: dict[str, Any], found: Identification) -> dict[str, Any]:
        """The contract's object with `look` added to each card."""
        cards = [
            {**card, "look": {"facts": _facts(own.condition), "seen": list(self._seen(told["photo"], found, own))}}
            for card, own in zip(told["cards"], found.cards, strict=True)
        ]
        return {**told, "cards": cards}

    def _seen(self, photo: str, found: Identification, card: CardAnswer) -> Iterator[dict[str, Any]]:
        for one in self._book.seen_before(found.photo, card):
            yield {**asdict(one), "words": one.words, "photo": photo}


def _facts(condition: Condition) -> dict[str, Any]:
    facts = {name: getattr(condition, name) for name in FACTS}
    return {name: list(value) if isinstance(value, tuple) else value for name, value in facts.items()} | {
        "sigma": dict(condition.sigma)
    }
