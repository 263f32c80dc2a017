"""Wear by name: a picture in, the worn picture and the share that is covered or gone out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator as Rng

from matcher.lab.synthesis.forces.fields import Layers, clipped
from matcher.lab.synthesis.forces.laid_on import labels, lettering, mould, stamps, tape, water, writing
from matcher.lab.synthesis.forces.lost import cracked_plate, creases, grazing, holes, lost_surface, rubbing, torn
from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.strokes import Worn


@dataclass(frozen=True)
class _Laid:
    """Lays what is drawn on the picture: a tone covers, and without one the layer is density that adds to it."""

    draw: Callable[[Field, Rng, float], Layers]

    def __call__(self, picture: Field, rng: Rng, strength: float) -> Worn:
        now, share = picture.astype(np.float32), np.zeros(picture.shape, np.float32)
        for box, part, tone in self.draw(picture, rng, strength):
            laid = clipped(part if tone is not None else 1 - np.exp(-2.3 * np.maximum(part, 0)))
            now[box] = clipped(now[box] * np.exp(-2.3 * part) if tone is None else now[box] + laid * (tone - now[box]))
            share[box] = np.maximum(share[box], laid)
        return now, share


_DRAWN = (
    creases, lost_surface, holes, rubbing, labels, writing, tape, water, mould, grazing, torn, stamps, lettering,
    cracked_plate,
)  # fmt: skip

# An instance of a class of this module, unlike a closure, can be sent to other processes.
KINDS: dict[str, Callable[[Field, Rng, float], Worn]] = {draw.__name__: _Laid(draw) for draw in _DRAWN}
"""Wear by name: (picture, rng, strength 0..1) to the worn picture and the share of each pixel covered or gone."""
