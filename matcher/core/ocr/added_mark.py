"""A mark that only the query has: a line printed as marks are, where the reference has none.

A `Sight`, the query's lines and the reference's in, the line out. Each line is looked at on the reference in the
same place, the mirror of how a mark that is gone is looked for on the query.
"""

from __future__ import annotations

from collections.abc import Sequence

from rapidfuzz import fuzz

from matcher.core.card_lines import BoxMm, CardLine, moved_box, share_of
from matcher.core.ocr.line_pairs import Sight, WrittenLine, as_written
from matcher.core.ocr.settings import AddedMarkSettings, OcrSettings
from matcher.core.ocr.spelling import plain


def added_mark(
    sight: Sight,
    lines: Sequence[CardLine],
    written: Sequence[WrittenLine],
    issuer: str,
    settings: OcrSettings | None = None,
) -> CardLine | None:
    """The surest line that is printed as marks are and stands where the reference has nothing like it.

    lines: of the query, without those of the caption. issuer: as the record has it; its name under a caption is none.
    """
    settings = settings or OcrSettings()
    rules = settings.added_mark
    for line in sorted(lines, key=lambda one: -one.certainty):
        place = moved_box(line.box_mm, sight.to_reference_mm)
        told = _alike(line.words, issuer) >= rules.same_words
        if told or not is_printed_small(line, rules) or _is_on(line, place, written, rules):
            continue
        there = as_written(sight, line, settings)
        if there and _alike(line.words, there.look.words) < rules.same_words:
            return line
    return None


def is_printed_small(line: CardLine, settings: AddedMarkSettings) -> bool:
    """Whether a line is small, level or upright along a side, and surely read, as an issuer prints his mark. A later
    owner writes larger and aslant, so that the box of his note is high. In a frame it may be read less surely."""
    letters = sum(map(str.isalpha, line.words))
    most = settings.most_told_mm if line.framed or line.certainty >= settings.surely else settings.most_mm
    firm = settings.firm_framed if line.framed else settings.firm
    return line.broad_mm <= most and letters >= settings.least_letters and line.certainty >= firm


def _is_on(line: CardLine, place: BoxMm, written: Sequence[WrittenLine], settings: AddedMarkSettings) -> bool:
    """Whether the reference has a line there that reads like it."""
    there = (one.look.words for one in written if share_of(place, one.line.box_mm) >= settings.same_place)
    return any(_alike(line.words, words) >= settings.same_words for words in there)


def _alike(words: str, other: str) -> float:
    """Share of letters in common."""
    return float(fuzz.ratio(plain(words), plain(other))) / 100
