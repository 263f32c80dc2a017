"""Numbers that several stages share: what a picture may be, the size of a face, where the answer stops. Frozen.

Sizes follow the trade's common card, 1 7/16 x 2 1/2 in (36.5 x 63.5 mm; common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PhotoLimits:
    """What `photo` accepts, checked before anything is decoded."""

    max_bytes: int = 250_000_000
    """Of a file; own choice, above any scan of a card or a page."""
    max_pixels: int = 200_000_000
    """Of a picture; own choice, an A4 page at 1,200 dpi has 139 million."""
    min_side: int = 64
    """Shortest side, pixels; own choice: less shows no card that could be compared."""
    full_size_pixels: int = 64_000_000
    """Above this many, a picture is read at a half or a quarter of its size; own choice, for memory."""
    max_pages: int = 500
    """Of a TIFF or PDF; own choice."""
    scan_least_dpi: float = 150.0
    scan_most_dpi: float = 4800.0
    """Between these, a stated resolution is believed to be a scanner's; cameras write 72 or 96; common practice."""
    pdf_dpi: float = 300.0
    """At which a PDF page without a picture of its own scale is drawn; a usual scan's."""
    pdf_least_dpi: float = 72.0
    pdf_most_dpi: float = 1200.0
    """Between these, the scale of a page's largest picture is believed; own choice."""


ODD_SCALE = 0.03
"""Share by which a face's pixels may be wider than high: it is whole steps wide (`core.formats`)."""

ONE_FORMAT = 0.01
"""Share by which two nominal sizes of one format may differ; own choice."""


@dataclass(frozen=True)
class FaceSize:
    """The flattened face: the card's nominal size, and the face's fixed size."""

    width_mm: float = 36.5
    height_mm: float = 63.5
    """Of the trade's common card, 1 7/16 x 2 1/2 in; common practice, no source."""
    width: int = 368
    height: int = 640
    """Pixels, about 10 a mm: features of faces of this size found the right record in 59 of 60 faint queries."""
    enlarged: float = 1.0
    """How many times larger the card itself is than these mm. The stages' mm are those of a card of the common height,
    whatever its format (`core.formats`): what they were fitted on counts in pictures, not in paper."""

    @property
    def card_mm(self) -> tuple[float, float]:
        """Width and height of the card itself."""
        return round(self.width_mm * self.enlarged, 3), round(self.height_mm * self.enlarged, 3)

    @property
    def landscape(self) -> bool:
        """Whether it is wider than high."""
        return self.width > self.height

    @property
    def px_per_mm(self) -> float:
        """Scale of the face, along its height."""
        return self.height / self.height_mm

    @property
    def aspect(self) -> float:
        """Width over height of the card, in mm."""
        return self.width_mm / self.height_mm

    def same_scale(self, other: FaceSize) -> bool:
        """Whether the pixels of two faces mean the same."""
        scales = (self.width / self.width_mm, other.width / other.width_mm, self.px_per_mm, other.px_per_mm)
        return max(scales) < (1 + ODD_SCALE) * min(scales)

    def same_card(self, other: FaceSize) -> bool:
        """Whether both stand for cards of one format; not where only their shapes differ by a hair."""
        return all(abs(one / two - 1) < ONE_FORMAT for one, two in zip(self.card_mm, other.card_mm, strict=True))

    @property
    def facts(self) -> dict[str, float]:
        """What names of stored things are made of; a card of the common size adds nothing to what they were."""
        told = {name: getattr(self, name) for name in ("width_mm", "height_mm", "width", "height")}
        return told if self.enlarged == 1.0 else {**told, "enlarged": self.enlarged}


@dataclass(frozen=True)
class Thresholds:
    """Where the answer stops.

    pose, crop, caption, mark: a rung counts as settled at or above this probability, and as settled against at
                         or below one minus it.
    most_glare:          share of the face that may be burnt out; above, it is `unreadable`.
    least_contrast:      residual contrast that must be left; below, it is `unreadable`.
    least_px_per_mm:     resolution that a picture of a card must have; below, it is `unreadable`. Of 16 of the demo's
                         known cards 2 are called new poses at 120 pixels of height, none at 150 (2.4 a mm).
    words_px_per_mm:     resolution that words need to be compared; below, the caption stays open. Of the same cards 8
                         are given new words at 180 pixels of height, 1 at 240 (3.8 a mm).
    back:                probability of a card's back from which it is `unreadable`.

    All of them are our own choice: three in four is where a person would begin to rely on an answer.
    """

    pose: float = 0.75
    crop: float = 0.75
    caption: float = 0.75
    mark: float = 0.75
    most_glare: float = 0.60
    least_contrast: float = 0.03
    least_px_per_mm: float = 2.2
    words_px_per_mm: float = 3.6
    back: float = 0.9
