"""Rehearsals: invented cards printed, aged, scanned and photographed by code, with the truth known.

    printing       negative + window + words  -> fresh `Card`
    ageing         `Card` + `Age`             -> old `Card`
    scanning       `Card`                     -> `Shot` of a flatbed scanner
    photographing  `Card` + `Scene`           -> `Shot` of a telephone, with the card's true corners

Everything is a pure function of its arguments and of an explicit `numpy.random.Generator`. One physical copy
is one seed (`make_copy`): printed and aged again at another resolution it has the same stains.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.ageing import Age, age_card
from matcher.lab.synthesis.lettering import Caption
from matcher.lab.synthesis.photographing import Shot, needed_px_per_mm, photograph, write_photo
from matcher.lab.synthesis.printing import SCAN_PX_PER_MM, Card, Crop, print_card
from matcher.lab.synthesis.scanning import scan, write_scan
from matcher.lab.synthesis.scene import SURFACES, Scene, Surface

__all__ = [
    "SCAN_PX_PER_MM",
    "SURFACES",
    "Age",
    "Caption",
    "Card",
    "Crop",
    "Scene",
    "Shot",
    "Surface",
    "age_card",
    "make_copy",
    "needed_px_per_mm",
    "photograph",
    "print_card",
    "scan",
    "write_photo",
    "write_scan",
]


def make_copy(
    negative: NDArray[np.uint8],
    crop: Crop,
    caption: Caption,
    age: Age,
    *,
    seed: int,
    plate: int = 0,
    px_per_mm: float = SCAN_PX_PER_MM,
) -> Card:
    """One physical copy, printed and aged; `seed` is the copy's, `plate` the negative's."""
    rng = np.random.default_rng([seed, 1])
    fresh = print_card(negative, crop, caption, rng, plate=plate, px_per_mm=px_per_mm)
    return age_card(fresh, age, np.random.default_rng([seed, 2]))
