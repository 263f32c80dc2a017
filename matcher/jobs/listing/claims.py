"""A listing's words in, its claims out, each with the words that it rests on; what was not read stays visible.

Names come from the catalogue, everything else from the vocabulary. A negation turns the claims that it governs round;
sentences about other things ('see my other listings') claim nothing of this card.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from matcher.catalogue import RecordRow
from matcher.jobs.listing.carriers import Claim, Described, ListingReading, Unread
from matcher.jobs.listing.claim_extraction import Page
from matcher.jobs.listing.measures import measured, sizes_once
from matcher.jobs.listing.names import NameBook, Named, names_of
from matcher.jobs.listing.phrases import PhraseBook, Place, choose
from matcher.jobs.listing.text import Word, passed_over, words_of
from matcher.jobs.listing.vocabulary import PHRASE_LISTS, Term, Vocabulary


class Reader:
    """Reads listings with a vocabulary and a catalogue's names; made once, used for many."""

    def __init__(
        self, vocabulary: Vocabulary, records: Sequence[RecordRow], spellings: Mapping[str, Sequence[str]] | None = None
    ) -> None:
        self.vocabulary = vocabulary
        self._names = NameBook(names_of(records, spellings or {}), vocabulary.words)
        own = tuple(_own_terms(vocabulary))
        self._terms: dict[tuple[str, str], Term] = {**dict(vocabulary.terms)}
        for term in own:
            self._terms.setdefault((term.kind, term.value), term)
        self._book = PhraseBook(self._phrases(), vocabulary.words, vocabulary.fillers)
        self.poses = {pose: self._described(text, "pose") for pose, text in vocabulary.poses.items()}
        self.crops = {key: self._described(text, "crop") for key, text in vocabulary.crops.items()}

    def read(self, text: str) -> ListingReading:
        """All claims of a text. Raises BadListing empty_text, text_too_large."""
        words = words_of(text)
        named = self._names.find(words)
        places = self._places(words, named)
        elsewhere = _elsewhere(words, places)
        page = Page(text, words, places, self._terms, self.vocabulary.idle)
        told = [*page.from_terms(), *page.from_names(named), *page.captions(named), *measured(text, words)]
        away = _covered(text, elsewhere)
        claims = [claim for claim in told if not away[claim.spans[0][0]]]
        return ListingReading(
            text, sizes_once(_merged(claims)), tuple(self._unread(text, words, claims, places, elsewhere))
        )

    def group(self, kind: str, value: str) -> str:
        """The group that a term belongs to; "" for none."""
        term = self._terms.get((kind, value))
        return term.group if term else ""

    def _phrases(self) -> Iterator[tuple[tuple[str, ...], tuple[str, str, str]]]:
        for term in self._terms.values():
            for text in term.phrases:
                yield self.vocabulary.content(text), ("term", term.kind, term.value)
        for name in PHRASE_LISTS:
            for text in self.vocabulary.lists[name]:
                yield self.vocabulary.content(text), ("list", name, text)

    def _places(self, words: Sequence[Word], named: Sequence[Named]) -> list[Place]:
        """Phrases, but not inside a name that was read surely."""
        inside = {i for one in named if one.fit > 0.9 and not one.unsure for i in range(one.first, one.last + 1)}
        found = self._book.find(words)
        return choose(place for place in found if not inside & set(range(place.first, place.last + 1)))

    def _described(self, text: str, kind: str) -> Described:
        """What a description says, part by part; parts of which nothing is read say nothing."""
        parts = (self._part(part, kind) for part in _parts(text))
        return Described(tuple(part for part in parts if part))

    def _part(self, text: str, kind: str) -> frozenset[str]:
        places = self._book.find(words_of(text))
        denied = {place.last + 1 for place in places if place.says[:2] == ("list", "negations")}
        return frozenset(
            place.says[2] for place in places if place.says[:2] == ("term", kind) and place.first not in denied
        )

    def _unread(
        self,
        text: str,
        words: Sequence[Word],
        claims: Iterable[Claim],
        places: Iterable[Place],
        elsewhere: Sequence[tuple[int, int]],
    ) -> Iterator[Unread]:
        grades = grades_in(text)
        graded = _covered(text, grades)
        yield from (Unread(text[s:e], s, e, GRADE) for s, e in grades)
        read, away = _covered(text, (span for claim in claims for span in claim.spans)), _covered(text, elsewhere)
        used = {i for place in places if place.says[0] == "list" for i in range(place.first, place.last + 1)}
        run: list[Word] = []
        for i, word in enumerate(words):
            known = i in used or word.plain in self.vocabulary.idle or bool(read[word.start] or graded[word.start])
            other = bool(away[word.start])
            if run and (known or other or word.gap == 2):
                yield _run(text, run)
                run = []
            if not known and not other:
                run.append(word)
        if run:
            yield _run(text, run)
        yield from (one for one in _beyond_pictures(text, words, places) if not away[one.start])
        yield from (Unread(text[s:e], s, e, "about something else, not this card") for s, e in elsewhere)
        yield from (Unread(text[s:e], s, e, "markup or an address: not followed") for s, e in passed_over(text))


