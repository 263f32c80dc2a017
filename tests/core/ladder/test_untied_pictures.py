"""Two pictures that nothing ties together are never called one negative: what the fit has not seen stays open."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.shared_settings import Thresholds


def noise(seed: int) -> View:
    """Coloured blobs, as no sitter ever looked."""
    pixels = np.random.default_rng(seed).integers(0, 255, (48, 28, 3), dtype=np.uint8)
    return View(Face.from_pixels(cv2.resize(pixels, (368, 640), interpolation=cv2.INTER_CUBIC)))


def test_noise_is_never_settled_to_be_one_negative() -> None:
    told = []
    for query, reference in combinations(map(noise, range(8)), 2):
        found = align(query, reference)
        if found and found.correlation < 0.4:
            judged = judge_pose(Registered.of(query.face, reference.face, found), Calibration.load())
            told += [judged.probability] if judged else []
    assert len(told) > 5
    assert max(told) < Thresholds().pose
