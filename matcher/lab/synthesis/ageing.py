"""From a fresh card to an old one: in: a `Card` and an `Age`; out: the same card faded, stained and worn.

Fading is what matters most to matching, so it is exact: every printed tone keeps `residual_contrast` of its
distance to the paper, on average over the card. Damage is drawn on a fixed grid in millimetres: one seed
gives one card, at whatever resolution it was printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.damage import Canvas, crease, dirt, foxing, pencil, scratches, stains, worn_corners
from matcher.lab.synthesis.printing import FRESH_PAPER, Card
from matcher.lab.synthesis.textures import Field, clouds, enlarge, grain

Tone = Literal["sepia", "pink", "brown"]

_PAPER: dict[Tone, tuple[float, float, float]] = {
    "sepia": (235.0, 220.0, 183.0),
    "pink": (238.0, 217.0, 193.0),
    "brown": (222.0, 200.0, 158.0),
}
_SHARES: dict[Tone, tuple[float, float, float]] = {
    # Faded silver turns yellow-brown: blue keeps more of its contrast than red does.
    "sepia": (0.94, 1.0, 1.10),
    "pink": (0.92, 1.03, 1.08),
    "brown": (0.97, 1.0, 1.04),
}


@dataclass(frozen=True)
class Age:
    """What time has done to one card.

    residual_contrast: 0.05..1, share of the fresh tones' distance from the paper that is left.
    unevenness:        0..1, how differently edges and patches have faded.
    foxing, scratches: numbers of spots and lines. stains: number of tide marks.
    dirt, worn_corners: 0..1. crease, pencil: whether there is a folded corner, a mark in the margin.
    trimmed_mm:        taken off left, top, right and bottom.
    tone:              colour of the aged paper.
    """

    residual_contrast: float = 1.0
    unevenness: float = 0.3
    foxing: int = 6
    stains: int = 0
    scratches: int = 3
    dirt: float = 0.3
    worn_corners: float = 0.3
    crease: bool = False
    pencil: bool = False
    trimmed_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    tone: Tone = "sepia"

    def __post_init__(self) -> None:
        if not 0.05 <= self.residual_contrast <= 1:
            raise ValueError(f"residual_contrast must be 0.05 to 1, not {self.residual_contrast}")
        if min(self.trimmed_mm) < 0 or max(self.trimmed_mm) > 8:
            raise ValueError(f"trimmed_mm must be 0 to 8 a side, not {self.trimmed_mm}")


def age_card(card: Card, age: Age, rng: np.random.Generator) -> Card:
    """Fade, stain, wear and trim one card; the same seed gives the same damage at any resolution.

    All that happens to a tone is a gain and an offset; both are worked out on the grid and then enlarged.
    """
    canvas = Canvas.of(card)
    gain, offset = _fade(_fading(canvas, age, rng), age)
    absorbed = _absorbed(canvas, age, rng)
    bared = scratches(canvas, age.scratches, rng)
    if age.crease:
        bared, shade = crease(canvas, bared, rng)
        absorbed *= shade
    cover, rubbed = worn_corners(canvas, age.worn_corners, rng)
    bared = np.maximum(bared, rubbed)[..., None]
    absorbed *= 1 - bared
    offset = offset * absorbed + np.array(_PAPER[age.tone], np.float32) * np.float32(0.95) * bared
    height, width = card.cover.shape
    kept = cv2.multiply(card.pixels, enlarge(gain * absorbed, height, width), dtype=cv2.CV_32F)
    pixels = cv2.add(kept, enlarge(offset, height, width), dtype=cv2.CV_8U)
    silhouette = np.clip(enlarge(cover, height, width) * 255, 0, 255).astype(np.uint8)
    return _trimmed(Card(np.asarray(pixels, np.uint8), silhouette, card.px_per_mm), age)


def _fading(canvas: Canvas, age: Age, rng: np.random.Generator) -> Field:
    """(h, w) share of contrast left, its mean the age's; edges, which the air reaches, have lost more."""
    patches = clouds(canvas.height, canvas.width, rng, 2.5, 3)
    reach = float(rng.uniform(1.5, 5.0))
    edge = np.exp(-canvas.to_edge() / reach) * (1 + 0.3 * clouds(canvas.height, canvas.width, rng, 4, 3))
    weakening = age.unevenness * (0.12 * patches + 0.55 * edge)
    share = np.clip(1 - weakening, 0.25, 1.5)
    share *= age.residual_contrast / float(share.mean())
    return np.asarray(np.minimum(share, 1.0), np.float32)


def _fade(share: Field, age: Age) -> tuple[Field, Field]:
    """Every tone drawn towards the yellowed paper: gain and offset, (h, w, 3) float32."""
    # A fresh card has fresh paper; the paper has turned fully by the time half of the contrast is gone.
    turned = min(1.0, 2 * (1 - age.residual_contrast))
    fresh, old = np.array(FRESH_PAPER, np.float32), np.array(_PAPER[age.tone], np.float32)
    paper = fresh + (old - fresh) * np.float32(turned)
    channels = 1 + (np.array(_SHARES[age.tone], np.float32) - 1) * np.float32(turned)
    gain = share[..., None] * channels
    return np.asarray(gain, np.float32), np.asarray(paper - fresh * gain, np.float32)


def _absorbed(canvas: Canvas, age: Age, rng: np.random.Generator) -> Field:
    """(h, w, 3) factor of all that lies on or in the paper."""
    factor = _paper(canvas, rng) * dirt(canvas, age.dirt, rng)
    if age.foxing:
        factor *= foxing(canvas, age.foxing, rng)
    if age.stains:
        factor *= stains(canvas, age.stains, rng)
    if age.pencil:
        factor *= pencil(canvas, rng)
    return factor


def _paper(canvas: Canvas, rng: np.random.Generator) -> Field:
    """(h, w, 3) factor about 1: fibres, and the slow unevenness of old board."""
    fibres = grain(canvas.height, canvas.width, rng, 0.7) * 0.008
    mottle = clouds(canvas.height, canvas.width, rng, 3, 4) * 0.014
    yellowing = clouds(canvas.height, canvas.width, rng, 2, 3) * 0.010
    factor = (1 + fibres + mottle)[..., None] + yellowing[..., None] * np.array([0.2, 0.5, 1.4], np.float32)
    return np.asarray(factor, np.float32)


def _trimmed(card: Card, age: Age) -> Card:
    left, top, right, bottom = (round(mm * card.px_per_mm) for mm in age.trimmed_mm)
    height, width = card.cover.shape
    window = np.s_[top : height - bottom, left : width - right]
    pixels: NDArray[np.uint8] = np.ascontiguousarray(card.pixels[window])
    return Card(pixels, np.ascontiguousarray(card.cover[window]), card.px_per_mm)
