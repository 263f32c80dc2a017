"""What an eye can tell: against the ideal observer's worked values, and against what no eye can tell."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.lab.synthesis.observer import Grey, Twin, detectability
from matcher.lab.synthesis.prints import Field, smooth_field

HEIGHT, WIDTH = 512, 320


def spot(levels: float, radius: float) -> Field:
    """A Gaussian spot in the middle, grey levels."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH] - np.array([HEIGHT / 2, WIDTH / 2])[:, None, None]
    return np.asarray(levels * np.exp(-(rows**2 + columns**2) / (2 * radius**2)), np.float32)


def picture(levels: Field) -> Grey:
    return np.clip(np.rint(128 + levels), 0, 255).astype(np.uint8)


def told(change: Field, noise: float, seed: int = 0) -> float:
    """Of a change between two pictures of one tone with white noise of their own."""
    grain = np.random.default_rng(seed).normal(0, noise, (2, HEIGHT, WIDTH)).astype(np.float32)
    query = Twin(picture(grain[0] + change), picture(grain[0]))
    return detectability(query, Twin(picture(grain[1]), picture(grain[1] + change)))


@pytest.mark.parametrize(("levels", "radius", "noise"), [(10, 6, 10), (6, 10, 12), (16, 4, 14)])
def test_nobody_tells_more_than_the_ideal_observer(levels: float, radius: float, noise: float) -> None:
    # Rose 1948; Burgess et al. 1981: the root of the change's energy over the noise's, here of both pictures.
    # The energy of a Gaussian spot of height c and sigma r is pi c^2 r^2.
    ideal = float(np.sqrt(np.pi) * levels * radius / (noise * np.sqrt(2)))
    assert 0.35 * ideal < told(spot(levels, radius), noise) < ideal


def test_twice_the_contrast_or_half_the_noise_is_told_twice_as_well() -> None:
    faint = told(spot(8, 4), 24)
    assert told(spot(16, 4), 24) == pytest.approx(2 * faint, rel=0.15)
    assert told(spot(8, 4), 12) == pytest.approx(2 * faint, rel=0.15)


def test_what_one_picture_does_not_show_is_not_told() -> None:
    change, grain = spot(30, 10), np.random.default_rng(1).normal(0, 4, (HEIGHT, WIDTH)).astype(np.float32)
    shown, blank = Twin(picture(grain + change), picture(grain)), Twin(picture(grain), picture(grain))
    assert detectability(shown, blank) < 0.05 * detectability(shown, shown)


def test_a_small_shift_is_how_a_card_lies_and_a_large_one_movement() -> None:
    rough = 60 * smooth_field((HEIGHT, WIDTH), np.random.default_rng(2), 60)

    def shifted(by: int) -> float:
        twin = Twin(picture(rough), picture(np.roll(rough, by, 1)))
        return detectability(twin, twin)

    assert shifted(2) < 0.25 * shifted(12)


def test_busy_detail_hides_a_change() -> None:
    # Legge & Foley 1980: what must change grows with the contrast that is there.
    busy, noise = 50 * smooth_field((HEIGHT, WIDTH), np.random.default_rng(3), 40), 2.0
    grain = np.random.default_rng(4).normal(0, noise, (HEIGHT, WIDTH)).astype(np.float32)
    plain = Twin(picture(grain + spot(12, 6)), picture(grain))
    masked = Twin(picture(grain + busy + spot(12, 6)), picture(grain + busy))
    assert detectability(masked, masked) < 0.7 * detectability(plain, plain)
