"""Words and phrases in, where the phrases stand in the words out: in any order, fillers between, misspelt a little.

Misspelling is counted as optimal string alignment (a letter put in, left out, replaced, or two swapped), rapidfuzz's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rapidfuzz import process
from rapidfuzz.distance import OSA

from matcher.jobs.listing.text import Word

SHORTEST_MISSPELT, LONG = 5, 9
"""Shorter words must be exact; from `LONG` letters on two misspellings are allowed, between them one."""

MOST_CHOICES = 40
"""Known words that one misspelt word may stand for."""


Says = tuple[str, str, str]


@dataclass(frozen=True)
class Place:
    """A phrase found: words `first` to `last`, `size` of them meant, `errors` misspellings, and what it says.

    says: ("term", kind, value) or ("list", name, phrase).
    """

    first: int
    last: int
    size: int
    errors: int
    says: Says


def allowed_errors(word: str) -> int:
    """How many misspellings a known word may have.

    >>> [allowed_errors(word) for word in ("oar", "seated", "unrecorded")]
    [0, 1, 2]
    """
    return 0 if len(word) < SHORTEST_MISSPELT else 1 if len(word) < LONG else 2


class Speller:
    """What misspelt words may stand for. literal: words that only stand for themselves."""

    def __init__(self, known: Iterable[str], literal: Collection[str] = ()) -> None:
        self._known = sorted(set(known))
        self._held = set(self._known)
        self._literal = literal

    def readings(self, words: Iterable[str]) -> dict[str, dict[str, int]]:
        """For each word the known words that it may stand for, with the number of misspellings."""
        found: dict[str, dict[str, int]] = {}
        for word in set(words):
            if word in self._held:
                found[word] = {word: 0}
            elif len(word) >= SHORTEST_MISSPELT - 1 and word not in self._literal and not word.isdigit():
                found[word] = self._near(word)
        return found

    def _near(self, word: str) -> dict[str, int]:
        near = process.extract(word, self._known, scorer=OSA.distance, score_cutoff=2, limit=MOST_CHOICES)
        return {
            known: int(errors)
            for known, errors, _ in near
            if errors <= allowed_errors(known) and (known[0] == word[0] or known[:2] == word[1::-1])
        }


class PhraseBook:
    """Phrases of words, each saying something."""

    def __init__(
        self, phrases: Iterable[tuple[Sequence[str], Says]], literal: Collection[str], fillers: Collection[str]
    ) -> None:
        self._fillers = fillers
        self._by_word: dict[str, list[tuple[tuple[str, ...], Says]]] = defaultdict(list)
        known: set[str] = set()
        for words, says in phrases:
            if words:
                # Filed under its longest word, which is hardly ever a common one.
                self._by_word[max(words, key=len)].append((tuple(words), says))
                known.update(words)
        self._speller = Speller(known, literal)

    def find(self, words: Sequence[Word]) -> list[Place]:
        """Every phrase wherever it stands, overlapping ones too."""
        readings = self._speller.readings(word.plain for word in words)
        content = [i for i, word in enumerate(words) if word.plain in readings or word.plain not in self._fillers]
        found: dict[tuple[int, int, Says], Place] = {}
        for k, i in enumerate(content):
            for known in readings.get(words[i].plain, ()):
                for phrase, says in self._by_word.get(known, ()):
                    for place in self._around(words, content, k, phrase, says, readings):
                        found.setdefault((place.first, place.last, says), place)
        return list(found.values())

    def _around(
        self,
        words: Sequence[Word],
        content: Sequence[int],
        k: int,
        phrase: tuple[str, ...],
        says: Says,
        readings: Mapping[str, Mapping[str, int]],
    ) -> Iterator[Place]:
        """The phrase in the runs of as many content words that hold the k-th one."""
        size = len(phrase)
        for start in range(max(0, k - size + 1), min(k, len(content) - size) + 1):
            run = content[start : start + size]
            if any(word.gap for word in words[run[0] + 1 : run[-1] + 1]):
                continue
            errors = _errors([readings.get(words[i].plain, {}) for i in run], phrase)
            if errors is not None:
                yield Place(run[0], run[-1], size, errors, says)


def _errors(run: Sequence[Mapping[str, int]], phrase: Sequence[str]) -> int | None:
    """Misspellings with which the run says the phrase in any order; None where it does not."""
    left, errors = list(phrase), 0
    for may_be in sorted(run, key=len):
        fits = [word for word in left if word in may_be]
        if not fits:
            return None
        best = min(fits, key=lambda word: may_be[word])
        errors += may_be[best]
        left.remove(best)
    return errors


def choose(places: Iterable[Place]) -> list[Place]:
    """Of overlapping places the longest, of equally long ones the better spelt."""
    chosen: list[Place] = []
    taken: set[int] = set()
    for place in sorted(places, key=lambda p: (-p.size, p.errors, p.last - p.first, p.first)):
        own = set(range(place.first, place.last + 1))
        if not own & taken:
            chosen.append(place)
            taken |= own
    return sorted(chosen, key=lambda place: place.first)
