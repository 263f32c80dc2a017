"""Which line that was read is which known line? The fewest edits decide, where leaving out a line costs a fixed number.

Reader and printer both err by letters, lines are missed or run together, and bits of backdrop are read as words. One
changed letter of a name is then one edit, however many lines could not be read.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import accumulate, combinations
from typing import Any

from matcher.core.ocr.reading import OcrLine
from matcher.core.ocr.settings import LineMatchSettings
from matcher.core.ocr.spelling import LEAST_PROBABILITY, Frames, misfits, plain


@dataclass(frozen=True)
class MatchedLine:
    """One known line against what was read of it.

    length: letters of the line; wrong: letters wrong; cut: letters cut off at its ends.
    misfit: nats by which the line is less likely than what was seen, see `spelling.misfits`.
    """

    length: int
    wrong: int
    cut: int
    misfit: float

    def joined(self, other: MatchedLine) -> MatchedLine:
        """Both as one line."""
        return MatchedLine(
            self.length + other.length, self.wrong + other.wrong, self.cut + other.cut, self.misfit + other.misfit
        )


@dataclass(frozen=True)
class LineMatch:
    """Lines read and lines known, matched with the fewest edits.

    fields:  one for each known line; None for one that was left out.
    stray:   lines read and left out, where those that were kept stand.
    letters: letters to change.
    edits:   letters to change, and what each line counts that is left out.
    """

    fields: tuple[MatchedLine | None, ...]
    stray: int
    letters: int
    edits: float


def match_lines(read: Sequence[OcrLine], known: Sequence[str], settings: LineMatchSettings | None = None) -> LineMatch:
    """The best of all ways to leave lines out on either side; the lines kept are compared joined, so that it does not
    matter where the reader broke them. known: plain, none empty."""
    settings = settings or LineMatchSettings()
    lines = [line for line in read if plain(line.words)]
    best, fewest = _Way((), ()), math.inf
    for kept in _choices(range(len(lines))):
        for wanted in _choices(range(len(known))):
            left_out = _left_out(len(known) - len(wanted), len(lines) - len(kept), settings)
            if left_out < fewest:
                way = _compared([lines[n] for n in kept], [known[n] for n in wanted], wanted, settings)
                if way.edits + left_out < fewest:
                    best, fewest = way, way.edits + left_out
    if fewest > _left_out(len(known), len(lines), settings):
        return _match((None,) * len(known), len(lines), settings)
    found = dict(zip(best.known, _fields(best, [known[n] for n in best.known]), strict=True))
    # What stands at the foot takes no line's place at the head: it is on a jersey or a poster in the picture.
    places = {line.place for line in best.lines}
    beside = sum(line.place in places for line in lines) - len(best.lines)
    return _match(tuple(found.get(n) for n in range(len(known))), beside + best.trimmed, settings)


def _match(fields: tuple[MatchedLine | None, ...], stray: int, settings: LineMatchSettings) -> LineMatch:
    letters = sum(field.wrong + field.cut for field in fields if field)
    edits = letters + _left_out(sum(field is None for field in fields), stray, settings)
    return LineMatch(fields, stray, letters, edits)


@dataclass(frozen=True)
class _Way:
    """Some of the lines read against some of the known ones, by the numbers of these.

    words: of the lines, joined, plain; a stretch of them, from `first` up to `last`, where they were trimmed.
    """

    lines: Sequence[OcrLine]
    known: tuple[int, ...]
    words: str = ""
    edits: float = 0.0
    first: int = 0
    last: int = 0
    trimmed: bool = False


def _compared(
    lines: Sequence[OcrLine], known: Sequence[str], numbers: tuple[int, ...], settings: LineMatchSettings
) -> _Way:
    """As they stand; or, where they are much longer, without what stands at either end: lines that run together."""
    from rapidfuzz import fuzz
    from rapidfuzz.distance import Levenshtein

    read, wanted = "".join(plain(line.words) for line in lines), "".join(known)
    whole = _Way(lines, numbers, read, Levenshtein.distance(read, wanted), 0, len(read))
    # Lines at the foot never run together with those at the head.
    runs_on = len(read) > len(wanted) + settings.stray and len({line.place for line in lines}) == 1
    near = fuzz.partial_ratio_alignment(wanted, read) if runs_on else None
    if near is None:
        return whole
    stretch = read[near.dest_start : near.dest_end]
    edits = settings.stray + Levenshtein.distance(stretch, wanted)
    return min(whole, _Way(lines, numbers, stretch, edits, near.dest_start, near.dest_end, True), key=lambda w: w.edits)


def _left_out(unread: int, stray: int, settings: LineMatchSettings) -> float:
    return settings.left_out * unread + settings.stray * stray


def _fields(way: _Way, known: Sequence[str]) -> list[MatchedLine]:
    from rapidfuzz.distance import Levenshtein

    letters = _by_line(Levenshtein.editops(way.words, "".join(known)), known)
    frames = _frames(way)
    if frames is None:
        # What was seen is not known: each letter counts as seen beyond doubt.
        clear = -math.log(LEAST_PROBABILITY)
        fits = tuple(clear * (wrong + cut) for wrong, cut in letters)
    else:
        fits = misfits(frames, known)
    return [
        MatchedLine(len(line), wrong, cut, fit) for line, (wrong, cut), fit in zip(known, letters, fits, strict=True)
    ]


def _frames(way: _Way) -> Frames | None:
    frames = [line.frames for line in way.lines if line.frames is not None]
    if len(frames) < len(way.lines):
        return None
    joined = reduce(Frames.beside, frames)
    # Signs that are several letters in plain form are none to the frames: then they cannot be trimmed by letters.
    countable = len(joined.named) == sum(len(plain(line.words)) for line in way.lines)
    return joined.between(way.first, way.last) if way.trimmed and countable else joined


def _by_line(edits: Iterable[Any], lines: Sequence[str]) -> list[tuple[int, int]]:
    """(letters wrong, letters cut off) of each of the lines, from the edits of all joined; letters missing at a line's
    ends were cut off rather than misread."""
    ends = list(accumulate(len(line) for line in lines))
    missing: list[set[int]] = [set() for _ in lines]
    wrong = [0] * len(lines)
    for edit in edits:
        number = min(bisect_right(ends, edit.dest_pos), len(lines) - 1)
        if edit.tag == "insert":
            missing[number].add(edit.dest_pos - ends[number] + len(lines[number]))
        else:
            wrong[number] += 1
    found = []
    for line, gone, errors in zip(lines, missing, wrong, strict=True):
        head = next(n for n in range(len(line) + 1) if n not in gone)
        tail = next(n for n in range(len(line) + 1) if len(line) - 1 - n not in gone)
        cut = min(head + tail, len(gone))
        found.append((errors + len(gone) - cut, cut))
    return found


def _choices(numbers: range) -> Iterator[tuple[int, ...]]:
    """Every way to keep some of the lines, in order; most lines first."""
    for count in range(len(numbers), 0, -1):
        yield from combinations(numbers, count)
