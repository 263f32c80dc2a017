"""The query face compared with one reference, as far up the ladder as that made sense; and how sure each rung is."""

from __future__ import annotations

from dataclasses import dataclass

from matcher.core.align.alignment import Alignment
from matcher.core.ladder.caption import CaptionFinding
from matcher.core.ladder.copy import CopyFinding
from matcher.core.ladder.crop import CropFinding
from matcher.core.ladder.mark import MarkFinding
from matcher.core.ladder.pose import PoseFinding
from matcher.core.ladder.words import WordsFinding
from matcher.core.reference_set import KnownRecord, KnownReference


@dataclass(frozen=True)
class Confidence:
    """Probabilities, one for each rung and one for the record; None where a rung was not reached."""

    pose: float | None = None
    crop: float | None = None
    caption: float | None = None
    mark: float | None = None
    record: float | None = None
    copy: float | None = None


@dataclass(frozen=True)
class Candidate:
    """One reference, how it was registered, and what was found on each rung.

    words: what ink and reading say of its words together, where both cards were read. matches: features that agreed on
    the shortlist. same_window: how likely the picture lies on both cards alike, by their edges alone; None where that
    was not measured.
    """

    reference: KnownReference
    alignment: Alignment
    pose: PoseFinding | None = None
    crop: CropFinding | None = None
    caption: CaptionFinding | None = None
    words: WordsFinding | None = None
    mark: MarkFinding | None = None
    copy: CopyFinding | None = None
    confidence: Confidence = Confidence()
    matches: int = 0
    same_window: float | None = None

    @property
    def record(self) -> KnownRecord:
        return self.reference.record

    @property
    def pose_probability(self) -> float:
        return self.pose.probability if self.pose else 0.0

    @property
    def crop_probability(self) -> float:
        return self.crop.probability if self.crop else 0.0

    @property
    def caption_probability(self) -> float | None:
        return self.caption.probability if self.caption else None

    @property
    def mark_probability(self) -> float | None:
        return self.mark.probability if self.mark else None
