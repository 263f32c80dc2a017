"""Fronts and backs as detection cuts them out, the truth known: what `core.detect.orientation` learns from.

A negative and an rng in, a `Side` out: a card printed with words below, above, in the picture or nowhere, with a little
of what it lies on around it. Fading and stains are laid over it afterwards (`aged`), anew each time it is shown; of an
`old_front` wear is drawn on the card itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.orientation import SHAPE
from matcher.core.formats import PRESETS
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.backs import card_back
from matcher.lab.synthesis.chance import random_crop
from matcher.lab.synthesis.lettering import Caption
from matcher.lab.synthesis.printing import Card, print_card
from matcher.lab.synthesis.random_wording import random_wording
from matcher.lab.synthesis.staging import Props, draw_card, pale
from matcher.lab.synthesis.textures import clouds
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.words import random_caption

Grey = NDArray[np.uint8]
Levels = NDArray[np.float32]

MARGIN = 24
"""Pixels of ground kept around the card, so that outlines can be off in training."""

WORDLESS, FEWER_WORDS = 0.15, 0.25
"""Shares of fronts without words, and without the smaller lines."""

AT_THE_HEAD = 0.35
"""Share of fronts with a strip of words that have it above: few do, and there the rule of thumb that words stand below
is wrong."""

WORDED = 0.5
"""Share of the common format's fronts that are set in further faces and hands, anywhere on the card."""

OTHER_SIZES = tuple(one.face for one in PRESETS.values() if not one.landscape)

PX_PER_MM = 8.0
PAPER = 226.0
"""Level of the paper to which tones fade."""


@dataclass(frozen=True)
class Side:
    """grey: (height + 2 MARGIN, width + 2 MARGIN) of an upright card and its ground; SHAPE is (height, width).

    back: no photograph on it. blank: nothing on it that has an up. worn: it has faded and aged already.
    """

    grey: Grey
    back: bool = False
    blank: bool = False
    worn: bool = False


def front(negative: Grey, rng: np.random.Generator, fonts: Sequence[str], types: Sequence[Typeface] = ()) -> Side:
    """A fresh print of a negative (or of its mirror image) with any words; types: further faces and hands for some."""
    negative = _either_way(negative, rng)
    size = OTHER_SIZES[int(rng.integers(len(OTHER_SIZES)))] if rng.random() < 0.3 else None
    if types and size is None and rng.random() < WORDED:
        caption = Caption.worded(random_wording(rng, types))
    else:
        caption = _any_caption(rng, fonts)
    plate = int(rng.integers(1 << 30))
    card = print_card(negative, random_crop(rng), caption, rng, plate=plate, px_per_mm=PX_PER_MM, size=size)
    return Side(_on_ground(card, rng))


def old_front(negative: Grey, rng: np.random.Generator, fonts: Sequence[str]) -> Side:
    """A print that has faded, got stains, scratches and creases, and may have been trimmed, as it is found."""
    size = OTHER_SIZES[int(rng.integers(len(OTHER_SIZES)))] if rng.random() < 0.3 else FaceSize()
    contrast = float(np.exp(rng.uniform(np.log(0.08), 0)))
    card = draw_card(Props([_either_way(negative, rng)], [], fonts, size), rng, contrast, PX_PER_MM)
    return Side(_on_ground(pale(card, rng) if rng.random() < 0.12 else card, rng), worn=True)


def _either_way(negative: Grey, rng: np.random.Generator) -> Grey:
    return np.ascontiguousarray(negative[:, ::-1]) if rng.random() < 0.5 else negative


def _any_caption(rng: np.random.Generator, fonts: Sequence[str]) -> Caption:
    caption = random_caption(rng, fonts)
    if rng.random() < WORDLESS:
        return replace(caption, name="", club="", issuer="", style="plate")
    if rng.random() < FEWER_WORDS:
        caption = replace(caption, issuer="", club="" if rng.random() < 0.5 else caption.club)
    if caption.style != "plate" and rng.random() < AT_THE_HEAD:
        caption = replace(caption, style="top")
    return caption


def back(kind: str, rng: np.random.Generator, fonts: Sequence[str]) -> Side:
    """An old back of a kind that `card_back` knows."""
    blank = np.zeros((round(63.5 * PX_PER_MM), round(36.5 * PX_PER_MM), 3), np.uint8)
    card = Card(blank, np.full(blank.shape[:2], 255, np.uint8), PX_PER_MM)
    return Side(_on_ground(card_back(card, rng, fonts, kind), rng), True, kind == "bare")


def aged(side: Side, board: Side, rng: np.random.Generator) -> Levels:
    """The side at any fade, the stains and spots of a bare `board` on it; its size as `Side.grey`."""
    grey = side.grey.astype(np.float32)
    inner = np.s_[MARGIN:-MARGIN, MARGIN:-MARGIN]
    if not side.back:
        share = np.float32(np.exp(rng.uniform(np.log(0.07), 0)))
        slope = rng.uniform(-0.4, 0.4, 2).astype(np.float32)
        y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j].astype(np.float32)
        grey[inner] = PAPER + (grey[inner] - PAPER) * np.clip(share * (1 + slope[0] * x + slope[1] * y), 0.04, 1)
    if not side.blank:
        stains = board.grey[inner].astype(np.float32)
        if rng.random() < 0.5:
            stains = stains[::-1]
        grey[inner] *= stains / stains.mean()
    return np.asarray(np.clip(grey, 0, 255), np.float32)


def _on_ground(card: Card, rng: np.random.Generator) -> Grey:
    """The card at the size in which it is looked at, on an even or uneven ground."""
    grey = cv2.resize(cv2.cvtColor(card.pixels, cv2.COLOR_RGB2GRAY), SHAPE[::-1], interpolation=cv2.INTER_AREA)
    shape = (SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN)
    ground = float(rng.uniform(10, 250)) + float(rng.choice([0, 4, 25])) * clouds(*shape, rng, 4, 4)
    ground[MARGIN:-MARGIN, MARGIN:-MARGIN] = grey
    return np.asarray(np.clip(ground, 0, 255), np.uint8)
