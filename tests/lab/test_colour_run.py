"""Damage laid over prints in colour is found by it, and pictures without colour are not asked."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from matcher.lab.evaluation.colour_run import PATCHES, as_they_are, coloured, damaged
from tests.core.ladder.test_foreign_colour import seen, sepia


def test_patches_in_another_colour_are_found_and_hardly_anything_else(tmp_path: Path) -> None:
    for name, pixels in (("sepia.png", seen(sepia(1))), ("grey.png", np.repeat(seen(sepia(2))[..., 1:2], 3, axis=2))):
        cv2.imwrite(str(tmp_path / name), pixels[..., ::-1])
    (picture,) = coloured([tmp_path / "sepia.png", tmp_path / "grey.png"])
    assert as_they_are([picture])[0] < 0.001
    rng = np.random.default_rng(5)
    told = [found for kind in PATCHES * 3 if (found := damaged(picture, kind, 50.0, rng))]
    assert len(told) >= 10
    assert np.mean([one.found for one in told]) > 0.5
    assert np.mean([one.wrongly for one in told]) < 0.002
