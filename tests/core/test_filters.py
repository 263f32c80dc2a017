"""Shared filters: averages against those worked out by hand, the wide blur against OpenCV's own, equal contrast."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from matcher.core.filters import normalise, shrink, slow


def test_blocks_are_averaged() -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (64, 96, 3), dtype=np.uint8)
    expected = pixels.reshape(16, 4, 24, 4, 3).mean(axis=(1, 3))
    # Each of the two halvings rounds to whole levels.
    assert np.abs(shrink(pixels, (24, 16)) - expected).max() <= 1.0


@pytest.mark.parametrize("size", [(24, 16), (30, 20), (7, 11), (96, 64), (95, 63), (1, 1)])
def test_the_size_is_met_and_an_even_tone_stays(size: tuple[int, int]) -> None:
    pixels = np.full((64, 96, 3), (10, 120, 230), np.uint8)
    small = shrink(pixels, size)
    assert small.shape == (size[1], size[0], 3)
    assert np.ptp(small.reshape(-1, 3), axis=0).tolist() == [0, 0, 0]
    assert small[0, 0].tolist() == [10, 120, 230]


def test_fine_stripes_become_grey_instead_of_false_stripes() -> None:
    pixels = np.zeros((60, 300, 3), np.uint8)
    pixels[:, ::2] = 200
    assert np.abs(shrink(pixels, (110, 22)).astype(int) - 100).max() <= 1


@pytest.mark.parametrize("sigma", [3.0, 12.0])
def test_the_wide_blur_is_nearly_opencvs_own(sigma: float) -> None:
    values = cv2.GaussianBlur(np.random.default_rng(4).normal(120, 60, (160, 120)).astype(np.float32), (0, 0), 2.0)
    exact = cv2.GaussianBlur(values, (0, 0), sigma)
    assert np.abs(slow(values, sigma) - exact)[20:-20, 20:-20].max() < 0.1 * np.ptp(values)


def test_a_faint_print_comes_out_as_a_strong_one() -> None:
    strong = cv2.GaussianBlur(np.random.default_rng(5).normal(0, 400, (320, 184)), (0, 0), 6.0) + 128
    faint = 150 + 0.3 * (strong - 128)
    one, other = (normalise(np.clip(part, 0, 255).astype(np.uint8), 5.0).astype(float) for part in (strong, faint))
    assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.97
    assert abs(one.mean() - 128) < 5
