"""The crop map of one pose: every known crop a quadrangle in one frame, the query's own among them.

The candidates of an answer in, a `CropMap` out. The frame is the query's face: what another crop shows beyond it lies
outside 0..width, 0..height. Several references of one crop are averaged, so the map gets better as references come in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_corners
from matcher.core.ladder.candidate import Candidate
from matcher.core.settings import FaceSize

SURE_ENOUGH = 0.5
"""A reference counts from here on: of another pose, its window would mean nothing."""


@dataclass(frozen=True)
class KnownCrop:
    """One enrolled crop of the pose.

    corners:     (4, 2) float64, TL TR BR BL of its picture, pixels of the query's face.
    probability: that the query shows this crop.
    widest:      the candidate whose reference shows it.
    """

    name: str
    corners: NDArray[np.float64]
    probability: float
    widest: Candidate


@dataclass(frozen=True)
class CropMap:
    """own: (4, 2) the query's own picture; sigma_mm, sigma_px: the standard error of its place, in mm of the card and
    in pixels of the query's face."""

    pose: str
    own: NDArray[np.float64]
    sigma_mm: float
    sigma_px: float
    crops: tuple[KnownCrop, ...]

    def bounds(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of all windows together, pixels of the query's face."""
        points = np.concatenate([self.own, *(crop.corners for crop in self.crops)])
        (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
        return float(left), float(top), float(right), float(bottom)


def crop_map(candidates: Sequence[Candidate], size: FaceSize) -> CropMap | None:
    """The map of the likeliest pose; None where no reference of it could be laid over the query."""
    usable = [c for c in candidates if c.alignment and c.crop and _sure(c) >= SURE_ENOUGH]
    if not usable:
        return None
    pose = max(usable, key=_sure).record.pose
    own = picture_corners(size)
    by_crop: dict[str, list[Candidate]] = {}
    for candidate in usable:
        if candidate.record.pose == pose:
            by_crop.setdefault(candidate.record.crop, []).append(candidate)
    crops = tuple(_known_crop(name, group) for name, group in sorted(by_crop.items()))
    windows = [c.crop.window for group in by_crop.values() for c in group if c.crop]
    surest = min(windows, key=lambda window: window.sigma_mm)
    return CropMap(pose, own, surest.on_card.sigma_mm, surest.sigma_mm * size.px_per_mm, crops)


def _known_crop(name: str, group: Sequence[Candidate]) -> KnownCrop:
    places = [_in_query(candidate) for candidate in group]
    probability = max(c.crop_probability for c in group)
    widest = max(zip(group, places, strict=True), key=lambda pair: float(np.ptp(pair[1], axis=0).prod()))[0]
    return KnownCrop(name, np.mean(places, axis=0), probability, widest)


def _in_query(candidate: Candidate) -> NDArray[np.float64]:
    """(4, 2) the corners of its reference's picture, as its own format has them, pixels of the query's face."""
    corners = picture_corners(candidate.reference.size)
    return np.asarray(cv2.perspectiveTransform(corners[None], np.linalg.inv(candidate.alignment.transform))[0])


def _sure(candidate: Candidate) -> float:
    return candidate.confidence.pose or 0.0
