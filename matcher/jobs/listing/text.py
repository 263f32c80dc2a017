"""A listing's text in, its words with their places in it out. Markup stays text, and no address is ever fetched.

Words are compared as `catalogue.records.name_search.plain` gives them; their places are those in the text as it was
given, whatever Unicode form it is in (NFC or NFD, full-width letters, soft hyphens).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from matcher.catalogue.records.name_search import plain
from matcher.core.errors import BadListing

MOST_BYTES = 1_000_000
"""Sale listings have some hundred words; more than this is another kind of file."""

_JOINED = "\u0300-\u036f\u00ad\u200b-\u200d\u2060\ufeff"
"""Combining accents, soft hyphens and invisible characters: they part no word."""

_WORD = re.compile(rf"(?:[^\W_][{_JOINED}]*)+(?:['’](?:[^\W_][{_JOINED}]*)+)*")
_PASSED_OVER = re.compile(
    r"<(?P<block>script|style)\b|(?P<comment><!--)|</?[a-zA-Z][^<>]{0,2000}>"
    r"|&(?:[a-zA-Z]{2,10}|#\d{1,6}|#x[0-9a-fA-F]{1,5});|(?:https?://|\bwww\.)\S{1,2000}"
    r"|(?<![\w.+-])[\w.+-]{1,64}@[\w-]{1,63}\.[\w.-]{2,63}",
    re.IGNORECASE,
)
_SENTENCE_END = re.compile(r"[!?;\n\r|•·*]|\.\s*\.|:")
_FULL_STOP = re.compile(r"\.(?:\s|$)")
_CLAUSE_END = re.compile(r"[,()\[\]{}/&+]|\s[-–—~]+\s|\.|—")
UN = "un"
_DENIED = re.compile(
    rf"{UN}(trimmed|creased|folded|stained|soiled|spotted|torn|toned|scratched|scuffed)", re.IGNORECASE
)
"""Words for a condition that is denied, in one."""

_ABBREVIATIONS = frozenset(
    {
        "alf", "aug", "benj", "c", "ca", "capt", "cart", "chas", "co", "col", "cpl", "dr", "ed", "edm", "edw",
        "esq", "est", "fred", "geo", "gen", "hon", "inst", "jas", "jos", "jr", "lt", "maj", "matt", "mr", "mrs",
        "nat", "no", "nos", "patk", "prof", "rev", "rich", "robt", "sam", "sgt", "sr", "st", "theo", "thos", "vol",
        "vs", "wilf", "wm", "approx", "abt", "var", "orig", "sp", "obv", "dk", "sm", "lg",
    }
)  # fmt: skip
"""Words whose full stop ends no sentence; so does that of a capitalised word of up to four letters before another."""


@dataclass(frozen=True)
class Word:
    """One word.

    plain:      as it is compared: small letters, no accents.
    start, end: its place in the text.
    gap:        what parts it from the word before: 0 nothing, 1 a comma or the like, 2 the end of a sentence.
    """

    plain: str
    start: int
    end: int
    gap: int


def words_of(text: str) -> tuple[Word, ...]:
    """All words but those of markup, scripts and addresses. Raises BadListing empty_text, text_too_large."""
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise BadListing(
            "text_too_large", f"the text is longer than {MOST_BYTES / 1e6:g} MB", "give the title and the description"
        )
    if not text.strip():
        raise BadListing("empty_text", "the text is empty", "give the listing's title and description")
    return tuple(_words(text))


def passed_over(text: str) -> tuple[tuple[int, int], ...]:
    """Places of markup, scripts and addresses: shown, never read."""
    found: list[tuple[int, int]] = []
    at = 0
    unclosed: set[str] = set()  # a block whose end was not found once has none further on: looked for only once
    while match := _PASSED_OVER.search(text, at):
        start, end = match.span()
        closing = f"</{match['block'].lower()}" if match["block"] else "-->" if match["comment"] else ""
        if closing:
            close = None if closing in unclosed else re.compile(closing, re.IGNORECASE).search(text, end)
            if close is None:
                unclosed.add(closing)
            else:
                end = text.find(">", close.start()) + 1 or len(text)
        found.append((start, end))
        at = end
    return tuple(found)


def _words(text: str) -> Iterator[Word]:
    # Blanked at full length, so that places stay what they are.
    bare, at = [], 0
    for start, stop in passed_over(text):
        bare += [text[at:start], _blank(text[start:stop])]
        at = stop
    yield from _words_in("".join([*bare, text[at:]]))


def _words_in(bare: str) -> Iterator[Word]:
    end, before = 0, ""
    for match in _WORD.finditer(bare):
        told = plain(match[0]).replace(" ", "")
        if told:
            word = Word(told, match.start(), match.end(), _gap(before, bare[end : match.start()], match[0]))
            yield from _denied(word) if _DENIED.fullmatch(match[0]) else (word,)
            end, before = match.end(), match[0]


def _denied(word: Word) -> tuple[Word, Word]:
    """'untrimmed' as the two words that it is made of."""
    middle = word.start + len(UN)
    return replace(word, plain=UN, end=middle), Word(word.plain.removeprefix(UN), middle, word.end, 0)


def _blank(markup: str) -> str:
    """Blocks and breaks end a sentence; a letter set in bold does not."""
    ends = re.match(r"</?(p|br|div|li|ul|ol|td|tr|table|h\d|script|style)\b", markup, re.IGNORECASE)
    return ("\n" if ends else " ") + " " * (len(markup) - 1)


def _gap(before: str, between: str, after: str) -> int:
    if before.casefold() == "w" and between.strip() == "/":  # 'w/ oar' is 'with oar'
        return 0
    if _SENTENCE_END.search(between):
        return 2
    if _FULL_STOP.search(between):
        named = len(before) <= 4 and before.istitle() and after[0].isupper()
        return 1 if len(before) == 1 or named or before.casefold() in _ABBREVIATIONS else 2
    return 1 if _CLAUSE_END.search(between) else 0