GRADE = "a grade: the seller's opinion, which a picture cannot check"
BEYOND = {
    "promises": "a promise that the card is genuine: no picture can bear it out, and this does not try to",
    "rarities": "how rare it is: a catalogue counts what its owner has seen, not what there is",
}
"""Lists of phrases that say what no picture of the card can tell, and why they are left."""
_LETTERS = "MT|NM|EX|VG|GD|FR|PR"
_GRADES = re.compile(
    rf"(?<![\w/-])(?:{_LETTERS}|[GFP](?=[ ]?[-/+]))(?:[ ]?[-/+][ ]?(?:{_LETTERS}|[GFP]))*\+?(?![\w/-])"
)


def grades_in(text: str) -> list[tuple[int, int]]:
    """Places of a seller's letters for the condition; they are quoted, and claim nothing here.

    >>> [text[s:e] for text in ("VG-EX, small pinhole", "about G/VG") for s, e in grades_in(text)]
    ['VG-EX', 'G/VG']
    """
    return [match.span() for match in _GRADES.finditer(text)]


def _own_terms(vocabulary: Vocabulary) -> Iterator[Term]:
    """Each part of a description is a term of its own, unless the vocabulary has words for all of it."""
    known = {vocabulary.content(text) for term in vocabulary.terms.values() for text in term.phrases}
    for kind, texts in (("pose", vocabulary.poses.values()), ("crop", vocabulary.crops.values())):
        for text in texts:
            for part in _parts(text):
                if vocabulary.content(part) not in known and vocabulary.content(part):
                    yield Term(kind, "", part, (part,))


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.replace(",", ";").split(";") if part.strip()]


def _elsewhere(words: Sequence[Word], places: Iterable[Place]) -> list[tuple[int, int]]:
    """Places in the text from a phrase that turns to other things to the end of that sentence."""
    found: list[tuple[int, int]] = []
    for place in places:
        start = words[place.first].start
        if place.says[:2] == ("list", "elsewhere") and (not found or start >= found[-1][1]):
            end = place.last
            while end + 1 < len(words) and words[end + 1].gap < 2:
                end += 1
            found.append((start, words[end].end))
    return found


def _beyond_pictures(text: str, words: Sequence[Word], places: Iterable[Place]) -> Iterator[Unread]:
    """What a seller says of the card that its picture cannot tell: quoted with the reason, never judged."""
    for place in places:
        of, name, _ = place.says
        if of == "list" and name in BEYOND:
            start, end = words[place.first].start, words[place.last].end
            yield Unread(text[start:end], start, end, BEYOND[name])


def _covered(text: str, spans: Iterable[tuple[int, int]]) -> bytearray:
    """For every character of the text, 1 where a span covers it."""
    covered = bytearray(len(text))
    for start, end in spans:
        covered[start:end] = b"\x01" * (end - start)
    return covered


def _merged(claims: Iterable[Claim]) -> tuple[Claim, ...]:
    """The same thing said twice is one claim with two places; said with and without reserve it is said without."""
    found: dict[tuple[object, ...], list[Claim]] = {}
    for claim in sorted(claims, key=lambda claim: claim.spans[0]):
        key = (claim.kind, claim.value.casefold(), claim.negated, claim.others, bool(claim.unsure))
        found.setdefault(key, []).append(claim)
    return tuple(
        replace(
            same[0],
            spans=tuple(dict.fromkeys(span for claim in same for span in claim.spans)),
            hedged=all(claim.hedged for claim in same),
        )
        for same in found.values()
    )


def _run(text: str, run: Sequence[Word]) -> Unread:
    return Unread(text[run[0].start : run[-1].end], run[0].start, run[-1].end)
