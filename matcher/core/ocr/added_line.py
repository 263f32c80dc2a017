"""Lines beside the caption that only the query has: a club, say, where the known card has a name alone.

A `Sight` and the reference's lines in, an `AddedLine` out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matcher.core.card_lines import BoxMm, CardLine, moved_box, share_of
from matcher.core.ladder.mark import mark_words
from matcher.core.ocr.every_line import SAME_PLACE, find_lines, is_firm, read_found, zones
from matcher.core.ocr.line_pairs import LinePair, Sight, WrittenLine, alike, near
from matcher.core.ocr.reader import reader
from matcher.core.ocr.settings import OcrSettings
from matcher.core.ocr.spelling import plain
from matcher.core.reference_set import KnownRecord


@dataclass(frozen=True)
class AddedLine:
    """A line that only the query has; size: its height over that of the caption's largest line."""

    line: CardLine
    size: float


def added_line(
    sight: Sight,
    written: Sequence[WrittenLine],
    pairs: Sequence[LinePair],
    record: KnownRecord,
    settings: OcrSettings | None = None,
) -> AddedLine | None:
    """The surest line beside the caption that the query has and neither the reference nor the record; None where there
    is none."""
    settings = settings or OcrSettings()
    library, rules = reader(settings.reader), settings.every_line
    level = [pair.written.line.box_mm for pair in pairs if not pair.written.quarters]
    if library is None or not level:
        return None
    size, added = sight.query.size, []
    known = (record.caption, record.club, record.issuer, mark_words(record.mark))
    ends = zones(size, rules, "left out")
    corners = np.asarray(sight.outline.corners, np.float32)
    lines = find_lines(library, sight.photo.grey, corners, size, ends, rules, sight.looks.searched)
    boxes = [moved_box(found.box_mm, sight.to_reference_mm) for found in lines]
    for number in without_match(boxes, [one.line.box_mm for one in written]):
        if any(near(boxes[number], box, settings.pairs) for box in level):
            line = read_found(library, lines[number], rules)
            words = plain(line.words)
            told = max(alike(words, plain(one)) for one in known)
            if is_firm(line, rules) and told < settings.pairs.alike:
                large = _height(boxes[number]) / max(map(_height, level))
                added.append(AddedLine(line, large))
    return max(added, key=lambda one: one.line.certainty, default=None)


def without_match(boxes: Sequence[BoxMm], known: Sequence[BoxMm]) -> list[int]:
    """Which boxes are of lines that stand where no known line does.

    Type set close makes boxes that reach into each other: so each known line answers for the one box that shares most
    with it, and for what lies within it.
    """
    shares = {(n, k): share_of(box, other) for n, box in enumerate(boxes) for k, other in enumerate(known)}
    answered, spoken_for = set[int](), set[int]()
    for number, line in sorted(shares, key=lambda pair: -shares[pair]):
        within = shares[number, line] >= WITHIN
        if within or (shares[number, line] >= SAME_PLACE and number not in answered and line not in spoken_for):
            answered.add(number)
            spoken_for.add(line)
    return [number for number in range(len(boxes)) if number not in answered]


WITHIN = 0.7
"""Share of the smaller of two boxes from which one lies within the other; by hand."""


def _height(box: BoxMm) -> float:
    return box[3] - box[1]
