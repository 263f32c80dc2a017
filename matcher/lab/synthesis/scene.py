"""How a photo of one card is taken; nothing is computed here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Surface = Literal["wood", "cloth", "text", "paper", "pattern", "dark"]
SURFACES: tuple[Surface, ...] = ("wood", "cloth", "text", "paper", "pattern", "dark")


@dataclass(frozen=True)
class Scene:
    """One photo, as seen upright.

    surface:       what the card lies on.
    width, height: of the upright photo in pixels.
    share:         of the frame spanned by the card's outline, in the tighter direction; above 1 it overhangs.
    tilt:          degrees off the vertical, 0..45.
    tilt_towards:  direction in which the card recedes, degrees (0 right, 90 down).
    rotation:      degrees clockwise of the card in the photo. upside_down: a half turn more.
    offset:        of the card's middle from the photo's, shares of width and height.
    shadow, glare: 0..1; a soft shadow over part of the scene, a lamp's reflection on the card.
    sleeve:        a clear sleeve around the card.
    thumb:         corner of the card held by a thumb (0 TL, 1 TR, 2 BR, 3 BL), or None.
    blur, noise:   standard deviations, in pixels and in levels of 255.
    exposure:      in stops. warmth: -1..1, white balance from blue to yellow.
    distortion:    share of the radius by which the lens errs in the corner.
    orientation:   EXIF tag 1..8 with which the photo is stored. quality: of the JPEG.
    font:          path of a TrueType file for a page of text; empty for Pillow's own.
    """

    surface: Surface = "wood"
    width: int = 1200
    height: int = 1600
    share: float = 0.75
    tilt: float = 0.0
    tilt_towards: float = 90.0
    rotation: float = 0.0
    upside_down: bool = False
    offset: tuple[float, float] = (0.0, 0.0)
    shadow: float = 0.2
    glare: float = 0.0
    sleeve: bool = False
    thumb: int | None = None
    blur: float = 0.7
    noise: float = 2.0
    exposure: float = 0.0
    warmth: float = 0.0
    distortion: float = 0.01
    orientation: int = 1
    quality: int = 88
    font: str = ""

    def __post_init__(self) -> None:
        if min(self.width, self.height) < 64:
            raise ValueError(f"a photo is at least 64 pixels wide and high, not {self.width} x {self.height}")
        if not (0.05 <= self.share <= 2 and 0 <= self.tilt <= 45 and abs(self.distortion) <= 0.1):
            raise ValueError(f"share must be 0.05..2, tilt 0..45, distortion within 0.1: {self}")
        if self.orientation not in range(1, 9):
            raise ValueError(f"EXIF orientation must be 1 to 8, not {self.orientation}")
        if self.thumb is not None and self.thumb not in range(4):
            raise ValueError(f"thumb must be a corner 0 to 3 or None, not {self.thumb}")
