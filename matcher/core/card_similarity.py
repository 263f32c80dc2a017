"""Two cards compared, neither of which need be enrolled: their `View`s in, a `CardSimilarity` out, rung by rung."""

from __future__ import annotations

from dataclasses import dataclass

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import judge_crop
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.settings import Settings


@dataclass(frozen=True)
class CardSimilarity:
    """How two cards agree, rung by rung; None where a rung was not reached or cannot be told.

    upside_down: one of the two stands on its head, and nothing was compared.
    """

    pose: float | None = None
    crop: float | None = None
    caption: float | None = None
    copy: float | None = None
    upside_down: bool = False


def compare_cards(query: View, reference: View, settings: Settings, calibration: Calibration) -> CardSimilarity:
    """Lay two cards over each other, neither of which need be enrolled; it ends at the rung that tells them apart."""
    alignment = align(query, reference)
    if alignment.upside_down:
        return CardSimilarity(upside_down=True)
    if not alignment:
        return CardSimilarity(0.0)
    pair = Registered.of(query.face, reference.face, alignment, settings.ladder)
    pose = judge_pose(pair, calibration)
    if pose is None or pose.probability <= 1 - settings.thresholds.pose:
        return CardSimilarity(pose.probability if pose else None)
    crop = judge_crop(pair, calibration)
    if crop.probability <= 1 - settings.thresholds.crop:
        return CardSimilarity(pose.probability, crop.probability)
    caption, copy = judge_caption(pair, calibration), judge_copy(pair, crop, calibration)
    return CardSimilarity(pose.probability, crop.probability, caption.probability, copy.probability)
