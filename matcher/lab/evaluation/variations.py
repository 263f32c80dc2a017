"""What a card shows and how it differs from others by a stated amount: crops by mm and per cent, captions by letters.

Every change is checked against the truth of a perfect cut (`windows`): a query called `new_crop` differs from EVERY
enrolled crop of its pose by at least 1.5 mm or 4 %.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from matcher.core.ladder.crop import Window
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.windows import Placed, differs, true_window
from matcher.lab.synthesis import Age, Caption, Crop
from matcher.lab.synthesis.chance import random_crop
from matcher.lab.synthesis.words import Change, changed_caption

CropChange = Literal["shift_small", "zoom_small", "shift_large", "zoom_large"]

CROP_CHANGES: tuple[CropChange, ...] = ("shift_small", "zoom_small", "shift_large", "zoom_large")
"""1.5-2.5 mm, 4-7 %, 2.5-6 mm, 7-30 %."""

CAPTION_CHANGES: tuple[Change, ...] = ("letter", "club", "letters")

_AMOUNTS: dict[CropChange, tuple[float, float]] = {
    "shift_small": (1.5, 2.5),
    "zoom_small": (0.04, 0.07),
    "shift_large": (2.5, 6.0),
    "zoom_large": (0.07, 0.30),
}
_SHAPE = (1500, 900)
"""Any negative of 3 to 5 upright: windows do not depend on how many pixels it has."""

_BESIDE: tuple[tuple[Change, ...], ...] = ((), ("letter",), (), ("club",), ("letters", "club"))
"""Which captions are enrolled beside the usual one, picture by picture."""

_TRIES = 400


@dataclass(frozen=True)
class Variation:
    """One negative in one window under one caption.

    pose, crop_name: as enrolled; "" for what is not. beside: changes by which other enrolled captions of this
    picture differ from this one.
    """

    negative: Negative
    pose: str
    crop_name: str
    crop: Crop
    caption: Caption
    beside: tuple[Change, ...] = ()


def crops_of(index: int, caption: Caption, rng: np.random.Generator) -> list[Crop]:
    """One to three crops of a pose, each another one than the others."""
    crops = [random_crop(rng)]
    for _ in range((0, 1, 0, 2)[index % 4]):
        for _ in range(_TRIES):
            crop = random_crop(rng)
            if all(different(crop, other, caption) for other in crops):
                crops.append(crop)
                break
    return crops


def different(crop: Crop, other: Crop, caption: Caption) -> bool:
    """Whether two perfectly cut cards show two crops."""
    return differs(_between(crop, other, caption))


def changed_crop(
    shows: Variation, known: Sequence[Crop], change: CropChange, rng: np.random.Generator
) -> tuple[Crop, CropChange]:
    """A window that differs from the shown one as stated, and from every known one at least enough.

    Where the negative has no room for the change wanted, the next kind of change is taken; returns which it was.
    """
    order = CROP_CHANGES[CROP_CHANGES.index(change) :] + CROP_CHANGES
    for kind in order:
        for _ in range(_TRIES):
            crop = _tried(shows.crop, kind, rng)
            if _fits(crop, shows, kind) and all(different(crop, other, shows.caption) for other in known):
                return crop, kind
    raise ValueError(f"no window was found that differs from {known}")


def _tried(start: Crop, change: CropChange, rng: np.random.Generator) -> Crop:
    if change.startswith("shift"):
        return replace(start, x=float(rng.uniform(0.3, 0.7)), y=float(rng.uniform(0.3, 0.7)))
    amount = float(rng.uniform(*_AMOUNTS[change])) * float(rng.choice([-1, 1]))
    return replace(start, zoom=float(np.clip(start.zoom * (1 + amount), 1.0, 4.0)))


def _fits(crop: Crop, shows: Variation, change: CropChange) -> bool:
    low, high = _AMOUNTS[change]
    found = _between(crop, shows.crop, shows.caption)
    amount = float(np.hypot(found.dx, found.dy)) if change.startswith("shift") else abs(found.scale - 1)
    return low <= amount <= high


def _between(crop: Crop, other: Crop, caption: Caption) -> Window:
    query, reference = (Placed(one, caption, Age(), None) for one in (crop, other))
    return true_window(_SHAPE, query, reference)


def captions_beside(
    picture: int, usual: Caption, rng: np.random.Generator
) -> Iterator[tuple[tuple[Change, ...], Caption]]:
    """The captions enrolled for one picture, the usual first, each with how the others differ from it."""
    changes = _BESIDE[picture % len(_BESIDE)]
    yield changes, usual
    for change in changes:
        yield (change,), changed_caption(usual, change, rng)


def other_caption(known: Sequence[Caption], change: Change, rng: np.random.Generator) -> Caption:
    """Words that differ from the first of the known by the stated change, and from all of them."""
    words = {(caption.name, caption.club.upper()) for caption in known}
    for _ in range(_TRIES):
        caption = changed_caption(known[0], change, rng)
        if (caption.name, caption.club.upper()) not in words:
            return caption
    raise ValueError(f"no caption was found that differs from {words} by {change}")
