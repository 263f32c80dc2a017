"""A catalogue's names in, where a listing names them out: sitters by any known spelling, clubs, issuers, series.

A name is found by its least common word, then judged as a whole. Where two sitters fit almost equally well both are
told; where only the first name differs the reading counts as unsure. rapidfuzz measures; nothing is guessed silently.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from rapidfuzz.distance import OSA

from matcher.catalogue import RecordRow
from matcher.catalogue.records.name_search import plain
from matcher.jobs.listing.phrases import Speller
from matcher.jobs.listing.text import Word

AS_GOOD = 0.04
"""Two names of which the worse falls no further short than this are both told."""

LEAST_FIT = 0.8
"""Similarity from which on a name of several words counts as named (letters shared, by optimal string alignment)."""

COMMON = 8
"""A word of more names than that, as 'club', is not looked for if the name has a rarer one."""

SHORTEST_ALONE = 4
"""A surname alone needs so many letters, to be more than a chance word."""


@dataclass(frozen=True)
class Name:
    """One spelling of something that has a name. words: plain. value: what is named."""

    kind: str
    value: str
    words: tuple[str, ...]

    @property
    def surname(self) -> str:
        return self.words[-1] if len(self.words[-1]) >= 3 else max(self.words, key=len)


@dataclass(frozen=True)
class Named:
    """A name read between two words. values: what it may mean, the likeliest first. fit: 0 to 1. unsure: why, or ""."""

    first: int
    last: int
    kind: str
    values: tuple[str, ...]
    fit: float
    unsure: str = ""


def names_of(records: Iterable[RecordRow], spellings: Mapping[str, Sequence[str]]) -> tuple[Name, ...]:
    """Every name that the records know; captions and spellings name their subject."""
    found: dict[Name, None] = {}
    for record in records:
        told = [(record.subject, "subject", text) for text in (record.subject, record.caption)]
        told += [(record.subject, "subject", text) for text in spellings.get(record.subject, ())]
        told += [(record.club, "club", record.club), (record.issuer, "issuer", record.issuer)]
        told += [(record.issuer, "issuer", record.issuer.split(",")[0]), (record.series, "series", record.series)]
        for value, kind, text in told:
            words = tuple(plain(text.replace(".", " ").replace("-", " ")).split())
            for spelt in (words, *_shortened(words)) if kind == "club" else (words,):
                if value and spelt and max(map(len, spelt)) >= 3:
                    found[Name(kind, value, spelt)] = None
    return tuple(found)


def _shortened(words: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """A club's name with its later words as initials, apart and together.

    >>> list(_shortened(("gannock", "bar", "r", "c")))
    [('gannock', 'b', 'r', 'c'), ('gannock', 'brc')]
    """
    if len(words) >= 3:
        initials = tuple(word[0] for word in words[1:])
        yield words[0], *initials
        yield words[0], "".join(initials)


class NameBook:
    """Names made ready for reading. literal: words of the vocabulary, which are no misspelt names."""

    def __init__(self, names: Iterable[Name], literal: Collection[str]) -> None:
        self._names = tuple(names)
        self._literal = literal
        times = Counter(word for name in self._names for word in set(name.words))
        self._by_word: dict[str, list[Name]] = defaultdict(list)
        for name in self._names:
            for word in _telling(name, times):
                self._by_word[word].append(name)
        self._speller = Speller(self._by_word, literal)
        self._surnames: dict[str, set[str]] = defaultdict(set)
        for name in self._names:
            if name.kind == "subject":
                self._surnames[name.surname].add(name.value)

    def find(self, words: Sequence[Word]) -> list[Named]:
        """Every name, those that overlap a better one left out."""
        readings = self._speller.readings(word.plain for word in words)
        found: list[Named] = []
        for place, word in enumerate(words):
            for known in readings.get(word.plain, ()):
                for name in self._by_word[known]:
                    found += self._judged(words, place, known, name)
        return _best(found)

    def _judged(self, words: Sequence[Word], place: int, known: str, name: Name) -> Iterator[Named]:
        """The name as it may stand round the word at `place`, which reads `known`."""
        best: Named | None = None
        for first, last in _windows(words, place, name):
            run = tuple(word.plain for word in words[first : last + 1])
            fit = max(likeness(run, name.words), likeness(_turned(run), name.words))
            if fit >= LEAST_FIT and (best is None or fit > best.fit):
                best = Named(first, last, name.kind, (name.value,), fit)
        if best is not None:
            yield best
        elif name.kind == "subject" and known == name.surname and self._alone(words[place].plain, known):
            yield self._by_surname(words, place, known, name)

    def _alone(self, word: str, surname: str) -> bool:
        return len(surname) >= SHORTEST_ALONE and surname not in self._literal and word not in self._literal

    def _by_surname(self, words: Sequence[Word], place: int, surname: str, name: Name) -> Named:
        before = words[place - 1].plain if place and words[place].gap <= 1 else ""
        fit = 0.9 * OSA.normalized_similarity(words[place].plain, surname)
        firsts = [word for word in name.words if word != surname]
        if before and _is_first_name(before, self._literal) and not any(word[0] == before[0] for word in firsts):
            told = f"the first name {before!r} is not that of {name.value!r}"
            return Named(place - 1, place, "subject", (name.value,), fit, told if firsts else "")
        values = (name.value, *sorted(self._surnames[surname] - {name.value}))
        return Named(place, place, "subject", values, fit)


def likeness(words: Sequence[str], name: Sequence[str]) -> float:
    """How alike two names are, 0 to 1, spaces aside; an initial stands for the name that it begins.

    >>> round(likeness(("arturo", "brelby"), ("arturo", "brellby")), 3)
    0.857
    >>> likeness(("a", "brellby"), ("arturo", "brellby"))
    0.95
    """
    mine, theirs = list(words), list(name)
    shortened = 0
    if len(mine) == len(theirs) and len(mine[-1]) > 2:
        for k, (one, other) in enumerate(zip(mine, theirs, strict=True)):
            if one != other and 1 in (len(one), len(other)) and one[0] == other[0]:
                mine[k] = theirs[k] = one[0]
                shortened += 1
    similar = float(OSA.normalized_similarity("".join(mine), "".join(theirs)))
    # Each word must be like its own: 'Quay Rowers' is not 'Quay Harriers', however long the rest.
    if len(mine) == len(theirs):
        similar = min(similar, *(_word_fit(one, other) for one, other in zip(mine, theirs, strict=True)))
    return similar - 0.05 * shortened


def _word_fit(one: str, other: str) -> float:
    """1 for equal words; short ones may not differ, longer ones by about a third."""
    if one == other:
        return 1.0
    likeness = float(OSA.normalized_similarity(one, other))
    return 0.0 if min(len(one), len(other)) < 3 or likeness < 0.66 else max(likeness, LEAST_FIT)


def _turned(run: tuple[str, ...]) -> tuple[str, ...]:
    """'Brellby, Arturo' as 'Arturo Brellby'."""
    return (*run[1:], run[0])


def _windows(words: Sequence[Word], place: int, name: Name) -> Iterator[tuple[int, int]]:
    """Runs of words that hold `place`, about as long as the name, within one sentence."""
    size = len(name.words)
    for length in sorted({size, size + 1, max(size - 1, 2)}, key=lambda n: abs(n - size)):
        for first in range(place - length + 1, place + 1):
            last = first + length - 1
            if first >= 0 and last < len(words) and all(word.gap <= 1 for word in words[first + 1 : last + 1]):
                yield first, last


def _telling(name: Name, times: Counter[str]) -> tuple[str, ...]:
    """The words by which a name is looked for: its rarest of three letters or more, and a sitter's surname."""
    long = [word for word in name.words if len(word) >= 3]
    ranked = sorted(long, key=lambda word: (times[word], -len(word)))
    rarest = [word for k, word in enumerate(ranked[:2]) if k == 0 or times[word] <= COMMON]
    return tuple(dict.fromkeys((*rarest, *((name.surname,) if name.kind == "subject" else ()))))


def _is_first_name(word: str, literal: Collection[str]) -> bool:
    return word.isalpha() and word not in literal


def _best(found: Iterable[Named]) -> list[Named]:
    """The best reading of each place; what fits as well there is told beside it."""
    chosen: list[Named] = []
    taken: dict[int, int] = {}
    for named in sorted(found, key=lambda n: (-n.fit, bool(n.unsure), n.first - n.last)):
        own = range(named.first, named.last + 1)
        rivals = {taken[place] for place in own if place in taken}
        if not rivals:
            taken.update(dict.fromkeys(own, len(chosen)))
            chosen.append(named)
        elif len(rivals) == 1 and _as_good(chosen[min(rivals)], named):
            one = chosen[min(rivals)]
            chosen[min(rivals)] = replace(one, values=tuple(dict.fromkeys((*one.values, *named.values))))
    return sorted(chosen, key=lambda named: named.first)


def _as_good(one: Named, other: Named) -> bool:
    """Whether another reading of the same words must be told too: nothing fits to the letter, both about as well."""
    sure = not (one.unsure or other.unsure)
    return one.kind == other.kind and one.fit < 1 and one.fit - other.fit < AS_GOOD and sure
