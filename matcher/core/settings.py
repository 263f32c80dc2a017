"""Every number a person might want to change, in one place, frozen.

A stage's own numbers lie with the stage; here they come together. Stages import what they share from
`shared_settings`, never this.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from matcher.core.ladder.settings import LadderSettings
from matcher.core.ocr.settings import OcrSettings
from matcher.core.shared_settings import FaceSize, PhotoLimits, Thresholds

__all__ = ["FaceSize", "PhotoLimits", "Settings", "Thresholds"]


@dataclass(frozen=True)
class Settings:
    """All settings of one run; passed down, never global."""

    photo: PhotoLimits = field(default_factory=PhotoLimits)
    face: FaceSize = field(default_factory=FaceSize)
    thresholds: Thresholds = field(default_factory=Thresholds)
    ladder: LadderSettings = field(default_factory=LadderSettings)
    ocr: OcrSettings = field(default_factory=OcrSettings)
    top: int = 5
    """Most candidates that an answer lists."""
