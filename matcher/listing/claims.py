"""A listing's words in, its claims out, each with the words that it rests on; what was not read stays visible.

Names come from the catalogue, everything else from the vocabulary. A negation turns the claims that it governs round;
sentences about other things ('see my other listings') claim nothing of this card.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from matcher.catalogue import RecordRow
from matcher.listing.carriers import Claim, Reading, Unread
from matcher.listing.measures import measured
from matcher.listing.names import NameBook, Named, names_of
from matcher.listing.phrases import PhraseBook, Place, choose
from matcher.listing.text import Word, passed_over, words_of
from matcher.listing.vocabulary import Term, Vocabulary

NEGATION_REACH = 4
"""Words after 'no' or 'not' within which a claim is turned round."""


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

    def read(self, text: str) -> Reading:
        """All claims of a text. Raises BadListing empty_text, text_too_large."""
        words = words_of(text)
        named = self._names.find(words)
        places = self._places(words, named)
        elsewhere = _elsewhere(words, places)
        page = _Page(text, words, places, self._terms, self.vocabulary.idle)
        told = [*page.from_terms(), *page.from_names(named), *page.captions(named), *measured(text, words)]
        claims = [claim for claim in told if not _within(claim, elsewhere)]
        return Reading(text, _merged(claims), tuple(self._unread(text, words, claims, places, elsewhere)))

    def group(self, kind: str, value: str) -> str:
        """The group that a term belongs to; "" for none."""
        term = self._terms.get((kind, value))
        return term.group if term else ""

    def _phrases(self) -> Iterator[tuple[tuple[str, ...], tuple[str, str, str]]]:
        for term in self._terms.values():
            for text in term.phrases:
                yield self.vocabulary.content(text), ("term", term.kind, term.value)
        for name in ("caption_leads", "issuer_leads", "negations", "hedges", "elsewhere"):
            for text in self.vocabulary.lists[name]:
                yield self.vocabulary.content(text), ("list", name, text)

    def _places(self, words: Sequence[Word], named: Sequence[Named]) -> list[Place]:
        """Phrases, but not inside a name that was read surely."""
        inside = {i for one in named if one.fit > 0.9 and not one.unsure for i in range(one.first, one.last + 1)}
        found = self._book.find(words)
        return choose(place for place in found if not inside & set(range(place.first, place.last + 1)))

    def _described(self, text: str, kind: str) -> frozenset[str]:
        """The terms with which a description describes, its own parts among them."""
        found: set[str] = set()
        for part in _parts(text):
            words = words_of(part)
            places = self._book.find(words)
            denied = {place.last + 1 for place in places if place.says[:2] == ("list", "negations")}
            found |= {
                place.says[2] for place in places if place.says[:2] == ("term", kind) and place.first not in denied
            }
        return frozenset(found)

    def _unread(
        self,
        text: str,
        words: Sequence[Word],
        claims: Iterable[Claim],
        places: Iterable[Place],
        elsewhere: Sequence[tuple[int, int]],
    ) -> Iterator[Unread]:
        read = [span for claim in claims for span in claim.spans]
        used = {i for place in places if place.says[0] == "list" for i in range(place.first, place.last + 1)}
        run: list[Word] = []
        for i, word in enumerate(words):
            known = i in used or word.plain in self.vocabulary.idle or any(s <= word.start < e for s, e in read)
            other = any(s <= word.start < e for s, e in elsewhere)
            if run and (known or other or word.gap == 2):
                yield _run(text, run)
                run = []
            if not known and not other:
                run.append(word)
        if run:
            yield _run(text, run)
        yield from (Unread(text[s:e], s, e, "speaks of something else") for s, e in elsewhere)
        yield from (Unread(text[s:e], s, e, "markup or an address: not followed") for s, e in passed_over(text))


@dataclass(frozen=True)
class _Page:
    """One text with what was found in it."""

    text: str
    words: Sequence[Word]
    places: Sequence[Place]
    terms: Mapping[tuple[str, str], Term]
    idle: Collection[str]

    def from_terms(self) -> Iterator[Claim]:
        negated = self._negated()
        for place in self.places:
            tag, kind, value = place.says
            if tag == "term":
                group = self.terms[kind, value].group
                yield self._claim(kind, value, place.first, place.last, group=group, negated=place in negated)

    def from_names(self, named: Iterable[Named]) -> Iterator[Claim]:
        for one in named:
            more: dict[str, Any] = {"others": one.values[1:], "unsure": one.unsure}
            yield self._claim(one.kind, one.values[0], one.first, one.last, negated=self._denied(one.first), **more)

    def captions(self, named: Sequence[Named]) -> Iterator[Claim]:
        """What the listing says that the card's words are: after 'caption reads', or in quotes beside 'spelling'."""
        for place in self.places:
            if place.says[:2] != ("list", "caption_leads"):
                continue
            quoted = self._quoted_near(place)
            after = next((n for n in named if n.kind == "subject" and 0 < n.first - place.last <= 3), None)
            before = next((n for n in named if n.kind == "subject" and 0 < place.first - n.last <= 2), None)
            if quoted:
                yield self._claim("caption", self.text[quoted[0] : quoted[1]], *self._inside(quoted))
            elif one := after or before:
                # A first name that was not read belongs to the words all the same.
                while after and one.first - 1 > place.last and self._is_name(self.words[one.first - 1]):
                    one = replace(one, first=one.first - 1)
                span = self.words[one.first].start, self.words[one.last].end
                yield self._claim("caption", " ".join(self.text[slice(*span)].split()), one.first, one.last)

    def _is_name(self, word: Word) -> bool:
        return word.plain.isalpha() and word.plain not in self.idle

    def _quoted_near(self, place: Place) -> tuple[int, int] | None:
        """The nearest quotation that begins or ends within three words of a lead."""
        start, end = self.words[place.first].start, self.words[place.last].end
        near = []
        for first, last in quotations(self.text):
            inside = self._inside((first, last))
            if inside[0] > inside[1]:
                continue
            away = inside[0] - place.last if first >= end else place.first - inside[1] if last <= start else 99
            if 0 < away <= 4:
                near.append((away, (first, last)))
        return min(near)[1] if near else None

    def _inside(self, span: tuple[int, int]) -> tuple[int, int]:
        own = [i for i, word in enumerate(self.words) if span[0] <= word.start and word.end <= span[1]]
        return (own[0], own[-1]) if own else (1, 0)

    def _claim(self, kind: str, value: str, first: int, last: int, **more: Any) -> Claim:
        start, end = self.words[first].start, self.words[last].end
        hedged = self._listed_near("hedges", first, 5)
        return Claim(kind, value, self.text[start:end], ((start, end),), hedged=hedged, **more)

    def _listed_near(self, name: str, first: int, reach: int) -> bool:
        """Whether a phrase of a list stands shortly before a word, in its sentence."""
        return any(
            place.says[:2] == ("list", name)
            and 0 < first - place.last <= reach
            and not any(word.gap == 2 for word in self.words[place.last + 1 : first + 1])
            for place in self.places
        )

    def _denied(self, first: int) -> bool:
        return any(
            place.says[:2] == ("list", "negations") and 0 < first - place.last <= 2
            and not any(word.gap for word in self.words[place.last + 1 : first + 1])
            for place in self.places
        )  # fmt: skip

    def _negated(self) -> set[Place]:
        """Terms that a negation governs: those shortly after it, and what 'or' and 'nor' carry it over to."""
        found: set[Place] = set()
        for k, place in enumerate(self.places):
            if place.says[:2] != ("list", "negations"):
                continue
            end, reach = place.last, NEGATION_REACH
            for other in self.places[k + 1 :]:
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
    found = []
    for place in places:
        if place.says[:2] == ("list", "elsewhere"):
            end = place.last
            while end + 1 < len(words) and words[end + 1].gap < 2:
                end += 1
            found.append((words[place.first].start, words[end].end))
    return found


def _within(claim: Claim, spans: Iterable[tuple[int, int]]) -> bool:
    return any(start <= claim.spans[0][0] < end for start, end in spans)


def _merged(claims: Iterable[Claim]) -> tuple[Claim, ...]:
    """The same thing said twice is one claim with two places; said with and without reserve it is said without."""
    found: dict[tuple[object, ...], Claim] = {}
    for claim in sorted(claims, key=lambda claim: claim.spans[0]):
        key = (claim.kind, claim.value.casefold(), claim.negated, claim.others, bool(claim.unsure))
        if before := found.get(key):
            hedged = before.hedged and claim.hedged
            found[key] = replace(before, spans=tuple(dict.fromkeys((*before.spans, *claim.spans))), hedged=hedged)
        else:
            found[key] = claim
    return tuple(found.values())


def _run(text: str, run: Sequence[Word]) -> Unread:
    return Unread(text[run[0].start : run[-1].end], run[0].start, run[-1].end)
