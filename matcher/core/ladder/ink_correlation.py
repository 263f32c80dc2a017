"""Do the inks of two registered pairs of strips agree, letter by letter? The ruler of the caption and the crop rung.

Strips in, `InkCorrelation` out: maps over foot and head, measured as one. Against the ink of a caption the bare
backdrop of the other strip weighs nothing, and whatever picture it shows is the same on both cards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.filters import slow
from matcher.core.ladder.caption_strips import CaptionStrip
from matcher.core.ladder.words_settings import InkSettings

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class InkCorrelation:
    """Maps over both strips, (rows of both, columns), and what they say as a whole.

    correlation: float32, of the inks in letter-sized windows, -1 to 1.
    expected:    float32, what the same words would give at the two papers' noise, 0 to 1.
    weight:      float32, ink that both hold, 0 to 1.
    ink:         (query, reference) log of the ink's energy over the paper's.
    shown:       share of the strips that both show.
    settings:    with which it was measured.
    """

    correlation: Floats
    expected: Floats
    weight: Floats
    ink: tuple[float, float]
    shown: float
    settings: InkSettings

    @property
    def agreement(self) -> float:
        """Ink-weighted mean correlation."""
        return float((self.correlation * self.weight).sum()) / (float(self.weight.sum()) + 1e-6)

    @property
    def shortfall(self) -> float:
        """Ink-weighted mean of what is missing to the expected correlation."""
        return float((self._gap * self.weight).sum()) / (float(self.weight.sum()) + 1e-6)

    def worst(self, sigma: float) -> float:
        """Largest shortfall over any patch of `sigma` pixels that holds ink."""
        gaps, inks = (slow(v, sigma) for v in (self._gap * self.weight, self.weight))
        typical = 0.3 * _level(inks, self.settings.ink_percent) + 1e-6
        return float((gaps / (inks + typical)).max())

    def best(self, sigma: float) -> float:
        """Largest correlation over any patch of `sigma` pixels that holds ink: a word that is on both cards."""
        agreed, inks = (slow(v, sigma) for v in (self.correlation * self.weight, self.weight))
        typical = 0.3 * _level(inks, self.settings.ink_percent) + 1e-6
        return float((agreed / (inks + typical)).max())

    @property
    def _gap(self) -> Floats:
        return self.expected - self.correlation


def correlate_ink(
    strips: tuple[CaptionStrip, CaptionStrip], settings: InkSettings | None = None, slack: int = 1
) -> InkCorrelation:
    """Compare the inks, best over `slack` pixels: type on paper is never flattened to better than one."""
    settings = settings or InkSettings()
    query, reference, mask = _stacked(strips, settings)

    def mean(values: Floats) -> Floats:
        return slow(values * mask, settings.letter_px)

    energies = mean(query * query), mean(reference * reference)
    best = np.full(query.shape, -1.0, np.float32)
    for dy in range(-slack, slack + 1):
        for dx in range(-slack, slack + 1):
            moved, energy = (np.roll(values, (dy, dx), (0, 1)) for values in (reference, energies[1]))
            scale = np.sqrt(np.maximum(energies[0] * energy, 1e-6))
            best = np.maximum(best, mean(query * moved) / scale)
    best = np.minimum(best, 1.0)  # where the mask ends, the energy of the moved ink is only nearly its own
    shown = mask > 0
    papers = [_level(e, settings.paper_percent, shown) + 0.02 for e in energies]
    signals = [np.maximum(e - paper, 0) for e, paper in zip(energies, papers, strict=True)]
    expected = np.sqrt(np.prod([s / (e + 1e-6) for s, e in zip(signals, energies, strict=True)], axis=0))
    # Ink that both hold: a scratch or a fold on one card says nothing, a changed letter has ink on both.
    inks = [np.minimum(s / (_level(s, settings.ink_percent) + 1e-6), 1.0) for s in signals]
    weight = np.where(shown, np.minimum(*inks), 0.0).astype(np.float32)
    levels = [_level(e, settings.ink_percent) + 0.02 for e in energies]
    legible = [float(np.log(ink / paper)) for ink, paper in zip(levels, papers, strict=True)]
    share = float(shown.mean())
    return InkCorrelation(best, expected.astype(np.float32), weight, (legible[0], legible[1]), share, settings)


def _level(values: Floats, percent: float, among: NDArray[np.bool_] | None = None) -> float:
    """A percentile of a map, over `among`; on every second pixel, since maps are smooth; 1 where there is none."""
    subset = values[::2, ::2] if among is None else values[::2, ::2][among[::2, ::2]]
    return float(np.percentile(subset, percent)) if subset.size else 1.0


def _stacked(strips: tuple[CaptionStrip, CaptionStrip], settings: InkSettings) -> tuple[Floats, Floats, Floats]:
    """Both sides' ink and the mask, (rows of both strips, columns)."""
    masks = [strip.shown.astype(np.float32) for strip in strips]
    for mask in masks:
        # A masked seam keeps one strip's windows out of the other's.
        mask[-settings.seam_px :] = 0
    query, reference = (np.vstack(inks) for inks in zip(*(strip.inks for strip in strips), strict=True))
    return query, reference, np.vstack(masks)
