"""Which of the lines on two cards is the issuer's mark? Lines of both and a record's words in, `MarkLines` out."""

from __future__ import annotations

from collections.abc import Sequence

from matcher.core.card_lines import CardLine
from matcher.core.ladder.mark import MarkLines, mark_words
from matcher.core.ocr.settings import MarkMatchSettings
from matcher.core.ocr.spelling import plain


def match_marks(
    query: Sequence[CardLine],
    reference: Sequence[CardLine],
    mark: str,
    caption: Sequence[str],
    settings: MarkMatchSettings | None = None,
) -> MarkLines:
    """Find a record's mark among the lines of its reference and of the query.

    mark: as the record has it. caption: its other words, name and club, which are no mark.
    """
    settings = settings or MarkMatchSettings()
    wanted = plain(mark_words(mark))
    rest = [plain(line) for line in caption if plain(line)]
    free = [line for line in query if not _is_caption(line, wanted, rest, settings)]
    known, _ = _likest(reference, [wanted], settings)
    known = known or _left_over(reference, wanted, rest, settings)
    # Small type is misread alike on two cards of one printing.
    seen, likeness = _likest(free, [wanted, plain(known.words)] if known else [wanted], settings)
    others = tuple(line for line in free if line is not seen)
    alike = [line for line in reference if wanted and _alike(plain(line.words), wanted) >= settings.same_words]
    return MarkLines(mark, known, seen, likeness, others, twice=len(alike) > 1)


def _is_caption(line: CardLine, wanted: str, rest: Sequence[str], settings: MarkMatchSettings) -> bool:
    """Whether a line is more like one of the record's other lines than like its mark."""
    words = plain(line.words)
    nearest = max((_alike(words, one) for one in rest), default=0.0)
    return nearest >= settings.caption and nearest >= _alike(words, wanted)


def _likest(
    lines: Sequence[CardLine], wanted: Sequence[str], settings: MarkMatchSettings
) -> tuple[CardLine | None, float]:  # fmt: skip
    """The line that reads most like the mark in one of its spellings, and how like it is, 0 to 1; None where none is
    alike enough."""

    def likeness(line: CardLine) -> float:
        return max(_alike(plain(line.words), words) for words in wanted)

    best = max(lines, key=likeness, default=None)
    if best is None:
        return None, 0.0
    return best if likeness(best) >= settings.same_words else None, likeness(best) / 100


def _left_over(
    lines: Sequence[CardLine], wanted: str, rest: Sequence[str], settings: MarkMatchSettings
) -> CardLine | None:  # fmt: skip
    """The line in small type that may be the mark, badly as it was read; None where there is none."""
    small = [line for line in lines if line.broad_mm <= settings.small_mm]
    free = [line for line in small if not _is_caption(line, wanted, rest, settings)]
    best = max(free, key=lambda line: _alike(plain(line.words), wanted), default=None)
    return best if best and _alike(plain(best.words), wanted) >= settings.left_over else None


PART = 5
"""Letters from which a piece of a line, its other words unread, is known for what it is."""


def _alike(words: str, other: str) -> float:
    """Per cent of letters in common; of a piece of the other alone, no more than 80."""
    from rapidfuzz import fuzz

    if not words or not other:
        return 0.0
    piece = 0.8 * fuzz.partial_ratio(words, other) if PART <= len(words) < len(other) else 0.0
    return max(float(fuzz.ratio(words, other)), float(piece))
