"""Is an outline called a card, or offered as something that bears nothing? As `identify` decides, where nothing known
resembles it."""

from __future__ import annotations

from collections.abc import Sequence

from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.turning import as_held
from matcher.core.identify import possible_sizes
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize


def offered_bare(photo: Photo, outline: CardQuad, known: Sequence[FaceSize]) -> bool:
    """known: the formats that were looked for."""
    if not outline.bare:
        return False
    size = possible_sizes(photo, outline, known)[0]
    return as_words_stand(photo, as_held(outline, size), size).odd
