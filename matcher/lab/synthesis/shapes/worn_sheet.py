"""The sheet to which things happen: how wear covers, shades, inks and frays, whatever kind it is.

It keeps the picture as it has become, and with it the share of every pixel that is covered or gone, so that no kind of
wear can forget to say what it hides.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.sheet import CARD_MM, Points, Sheet, aside, blurred, filled, inward, turned


class WornSheet(Sheet):
    """A card that wears: `picture` as it has become, `gone` the share of each pixel that is covered or lost.

    strength: 0..1, how many and how large things are.
    """

    def __init__(self, view: Field, rng: np.random.Generator, strength: float) -> None:
        super().__init__(view, rng)
        self.strength, self.picture, self.gone = strength, view, np.zeros(view.shape, np.float32)

    def few(self, mean: float, most: int = 4) -> range:
        """To go through one thing or several: the more the stronger, never more than `most`."""
        return range(min(1 + self.rng.poisson(mean * self.strength), most))

    def up_to(self, low: float, high: float) -> float:
        """A length in pixels, log-uniform from so many millimetres to as many as the strength allows."""
        return float(self.mm * self.size_between(low, low * (high / low) ** (0.55 + 0.45 * self.strength)))

    def scattered(self, low: float, mean: float, high: float = CARD_MM / 3) -> list[Points]:
        """Outlines all over the card or in a cluster."""
        middle, spread = self.between(0, 1, 2), self.rng.choice([0.08, 0.25, 3.0])
        places = np.mod(middle + self.rng.normal(0, spread, (len(self.few(mean, 99)), 2)), 1) * self.size
        return [self.outline() * self.up_to(low, high) / 2 + place for place in places]

    def lay(self, cover: Field, matter: Field | float) -> None:
        """Matter, or a tone, upon the picture; `cover` is its opacity and may run beyond 0..1."""
        cover = np.clip(cover, 0, 1)
        self.picture = self.picture + (np.float32(matter) - self.picture) * cover
        self.gone = np.maximum(self.gone, cover)

    def shade(self, depth: Field, amount: float, hides: float = 0.0) -> None:
        """Less light where depth is above nought, more where it is below; `hides` tells how far that takes detail."""
        depth = np.clip(depth * np.float32(amount), -1, 1)
        self.picture = np.where(depth > 0, self.picture * (1 - depth), self.picture - (1 - self.picture) * depth)
        self.gone = np.maximum(self.gone, np.abs(depth) * np.float32(hides))

    def relief(self, mask: Field, reach: float, amount: float) -> None:
        """Shadow on one side of what stands up and light on the other."""
        soft = blurred(mask, reach)
        x, y = np.round(turned(np.array([[reach + 1, 0]]), self.between(0, 6.3))[0]).astype(int)
        self.shade(aside(soft, int(x), int(y)) - soft, amount)

    def ink(self, mask: Field, dark: bool) -> None:
        """What a pen or a stamp leaves: full ink, grain-caught pencil, a wash that lets light through, or a dent."""
        kind = self.rng.integers(5)
        if kind == 0:
            self.relief(mask, 0.2 * self.mm, self.between(0.4, 0.9))
        elif kind == 1 and dark:
            bled = np.maximum(mask, np.float32(0.5) * blurred(mask, self.mm * self.size_between(0.1, 1.2)))
            self.shade(bled, self.between(0.5, 0.97), 0.7)
        else:
            if kind < 4:
                took = np.clip(self.texture(0.12, 4) + self.between(0, 2), 0, 1)
            else:
                took = np.float32(self.between(0.7, 1))
            self.lay(mask * took, self.between(0, 0.4) if dark else self.between(0.8, 1))

    def halves(self, wave: float) -> Field:
        """The card on one side of a line right across it, straight but for so many millimetres."""
        far, t = float(self.size.sum()), np.linspace(-1, 1, 60)
        knots = self.rng.normal(0, wave * self.mm, self.rng.integers(4, 14))
        off = PchipInterpolator(np.linspace(-1, 1, len(knots)), knots)(t)
        line = np.vstack([np.column_stack([t * far, off]), [[far, 2 * far], [-far, 2 * far]]])
        return filled(self.shape, [turned(line, self.between(0, 6.3)) + self.between(0, 1, 2) * self.size])

    def text(self, start: Points, height: float, count: int) -> list[Points]:
        """Letters that nobody writes: strokes between the nodes of a small lattice, straight or bowed."""
        case, t = [], np.linspace(0, 1, 6)[:, None]
        for _ in range(9):
            a, b = (self.rng.integers(0, 3, (2, self.rng.integers(2, 5), 1, 2)) * (0.3, 0.5)).astype(np.float64)
            bow = (a + b) / 2 + self.rng.choice([0.0, 0.3]) * self.rng.normal(0, 1, a.shape)
            case.append(a * (1 - t) ** 2 + 2 * bow * t * (1 - t) + b * t**2)
        lean = np.array([[1, 0], [self.rng.normal(0, 0.2), 1]]) * height
        return [s @ lean + start + (i * height * 0.9, 0) for i in range(count) for s in case[self.rng.integers(9)]]

    def frayed(self, outlines: list[Points], fray: float) -> Field:
        """Depth in pixels within outlines that are rough by so many millimetres; negative outside."""
        return inward(filled(self.shape, outlines)) + np.float32(fray * self.mm) * self.texture(0.15, 2.5)
