"""Pictures made smaller: against averages worked out by hand, and nothing but the size may change."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.shrink import shrink


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
