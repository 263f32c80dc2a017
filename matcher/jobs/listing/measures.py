"""Sizes, years and numbers of cards in a listing's text, as claims. Numbers that count other things are left alone."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import log

from matcher.core.formats import parse_format
from matcher.jobs.listing.carriers import Claim
from matcher.jobs.listing.text import Word

FIRST_YEAR, LAST_YEAR = 1839, 1945
"""From the first published photographs (1839) to the end of the studio card."""

_FRACTIONS = {"½": 1 / 2, "¼": 1 / 4, "¾": 3 / 4, "⅛": 1 / 8, "⅜": 3 / 8, "⅝": 5 / 8, "⅞": 7 / 8}
_UNITS = {"mm": 1.0, "cm": 10.0, "millimetres": 1.0, "millimeters": 1.0, "centimetres": 10.0, "centimeters": 10.0}
_INCH = 25.4
"""Millimetres in an inch, by definition (international yard and pound agreement of 1959)."""

_NUMBER = r"\d{1,3}(?:[.,]\d{1,3})?(?:[\s-]\d{1,2}/\d{1,2})?[½¼¾⅛⅜⅝⅞]?|\d{1,2}/\d{1,2}"
_UNIT = r"mm\b|millimet(?:re|er)s\b|cm\b|centimet(?:re|er)s\b|in\b\.?|inch(?:es)?\b|\"|”|″"
_SIZE = re.compile(rf"(?<![\w/.])({_NUMBER})\s*({_UNIT})?\s*(?:x|×|by)\s*({_NUMBER})\s*({_UNIT})", re.IGNORECASE)

_YEAR = re.compile(
    r"(?<![\w.,/#$€£-])((?:c|ca|circa|about|around)\.?\s*)?(1[89]\d\d)(?:('?s)\b|\s*[-–/]\s*(\d{4}|\d{2})\b(?!\s*[x×]))?"
    r"(?![\w%]|[.,]\d|\s*(?:x|×|mm|cm|dpi)\b)",
    re.IGNORECASE,
)
_NO_YEAR_BEFORE = ("no", "number", "lot", "item", "ref", "since", "established", "est", "usd", "gbp", "eur")

SAME_SIZE = 0.05
"""Difference of each side, as a natural logarithm, up to which figures say what a format's name says: they are rounded
to an eighth of an inch or half a centimetre. Less than half of what cards of one format differ by, so that whatever
would contradict the name contradicts the figures too. Own choice."""

_NUMERALS = {
    "one": 1, "single": 1, "two": 2, "pair": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "dozen": 12,
}  # fmt: skip
_CARDS = ("card", "cards", "cartes")
_LOTS = ("lot", "group", "set", "bundle")
"""'Lot of 2' counts, whatever follows; 'lot 2' does not."""
_NOT_A_LOT = (
    "known",
    "exist",
    "exists",
    "existing",
    "per",
    "each",
    "seen",
    "surviving",
    "recorded",
    "available",
    "left",
)


def measured(text: str, words: Sequence[Word]) -> Iterator[Claim]:
    """Claims of size, year and number of cards, in no particular order."""
    for span, numbers in sizes(text):
        value = f"{numbers['width_mm']:.1f} x {numbers['height_mm']:.1f} mm"
        yield Claim("size", value, text[slice(*span)], (span,), numbers=numbers)
    for span, numbers in years(text):
        first, last = int(numbers["first"]), int(numbers["last"])
        value = ("about " if numbers["about"] else "") + (str(first) if first == last else f"{first}-{last}")
        yield Claim("year", value, text[slice(*span)], (span,), numbers=numbers)
    for span, number in counts(text, words):
        yield Claim("count", str(number), text[slice(*span)], (span,), numbers={"cards": number})


def sizes_once(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """A format's name and the figures that it stands for ('cabinet card, 108 x 165 mm') are one claim: the figures'."""
    kept = list(claims)
    for named in [claim for claim in claims if claim.kind == "size" and not claim.numbers and not claim.negated]:
        figures = next((claim for claim in kept if _are_of(claim, named.value)), None)
        if figures:
            kept.remove(named)
            kept[kept.index(figures)] = _with_name(figures, named)
    return tuple(sorted(kept, key=lambda claim: claim.spans[0]))


def _are_of(claim: Claim, name: str) -> bool:
    """Whether a claim gives the sides of the format of that name."""
    if claim.kind != "size" or not claim.numbers or claim.negated:
        return False
    usual = parse_format(name)
    stated = sorted((claim.numbers["width_mm"], claim.numbers["height_mm"]))
    sides = zip(stated, sorted((usual.width_mm, usual.height_mm)), strict=True)
    return all(abs(log(one / other)) <= SAME_SIZE for one, other in sides)


def _with_name(figures: Claim, named: Claim) -> Claim:
    """What the figures say, resting on the words of both."""
    first, second = sorted((figures, named), key=lambda claim: claim.spans[0])
    words, spans = f"{first.words}, {second.words}", (*first.spans, *second.spans)
    return replace(figures, words=words, spans=spans, hedged=first.hedged and second.hedged)


def sizes(text: str) -> Iterator[tuple[tuple[int, int], dict[str, float]]]:
    """Sizes in mm, the shorter side as width.

    >>> [[round(mm, 2) for mm in numbers.values()] for _, numbers in sizes('about 1 7/16 x 2 1/2 in.')]
    [[36.51, 63.5]]
    """
    for match in _SIZE.finditer(text):
        unit = _unit(match[4])
        one, other = _number(match[1]) * (_unit(match[2]) if match[2] else unit), _number(match[3]) * unit
        if min(one, other) >= 5 and max(one, other) <= 1000:
            yield match.span(), {"width_mm": min(one, other), "height_mm": max(one, other)}


def years(text: str) -> Iterator[tuple[tuple[int, int], dict[str, float]]]:
    """Years or spans of years; about: 1 where the text says 'circa' or the like.

    >>> [numbers for _, numbers in years("c. 1887, and 1888-90; lot 1890")]
    [{'first': 1887, 'last': 1887, 'about': 1}, {'first': 1888, 'last': 1890, 'about': 0}]
    """
    for match in _YEAR.finditer(text):
        before = re.findall(r"[a-z]+", text[max(0, match.start() - 14) : match.start()].lower())
        first = last = int(match[2])
        if match[3]:
            last = first + (99 if first % 100 == 0 else 9)
        elif match[4]:
            last = int(match[4]) if len(match[4]) == 4 else first - first % 100 + int(match[4])
        in_time = FIRST_YEAR <= first <= LAST_YEAR and first <= last <= LAST_YEAR + 50
        if in_time and (not before or before[-1] not in _NO_YEAR_BEFORE):
            yield match.span(), {"first": first, "last": last, "about": int(bool(match[1]))}


def counts(text: str, words: Sequence[Word]) -> Iterator[tuple[tuple[int, int], int]]:
    """How many cards are for sale: 'lot of 3', 'a pair of cards'; not 'one of two cards known'."""
    for i, word in enumerate(words):
        number = _NUMERALS.get(word.plain) or (int(word.plain) if word.plain.isdigit() and len(word.plain) < 4 else 0)
        if (
            not number
            or _is_part_of_a_number(text, word)
            or (i and words[i - 1].plain in ("of", "no") and _one_of(words, i))
        ):
            continue
        if i > 1 and words[i - 1].plain == "of" and words[i - 2].plain in _LOTS and words[i - 1].gap == 0 == word.gap:
            yield (words[i - 2].start, word.end), number
            continue
        for j in range(i + 1, min(i + 5, len(words))):
            if words[j].gap:
                break
            if words[j].plain in _CARDS:
                after = [one.plain for one in words[j + 1 : j + 3] if one.gap < 2]
                if not set(after) & set(_NOT_A_LOT) and not set(_between(words, i, j)) & set(_NUMERALS):
                    yield (word.start, words[j].end), number
                break


def _between(words: Sequence[Word], i: int, j: int) -> list[str]:
    return [one.plain for one in words[i + 1 : j]]


def _one_of(words: Sequence[Word], i: int) -> bool:
    """'one of two cards' counts what there is, 'no 2 card' numbers; 'lot of two cards' counts the lot."""
    return words[i - 1].plain == "no" or (i > 1 and words[i - 2].plain in _NUMERALS and words[i - 2].plain != "pair")


def _is_part_of_a_number(text: str, word: Word) -> bool:
    around = text[max(0, word.start - 1) : word.start] + text[word.end : word.end + 1]
    return word.plain.isdigit() and any(c in "/.,#$€£%½¼¾" for c in around.strip(" .,"))


def _number(text: str) -> float:
    total = 0.0
    for part in re.findall(r"\d+/\d+|\d+(?:[.,]\d+)?|[½¼¾⅛⅜⅝⅞]", text):
        if "/" in part:
            over, under = part.split("/")
            total += int(over) / int(under) if int(under) else 0.0
        else:
            total += _FRACTIONS.get(part) or float(part.replace(",", "."))
    return total


def _unit(text: str) -> float:
    return _UNITS.get(text.lower(), _INCH)
