"""Which of the lines on a card is its caption, which its club, which its mark?"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

from rapidfuzz import fuzz

from matcher.core.card_lines import CardLine
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.mark import mark_words
from matcher.core.ocr.spelling import plain
from matcher.core.reference_set import KnownRecord

Part = Literal["caption", "club", "mark"]

ALIKE = 70.0
"""Per cent of letters in common with a record's line from which a line is of its kind; by hand."""

NEAR_MM = 4.0
"""A club stands no farther below or above the name; by hand."""


def parts_of(lines: Sequence[CardLine], candidates: Sequence[Candidate]) -> dict[CardLine, Part]:
    """The part of each line that can be told; others, on a jersey or an owner's note, are left out.

    A line like that of a record compared with is of its kind. Else the name is the largest line that lies level, and
    the club the next one below or above it; where none lies level, the largest along a side, which mostly says all.
    """
    parts = _marks(lines, candidates)
    free = [line for line in lines if line not in parts]
    if candidates:
        record = candidates[0].record
        for words, part in ((record.caption, "caption"), (record.club, "club")):
            likest = max(free, key=lambda line: _alike(line.words, words), default=None)
            if likest and likest not in parts and _alike(likest.words, words) >= ALIKE:
                parts[likest] = part  # type: ignore[assignment]
    level = [line for line in free if not line.along and line not in parts]
    along = [line for line in free if line.along and line not in parts]
    if "caption" not in parts.values() and (level or along):
        parts[max(level or along, key=_height)] = "caption"
    name = next((line for line, part in parts.items() if part == "caption"), None)
    beside = [line for line in level if line not in parts and name and _gap(line, name) <= NEAR_MM]
    if "club" not in parts.values() and beside and name:
        parts[min(beside, key=lambda line: _gap(line, name))] = "club"
    return parts


def _marks(lines: Sequence[CardLine], candidates: Sequence[Candidate]) -> dict[CardLine, Part]:
    """The lines that were found to be marks; where none was asked about, the one that says a known mark best."""
    told = {one.mark.line for one in candidates if one.mark}
    found = [line for line in lines if line in told]
    if not found:
        likest = max(lines, key=lambda line: _says_mark(line.words, candidates), default=None)
        found = [likest] if likest and _says_mark(likest.words, candidates) >= ALIKE else []
    return dict.fromkeys(found, "mark")


def _says_mark(words: str, candidates: Sequence[Candidate]) -> float:
    """Per cent of letters in common with the likest mark of the records compared with."""
    return max((_alike(words, mark_words(one.record.mark)) for one in candidates), default=0.0)


BETWEEN = re.compile(r"\s+[-\u2013\u2014]\s+|\s*[|\u00b7\u2022]\s*")
"""What printers set between two things in one row: a dash between spaces, an upright stroke, a point at half height."""


def one_thing_each(lines: Sequence[CardLine], candidates: Sequence[Candidate]) -> tuple[CardLine, ...]:
    """The same lines, but a row that holds a known mark beside something else, 'Pellow R. C. - Brell & Co.', is two."""
    return tuple(piece for line in lines for piece in _divided(line, candidates))


def _divided(line: CardLine, candidates: Sequence[Candidate]) -> tuple[CardLine, ...]:
    """At the sign where one side says a known mark, and says it better than the whole row."""
    whole = max(ALIKE, _says_mark(line.words, candidates))
    for sign in () if line.along else BETWEEN.finditer(line.words):
        sides = line.words[: sign.start()], line.words[sign.end() :]
        if all(map(plain, sides)) and max(_says_mark(side, candidates) for side in sides) > whole:
            left, top, right, bottom = line.box_mm
            middle = left + (right - left) * (sign.start() + sign.end()) / 2 / len(line.words)
            one = replace(line, words=sides[0], box_mm=(left, top, middle, bottom))
            return one, replace(line, words=sides[1], box_mm=(middle, top, right, bottom))
    return (line,)


def in_known_words(lines: Sequence[CardLine], closest: Candidate | None) -> tuple[CardLine, ...]:
    """Lines that say what the closest record's say, in its words: a reader mistakes a letter on both cards alike.

    A line counts as such where it was looked at on both, is all but certainly the same, and the record's words fit what
    was seen on this card about as well as on the known one. Where another letter was seen they do not.
    """
    told = list(lines)
    for one in closest.words.lines if closest and closest.words else ():
        if one.probability < SAME_WORDS or one.features.get("less_known", MOST_WORSE) >= MOST_WORSE:
            continue
        likest = max(range(len(told)), key=lambda number: _alike(told[number].words, one.known), default=None)
        if likest is not None and _alike(told[likest].words, one.known) >= NEARLY:
            told[likest] = replace(told[likest], words=one.known)
    return tuple(told)


SAME_WORDS, NEARLY, MOST_WORSE = 0.9, 80.0, 0.7
"""Probability from which a line is said in a record's words, per cent of letters that it has in common with them, and
the logarithm by how many times worse they may fit it than the known card's; by hand."""

FIRM = 0.8
"""Certainty from which a line that was read is told as differing from a known one; by hand."""


def differences(lines: Sequence[CardLine], parts: Mapping[CardLine, Part], record: KnownRecord) -> list[str]:
    """In words, which lines of a card say something else than a record's."""
    known = {"caption": record.caption, "club": record.club}
    told = []
    for line in lines:
        words = known.get(parts.get(line, ""))
        if words and line.certainty >= FIRM and plain(line.words) != plain(words):
            told.append(f"{LINES[parts[line]]}: {line.words!r}, not {words!r}")
    return told


SAME_PLACE_MM = 1.2
"""How far each side of one line's box may lie apart on two cards that were outlined rightly; by hand. Half the space
between two lines, and four times what two hand-cut cards scatter by."""


def stand_alike(lines: Sequence[CardLine], others: Sequence[CardLine]) -> bool:
    """Whether a line says the same on both cards and stands at one place of one size: then the edges are the cards'."""
    return any(
        plain(line.words) == plain(other.words)
        and min(line.certainty, other.certainty) >= FIRM
        and max(abs(one - two) for one, two in zip(line.box_mm, other.box_mm, strict=True)) <= SAME_PLACE_MM
        for line in lines
        for other in others
        if plain(line.words)
    )


LINES = {"caption": "name", "club": "club line", "mark": "mark"}
"""What people call the lines of a card."""


def _alike(words: str, other: str) -> float:
    return float(fuzz.ratio(plain(words), plain(other))) if plain(words) and plain(other) else 0.0


def _height(line: CardLine) -> float:
    return line.box_mm[3] - line.box_mm[1]


def _gap(line: CardLine, name: CardLine) -> float:
    """Between the middles of two lines, mm, down the card."""
    return abs(line.box_mm[1] + line.box_mm[3] - name.box_mm[1] - name.box_mm[3]) / 2
