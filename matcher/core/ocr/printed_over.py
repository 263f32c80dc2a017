"""Lettering that was printed upon the picture: lines of two cards in, boxes on the query out.

An issuer printed one negative with other words and another mark in the picture itself. That is for the rungs of the
words to tell; the pictures are compared without it. Words that belong to the picture, on a jersey say, stand on both
cards nearly alike, and stay.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rapidfuzz import fuzz

from matcher.core.card_lines import BoxMm, CardLine, moved_box
from matcher.core.ocr.line_pairs import alike
from matcher.core.ocr.looks import Transform
from matcher.core.ocr.settings import PrintedOverSettings
from matcher.core.ocr.spelling import plain


def printed_over(
    query: Sequence[CardLine],
    reference: Iterable[CardLine],
    to_query: Transform,
    record: Sequence[str],
    settings: PrintedOverSettings | None = None,
) -> tuple[BoxMm, ...]:
    """Where lines stand that are the card's and not the picture's, mm on the query, with room for a frame.

    query, reference: the lines of either card, where they stand on it. to_query: (3, 3), mm on the reference to mm on
    the query. record: what the reference is known to say.
    """
    settings = settings or PrintedOverSettings()
    theirs = [CardLine(one.words, one.certainty, moved_box(one.box_mm, to_query), one.along) for one in reference]
    known = [plain(words) for words in record if plain(words)]
    return tuple(
        _framed(line.box_mm, settings)
        for lines, others in ((query, theirs), (theirs, query))
        for line in lines
        if _is_known(line, known, settings) or not _is_among(line, others, settings)
    )


def _is_known(line: CardLine, known: Iterable[str], settings: PrintedOverSettings) -> bool:
    return any(alike(plain(line.words), words) >= settings.same_words for words in known)


def _is_among(line: CardLine, others: Iterable[CardLine], settings: PrintedOverSettings) -> bool:
    """Whether the same words stand in the same place, as far as a picture that moved would carry them."""
    return any(
        fuzz.ratio(plain(line.words), plain(other.words)) >= settings.same_words
        and _apart(line.box_mm, other.box_mm) <= settings.same_place_mm
        for other in others
    )


def _apart(box: BoxMm, other: BoxMm) -> float:
    """By how many mm a side of one box lies off the other's, at most."""
    return max(abs(one - two) for one, two in zip(box, other, strict=True))


def _framed(box: BoxMm, settings: PrintedOverSettings) -> BoxMm:
    """A line with the frame that may stand round it: a ribbon's ends reach farther than its edges."""
    left, top, right, bottom = box
    height = min(right - left, bottom - top)
    ends, edges = settings.ends * height, settings.edges * height
    across, down = (ends, edges) if right - left >= bottom - top else (edges, ends)
    return left - across, top - down, right + across, bottom + down
