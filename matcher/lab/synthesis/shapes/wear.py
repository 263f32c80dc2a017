"""Wear by name: a picture in, the worn picture and the share that is covered or gone out."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.laid_on import labels, lettering, mould, patches, penmanship, stamps, tape, water
from matcher.lab.synthesis.shapes.lost import abrasion, creases, grazing, holes, losses, plate, torn
from matcher.lab.synthesis.shapes.worn_sheet import WornSheet
from matcher.lab.synthesis.strokes import Worn


def _worn(draw: Callable[[WornSheet], None], view: Field, rng: np.random.Generator, strength: float) -> Worn:
    card = WornSheet(view, rng, strength)
    draw(card)
    return np.clip(card.picture, 0, 1).astype(np.float32), np.clip(card.gone, 0, 1).astype(np.float32)


_LOST = (creases, losses, holes, abrasion, grazing, torn, plate)
_ADDED = (labels, patches, penmanship, tape, stamps, lettering)
_SOAKED = (water, mould)

# A partial of two functions of modules, unlike a closure, can be sent to other processes.
KINDS: dict[str, Callable[[Field, np.random.Generator, float], Worn]] = {
    draw.__name__: partial(_worn, draw) for draw in _LOST + _ADDED + _SOAKED
}
"""Wear by name: (picture, rng, strength 0..1) to the worn picture and the share of each pixel covered or gone."""
