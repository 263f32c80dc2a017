"""A listing in, everything that can be said of it out: the one place that knows the order of the parts.

    text -> claims;  answers about the pictures -> shown;  both -> judgements -> verdict

The pictures are identified elsewhere (`workers`), with the step `inspection.InspectCards`.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Self

from matcher.catalogue import Catalogue
from matcher.catalogue.records.name_search import spellings_of
from matcher.jobs.listing.card_evidence import CardEvidence, CatalogueFacts, shown_of
from matcher.jobs.listing.carriers import Claim, Judgement, ListingReading
from matcher.jobs.listing.claims import Reader
from matcher.jobs.listing.compare import compare
from matcher.jobs.listing.inspection import ListingPhoto
from matcher.jobs.listing.listing_json import published
from matcher.jobs.listing.verdict import decide
from matcher.jobs.listing.vocabulary import NAME, Vocabulary


class Assessor:
    """Weighs listings against one state of a catalogue; plain values only, so it can go to another process."""

    def __init__(self, reader: Reader, known: CatalogueFacts) -> None:
        self.reader = reader
        self.known = known

    @classmethod
    def of(cls, catalogue: Catalogue) -> Self:
        """Raises CatalogueError, bad_vocabulary among them."""
        records, spellings = catalogue.records(), spellings_of(catalogue)
        reader = Reader(Vocabulary.of(catalogue.folder, records), records, spellings)
        contrasts = [
            float(row.facts["residual_contrast"]) for row in catalogue.references() if "residual_contrast" in row.facts
        ]
        return cls(reader, CatalogueFacts.of(records, reader.poses, reader.crops, contrasts, spellings))

    def assess(self, name: str, text: str, photos: Sequence[ListingPhoto]) -> dict[str, Any]:
        """The published object of one listing. Raises BadListing empty_text, text_too_large."""
        reading = self.reader.read(text)
        cards = shown_of(photos, self.known.records)
        judgements = self.judge(reading, cards)
        verdict = decide(judgements, cards, self.known)
        return published(name, reading, judgements, verdict, photos, cards)

    def judge(self, reading: ListingReading, cards: Sequence[CardEvidence]) -> tuple[Judgement, ...]:
        """Every claim, in the order of the text; where some cards show who is named, the rest is asked of those."""
        said = {
            kind: frozenset(claim.value for claim in reading.claims if claim.kind == kind and not claim.negated)
            for kind in ("pose", "crop")
        }
        return tuple(
            compare(
                claim, self._about(claim, reading, cards), self.known, self.reader.group,
                said.get(claim.kind, frozenset()),
            )
            for claim in reading.claims
        )  # fmt: skip

    def _about(self, claim: Claim, reading: ListingReading, cards: Sequence[CardEvidence]) -> Sequence[CardEvidence]:
        """The cards that a claim is about: of several sitters it is about the one in whose sentence it stands."""
        if claim.kind in ("subject", "count"):
            return cards
        named = [one for one in reading.claims if one.kind == "subject" and not one.negated]
        if len({one.value for one in named}) > 1:
            nearest = self._in_one_sentence(claim, named, reading.text)
            named = [nearest] if nearest else named
        return self._shown(named, cards) or self._shown(reading.claims, cards) or cards

    def _in_one_sentence(self, claim: Claim, named: Sequence[Claim], text: str) -> Claim | None:
        """The sitter named last before a claim; where none is, the first after it in the same sentence."""
        at = claim.spans[0][0]
        places = sorted((span[0], one.value, one) for one in named for span in one.spans)
        before = [one for start, _, one in places if start <= at]
        after = [one for start, _, one in places if start > at and not re.search(r"[.;\n]", text[at:start])]
        return before[-1] if before else after[0] if after else None

    def _shown(self, claims: Iterable[Claim], cards: Sequence[CardEvidence]) -> list[CardEvidence]:
        """The cards that show one of the sitters who are named."""
        named = [claim for claim in claims if claim.kind == "subject" and not claim.negated]
        return [
            card
            for card in cards
            if any(compare(claim, [card], self.known, self.reader.group).status == "agrees" for claim in named)
        ]


class Assessors:
    """The assessor of an open catalogue, made anew when something was decided or the vocabulary changed.

    May be asked from several threads.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._asked = threading.Lock()
        self._held: tuple[object, Assessor] | None = None

    def now(self) -> Assessor:
        """The assessor of the catalogue's present state. Raises CatalogueError."""
        with self._asked:
            state = self._catalogue.last_decision(), _stamp(self._catalogue.folder / NAME)
            if self._held is None or self._held[0] != state:
                self._held = state, Assessor.of(self._catalogue)
            return self._held[1]


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
