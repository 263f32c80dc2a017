"""Hands that draw for learning and fitting: each prints, hurts and moves in its own way, by code of its own.

What a network learns of one drawing it may know by how that is drawn. Several hands have nothing in common but what
prints, damage and movement are. Whoever reports on the result draws by yet another hand (`evaluation.other_hand`), and
that is none of these.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from matcher.core.photo import to_grey
from matcher.lab.synthesis import forces, shapes
from matcher.lab.synthesis.materials import any_material, in_colour
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.strokes import Worn
from matcher.lab.synthesis.worlds import OWN_HAND, Hand

Kinds = Mapping[str, Callable[[Field, np.random.Generator, float], Worn]]
"""(greys of a card 0..1, rng, strength 0..1) -> the greys with it upon them, and the share that is covered or gone."""


@dataclass(frozen=True)
class LaidBy:
    """Lays wear of these kinds on a card, of whatever it may be made of."""

    kinds: Kinds

    def __call__(self, card: Card, kind: str, colour: float, rng: np.random.Generator) -> Card:
        """The card with it upon it. colour: from 0, the print's own, to 1, all that its material has."""
        before = to_grey(card.pixels).astype(np.float32) / np.float32(255)
        after, share = self.kinds[kind](before, rng, float(rng.uniform(0.2, 1)))
        return replace(card, pixels=in_colour(card.pixels, before, after, share, any_material(rng), colour))


HANDS: Mapping[str, Hand] = {
    "own": OWN_HAND,
    "shapes": Hand("shapes", tuple(shapes.KINDS), LaidBy(shapes.KINDS), shapes.rendered, shapes.another_moment),
    "forces": Hand("forces", tuple(forces.KINDS), LaidBy(forces.KINDS), forces.rendered, forces.another_moment),
}
"""By name: the first, with the kinds of `wear`; outlines and borrowed matter; bent paper, wicking water and so on."""
