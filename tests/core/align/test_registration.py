"""Registering: known transforms are found again, and what does not belong does not pull."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.align.registration import Layer, register
from matcher.core.align.settings import RegistrationSettings

SHAPE = (320, 184)


def scene(seed: int) -> NDArray[np.uint8]:
    """Soft blobs of several sizes, as a photograph has them."""
    rng = np.random.default_rng(seed)
    parts = [cv2.GaussianBlur(rng.standard_normal(SHAPE).astype(np.float32), (0, 0), s) * s for s in (2, 5, 12)]
    total = np.sum(parts, axis=0)
    return np.asarray(np.clip(128 + 40 * total / total.std(), 0, 255), np.uint8)


def whole(grey: NDArray[np.uint8]) -> Layer:
    return Layer(grey, np.full(SHAPE, 255, np.uint8))


def moved(grey: NDArray[np.uint8], transform: NDArray[np.float64]) -> NDArray[np.uint8]:
    """What `transform`, new pixels to old ones, shows."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(grey, transform, SHAPE[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT))


def farthest(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Largest distance in pixels between where two transforms put the corners of the picture."""
    corners = np.array([[[20, 20], [164, 20], [164, 300], [20, 300]]], np.float64)
    gaps = np.subtract(*(cv2.perspectiveTransform(corners, t) for t in (one, other)))
    return float(np.linalg.norm(gaps, axis=-1).max())


TRUE = np.array([[1.03, 0.01, -4.0], [-0.012, 1.02, 5.0], [2e-5, -1e-5, 1.0]])


@pytest.mark.parametrize("fading", [1.0, 0.3])
def test_a_known_homography_is_found_again_to_a_tenth_of_a_pixel(fading: float) -> None:
    reference = scene(1)
    query = np.asarray(128 + fading * (moved(reference, TRUE).astype(np.float32) - 128) + 10, np.uint8)
    found, correlation = register(whole(query), whole(reference), np.eye(3), RegistrationSettings(steps=20))
    assert farthest(found, TRUE) < 0.1
    assert correlation > 0.98


def test_a_part_that_has_moved_does_not_pull_the_rest_along() -> None:
    reference = scene(2)
    query = moved(reference, TRUE)
    query[60:200, 70:150] = scene(3)[60:200, 70:150]  # a fifth of the picture shows something else
    found, _ = register(whole(query), whole(reference), np.eye(3), RegistrationSettings(steps=20))
    assert farthest(found, TRUE) < 0.3


def test_where_half_of_the_picture_is_bare_nothing_but_likelihood_holds_it_there() -> None:
    rng = np.random.default_rng(4)
    reference, shift = scene(4), np.array([[1, 0, 2.5], [0, 1, -1.5], [0, 0, 1.0]])
    reference[:, :110] = 128
    noisy = moved(reference, shift).astype(np.float32) + rng.normal(0, 12, SHAPE)
    query = np.asarray(np.clip(noisy, 0, 255), np.uint8)
    found, _ = register(whole(query), whole(reference), np.eye(3), RegistrationSettings(steps=20))
    assert farthest(found, shift) < 1.0


def test_two_pictures_that_share_nothing_say_so() -> None:
    mask = np.zeros(SHAPE, np.uint8)
    mask[:40] = 255
    away = np.array([[1, 0, 0], [0, 1, 200.0], [0, 0, 1]])
    start, correlation = register(Layer(scene(5), mask), Layer(scene(5), mask), away)
    assert correlation == -1
    assert (start == away).all()


def test_layers_check_their_shapes() -> None:
    with pytest.raises(ValueError, match="one shape"):
        Layer(scene(6), np.zeros((4, 4), np.uint8))
