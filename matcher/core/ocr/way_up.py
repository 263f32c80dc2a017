"""Which way up is a card whose picture does not tell? By its words: letters on their heads can hardly be read.

A `Photo` and an outline in, the same outline or that of the card turned over out. What is seen on the card at large
(`detect.orientation`) is sure of most cards; of the others, head and foot are read both ways up. So is what has no more
of a card than its edges: with words on it, it is one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matcher.core.detect.card_quad import CardQuad
from matcher.core.ocr.reading import OcrLine, can_read, read_caption
from matcher.core.ocr.settings import OcrSettings, WayUpSettings
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize


def as_words_stand(
    photo: Photo, outline: CardQuad, size: FaceSize | None = None, settings: OcrSettings | None = None
) -> CardQuad:
    """The outline, turned over where what is seen on the card is in doubt and the words speak for it; its `upright`
    tells how likely it now is. A `bare` one that bears words is so no longer; one that bears none is `odd`.

    size: the card's format; the common one if none is given.
    The outline stays as it is where a person has said the way up, nothing is in doubt, or the extra `reading` is
    missing; it is not turned where no words are read.
    """
    settings, size = settings or OcrSettings(), size or FaceSize()
    rules = settings.way_up
    in_doubt = outline.upright < rules.settled
    if outline.by_hand or not (in_doubt or outline.bare) or not can_read(settings):
        return outline
    standing, turned = (
        _letters(read_caption(photo, outline, size, way, settings=settings).lines, rules) for way in (0, 180)
    )
    if outline.bare:
        bare = max(standing, turned) < rules.worded
        outline = replace(outline, bare=bare, odd=bare)
    return _turned(outline, standing, turned, rules) if in_doubt else outline


def _turned(outline: CardQuad, standing: float, turned: float, rules: WayUpSettings) -> CardQuad:
    """As sight and words together say. standing, turned: letters read as it is and turned over."""
    seen = np.log(np.clip(outline.upright, 0.001, 0.999) / np.clip(1 - outline.upright, 0.001, 0.999))
    odds = float(seen) + float(np.clip(rules.letter * (standing - turned), -rules.most, rules.most))
    upright = round(float(1 / (1 + np.exp(-abs(odds)))), 3)
    if odds >= 0:
        return replace(outline, upright=upright)
    return replace(outline, corners=np.roll(outline.corners, 2, axis=0), runner_up=_over(outline), upright=upright)


def _over(outline: CardQuad) -> np.ndarray | None:
    return None if outline.runner_up is None else np.roll(outline.runner_up, 2, axis=0)


def _letters(lines: Sequence[OcrLine], rules: WayUpSettings) -> float:
    """How many letters and digits were read, each as far as it is surer than chance."""
    return sum(sum(map(str.isalnum, line.words)) * max(line.certainty - rules.chance, 0) for line in lines) / (
        1 - rules.chance
    )
