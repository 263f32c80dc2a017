"""Cards of one negative in windows that are the same, trimmed, or another: pictures in, measured `WindowPair`s out.

What the rungs `crop` and `edges` learn from and are reported on. Scissors take one to two millimetres off any sides of
a card, of the query or of the reference; another window differs by at least 1.5 mm or 4 %. The true window of every
pair is known, so that what is measured can be held against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path

import numpy as np

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.ladder.crop import Window, crop_features, window_of
from matcher.core.ladder.registered import Registered
from matcher.core.parallel.processes import process_pool
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.variations import CAPTION_CHANGES, CROP_CHANGES, Variation, changed_crop
from matcher.lab.evaluation.windows import Placed, true_window
from matcher.lab.synthesis import Caption, Card, make_copy
from matcher.lab.synthesis.chance import random_age, random_crop
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.trials import CONTRASTS, REFERENCE_CONTRASTS, SCANS, Picture, photographed, scanned
from matcher.lab.synthesis.words import changed_caption, random_caption

SAME = ("same", "trimmed")
"""Kinds of pairs that show one crop."""

KINDS = ("same", "same", "trimmed", "trimmed", *CROP_CHANGES)
"""What is drawn of each picture: small changes as often as large ones, since they are the hard ones."""

TRIMMED_REFERENCES, TRIMMED_OTHERS = 0.2, 0.15
"""Shares of the references, and of the cards in another window, that were trimmed as well."""

WORDLESS = 0.12
"""Share of the pictures whose cards bear no words: there the picture goes down to the card's foot."""

OTHER_WORDS = 0.3
"""Share of the other cards whose words are others: a new caption is no new crop."""

Sides = tuple[float, float, float, float]
WHOLE: Sides = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class WindowPair:
    """One card against another of its negative.

    kind:     same, trimmed, or how the other window differs.
    contrast: what the query's fading has left.
    words:    where the words stand: below, top, plate, or none.
    cut:      mm off left, top, right, bottom of query and reference.
    true:     the window as it was printed and cut. measured: as the rung has it, None where it could not be registered.
    features: what the rung's probability is computed from.
    """

    kind: str
    contrast: float
    words: str
    cut: tuple[Sides, Sides]
    true: Window
    measured: Window | None
    features: dict[str, float]

    @property
    def same(self) -> bool:
        return self.kind in SAME


def window_pairs(paths: Sequence[Path], seed: int, *, searched: bool = False) -> list[WindowPair]:
    """All pairs of these pictures, on two processes; each picture has a seed of its own. searched: the outlines are
    found, not given with a scatter."""
    with process_pool(2) as pool:
        drawn = pool.map(_of_picture, paths, [(seed, number) for number in range(len(paths))], repeat(searched))
        return [pair for pairs in drawn for pair in pairs]


def _of_picture(path: Path, seed: tuple[int, int], searched: bool) -> list[WindowPair]:
    return list(drawn_pairs(negative_of(path), np.random.default_rng([*seed, 8]), searched=searched))


def drawn_pairs(negative: Picture, rng: np.random.Generator, *, searched: bool = False) -> Iterator[WindowPair]:
    """One reference of a negative, (h, w) uint8, against a card of each of `KINDS`. searched: as in `window_pairs`."""
    wordless = rng.random() < WORDLESS
    caption = random_caption(rng, FONTS)
    if wordless:
        caption = replace(caption, name="", club="", issuer="", style="plate")
    plate = int(rng.integers(1 << 30))
    shown = Variation(Negative("", Path(), "", plate), "", "", random_crop(rng), caption)

    def placed(kind: str, contrast: float, cut: Sides, words: Caption) -> tuple[str, Placed]:
        crop = shown.crop
        if kind not in SAME:
            crop, kind = changed_crop(shown, [shown.crop], kind, rng)  # type: ignore[arg-type]
        age = replace(random_age(rng, contrast), trimmed_mm=cut)
        return kind, Placed(crop, words, age, int(rng.integers(1 << 30)))

    def card(one: Placed) -> Card:
        return make_copy(negative, one.crop, one.caption, one.age, seed=one.seed or 0, plate=plate)

    def words_beside() -> Caption:
        if wordless or rng.random() >= OTHER_WORDS:
            return caption
        return changed_caption(caption, CAPTION_CHANGES[int(rng.integers(len(CAPTION_CHANGES)))], rng)

    off = cut_off(rng) if rng.random() < TRIMMED_REFERENCES else WHOLE
    _, known = placed("same", float(rng.choice(REFERENCE_CONTRASTS)), off, caption)
    reference = View(scanned(card(known), rng, searched=searched))
    for wanted in KINDS:
        also = wanted == "trimmed" or (wanted not in SAME and rng.random() < TRIMMED_OTHERS)
        kind, one = placed(wanted, float(rng.choice(CONTRASTS)), cut_off(rng) if also else WHOLE, words_beside())
        take = scanned if rng.random() < SCANS else photographed
        query = View(take(card(one), rng, searched=searched))
        found, true = align(query, reference), true_window(negative.shape, one, known)
        words = "none" if wordless else caption.style
        about = (kind, one.age.residual_contrast, words, (one.age.trimmed_mm, off), true)
        if not found:
            yield WindowPair(*about, None, {})
            continue
        pair = Registered.of(query.face, reference.face, found)
        yield WindowPair(*about, window_of(pair), crop_features(pair))


def cut_off(rng: np.random.Generator) -> Sides:
    """One to two millimetres off one side or more."""
    while True:
        left, top, right, bottom = (float(rng.uniform(1.0, 2.0)) * (rng.random() < 0.45) for _ in range(4))
        if left or top or right or bottom:
            return left, top, right, bottom
