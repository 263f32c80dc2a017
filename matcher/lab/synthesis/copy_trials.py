"""Trials for the copy rung: several cards of one record, each photographed more than once, and one of them scanned.

Copies that are faded alike are the hardest to tell apart: nothing but their own marks differs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from matcher.lab.synthesis import Card, make_copy
from matcher.lab.synthesis.trials import CONTRASTS, Pairing, Sitting, photographed, random_age, random_crop, scanned
from matcher.lab.synthesis.words import random_caption

ALIKE = 0.7
"""Share of the other copies that are faded like the first."""


def drawn_copies(sittings: Sequence[Sitting], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[list[Pairing]]:
    """Four pairings a sitting: the first card against its own photo and scan, and two other cards against them."""
    for number, sitting in enumerate(sittings):
        yield list(_copies(sitting, np.random.default_rng([seed, number, 4]), fonts))


def _copies(sitting: Sitting, rng: np.random.Generator, fonts: Sequence[str]) -> Iterator[Pairing]:
    crop, caption, plate = random_crop(rng), random_caption(rng, fonts), int(rng.integers(1 << 30))
    contrast = float(rng.choice(CONTRASTS))

    def card(faded: float) -> Card:
        age, seed = random_age(rng, faded), int(rng.integers(1 << 30))
        return make_copy(sitting.negative, crop, caption, age, seed=seed, plate=plate)

    first = card(contrast)
    known: dict[str, bool | None] = {"pose": True, "crop": True, "caption": True}
    for reference in (photographed(first, rng), scanned(first, rng)):
        yield Pairing("same_copy", contrast, {**known, "copy": True}, photographed(first, rng), (reference,))
        faded = contrast if rng.random() < ALIKE else float(rng.choice(CONTRASTS))
        yield Pairing("other_copy", faded, {**known, "copy": False}, photographed(card(faded), rng), (reference,))
