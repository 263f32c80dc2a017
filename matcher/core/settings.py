"""Every number a person might want to change, in one place, frozen.

Sizes follow the trade's common card, 1 7/16 x 2 1/2 in (36.5 x 63.5 mm; common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class PhotoLimits:
    """What `photo` accepts, checked before anything is decoded."""

    max_bytes: int = 250_000_000
    """Largest file."""
    max_pixels: int = 200_000_000
    """Largest picture."""
    min_side: int = 64
    """Least width and height, pixels."""
    whole_pixels: int = 64_000_000
    """Above this many, a picture is read at a half or a quarter of its size."""
    max_pages: int = 500
    """Most pages of a TIFF or PDF."""


@dataclass(frozen=True)
class FaceSize:
    """The flattened face: its nominal size in mm, and its fixed size in pixels (about 10 px/mm)."""

    width_mm: float = 36.5
    """The nominal card's width."""
    height_mm: float = 63.5
    """The nominal card's height."""
    width: int = 368
    """Of the flattened face, pixels."""
    height: int = 640
    """Of the flattened face, pixels."""

    @property
    def px_per_mm(self) -> float:
        return self.height / self.height_mm

    @property
    def aspect(self) -> float:
        """Width over height of the card, in mm."""
        return self.width_mm / self.height_mm


@dataclass(frozen=True)
class Thresholds:
    """Where the answer stops.

    pose, crop, caption: a rung counts as settled at or above this probability, and as settled against at
                         or below one minus it.
    most_glare:          share of the face that may be burnt out; above, it is `unreadable`.
    least_contrast:      residual contrast that must be left; below, it is `unreadable`.
    back:                probability of a card's back from which it is `unreadable`.

    All six are our own choice: three in four is where a person would begin to rely on an answer.
    """

    pose: float = 0.75
    crop: float = 0.75
    caption: float = 0.75
    most_glare: float = 0.60
    least_contrast: float = 0.03
    back: float = 0.9


@dataclass(frozen=True)
class Settings:
    """All settings of one run; passed down, never global."""

    photo: PhotoLimits = field(default_factory=PhotoLimits)
    face: FaceSize = field(default_factory=FaceSize)
    thresholds: Thresholds = field(default_factory=Thresholds)
    top: int = 5
    """Most candidates that an answer lists."""
