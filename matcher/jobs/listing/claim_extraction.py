"""A text's words and what was found in them, in; its claims out, turned round where they are denied.

Every look-up is by the number of a word, so that the time goes with the length of a text, whatever it repeats.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from matcher.jobs.listing.carriers import Claim
from matcher.jobs.listing.names import Named
from matcher.jobs.listing.phrases import Place
from matcher.jobs.listing.text import Word
from matcher.jobs.listing.vocabulary import Term

NEGATION_REACH = 4
"""Words after 'no' or 'not' within which a claim is turned round."""


@dataclass(frozen=True)
class Page:
    """One text with what was found in it: its claims, with negations, reserve and captions put to them."""

    text: str
    words: Sequence[Word]
    places: Sequence[Place]
    terms: Mapping[tuple[str, str], Term]
    idle: Collection[str]

    @cached_property
    def _ends(self) -> dict[tuple[str, int], int]:
        """Lists' phrases by the name of the list and their last word: the place's number."""
        return {(p.says[1], p.last): k for k, p in enumerate(self.places) if p.says[0] == "list"}

    @cached_property
    def _quotes(self) -> dict[int, tuple[int, int, int, int]]:
        """Quotations by their first and by their last word: (first word, last word, start, end)."""
        starts = [word.start for word in self.words]
        found: dict[int, tuple[int, int, int, int]] = {}
        for start, end in quotations(self.text):
            first, last = bisect_left(starts, start), bisect_left(starts, end) - 1
            if first <= last:
                found[first] = found[last] = (first, last, start, end)
        return found

    def from_terms(self) -> Iterator[Claim]:
        negated = self._negated()
        for place in self.places:
            tag, kind, value = place.says
            if tag == "term":
                group = self.terms[kind, value].group
                yield self._claim(kind, value, place.first, place.last, group=group, negated=place in negated)

    def from_names(self, named: Iterable[Named]) -> Iterator[Claim]:
        for one in named:
            denied = self._listed_near("negations", one.first, 2, 0)
            more: dict[str, Any] = {"others": one.values[1:], "unsure": one.unsure}
            yield self._claim(one.kind, one.values[0], one.first, one.last, negated=denied, **more)

    def captions(self, named: Sequence[Named]) -> Iterator[Claim]:
        """What the listing says that the card's words are: after 'caption reads', or in quotes beside 'spelling'."""
        subjects = [one for one in named if one.kind == "subject"]
        firsts, lasts = {one.first: one for one in subjects}, {one.last: one for one in subjects}
        for place in self.places:
            if place.says[:2] != ("list", "caption_leads"):
                continue
            quoted = next((q for away in range(1, 5) for q in self._quoted(place, away)), None)
            after = next((firsts[k] for k in range(place.last + 1, place.last + 4) if k in firsts), None)
            before = next((lasts[k] for k in (place.first - 1, place.first - 2) if k in lasts), None)
            if quoted:
                yield self._claim("caption", self.text[quoted[2] : quoted[3]], quoted[0], quoted[1])
            elif after:
                yield self._caption(after, place.last)
            elif before:
                yield self._caption(before, before.first - 1)

    def _caption(self, one: Named, lead: int) -> Claim:
        """The name as it is written; a first name before it that was not read belongs to the words all the same."""
        first = one.first
        while (
            first - 1 > lead and self.words[first - 1].plain.isalpha() and self.words[first - 1].plain not in self.idle
        ):
            first -= 1
        written = self.text[self.words[first].start : self.words[one.last].end]
        return self._claim("caption", " ".join(written.split()), first, one.last)

    def _quoted(self, place: Place, away: int) -> Iterator[tuple[int, int, int, int]]:
        """A quotation that begins so many words after a lead, or ends so many before it."""
        after, before = self._quotes.get(place.last + away), self._quotes.get(place.first - away)
        if after and after[0] == place.last + away:
            yield after
        if before and before[1] == place.first - away:
            yield before

    def _claim(self, kind: str, value: str, first: int, last: int, **more: Any) -> Claim:
        start, end = self.words[first].start, self.words[last].end
        hedged = self._listed_near("hedges", first, 5, 1)
        return Claim(kind, value, self.text[start:end], ((start, end),), hedged=hedged, **more)

    def _listed_near(self, name: str, first: int, reach: int, most_gap: int) -> bool:
        """Whether a phrase of a list ends at most so many words before a word, with no wider gap between."""
        for place in range(first - 1, max(first - reach, 0) - 1, -1):
            if self.words[place + 1].gap > most_gap:
                return False
            if (name, place) in self._ends:
                return True
        return False

    def _negated(self) -> set[Place]:
        """Terms that a negation governs: those shortly after it, and what 'or' and 'nor' carry it over to."""
        found: set[Place] = set()
        for k, place in enumerate(self.places):
            if place.says[:2] != ("list", "negations"):
                continue
            end, reach = place.last, NEGATION_REACH
            for number in range(k + 1, len(self.places)):
                other = self.places[number]
                between = self.words[end + 1 : other.first + 1]
                if other.says[0] != "term" or len(between) > reach or not self._carries(between, place, other):
                    break
                found.add(other)
                end, reach = other.last, 3
        return found

    def _carries(self, between: Sequence[Word], negation: Place, term: Place) -> bool:
        """Whether a negation reaches over these words: not past a sentence, past a comma only in a list with 'or'."""
        if any(word.gap == 2 for word in between) or any(word.plain in _TURNS for word in between):
            return False
        first = between[0] is self.words[negation.last + 1]
        if first:
            return not any(word.gap for word in between)
        joined = any(word.plain in ("or", "nor") for word in between)
        return joined or (any(word.gap for word in between) and len(between) <= 2 and self._list_goes_on(term))

    def _list_goes_on(self, term: Place) -> bool:
        """Whether 'or' follows in the sentence: 'no stains, creases or tears'."""
        for word in self.words[term.last + 1 : term.last + 8]:
            if word.gap == 2 or word.plain in _TURNS:
                return False
            if word.plain in ("or", "nor"):
                return True
        return False


_TURNS = (
    "but",
    "just",
    "only",
    "except",
    "though",
    "although",
    "however",
    "yet",
    "with",
    "has",
    "some",
    "slight",
    "slightly",
)
"""Words after which a negation no longer holds."""

_QUOTES = {'"': '"', "“": "”", "‘": "’", "'": "'", "«": "»", "„": "“"}


def quotations(text: str, longest: int = 80) -> Iterator[tuple[int, int]]:
    """Places of quotations, without their marks; an apostrophe inside a word is none.

    >>> [slice(*place) for place in quotations("the 'Nat' card")]
    [slice(5, 8, None)]
    """
    at = 0
    while at < len(text):
        closing = _QUOTES.get(text[at])
        if closing and (at == 0 or not text[at - 1].isalnum()):
            end = text.find(closing, at + 1, at + longest)
            while end > 0 and closing in "'’" and end + 1 < len(text) and text[end + 1].isalnum():
                end = text.find(closing, end + 1, at + longest)
            if end > at + 1:
                yield at + 1, end
                at = end
        at += 1
