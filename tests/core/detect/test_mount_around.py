"""A print on a dark mount: the card ends where its mount does, and a holder is none. Truth comes from the drawing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.mount_around import misses_shape, on_their_mounts
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.settings import MountSettings
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from tests.support.faces import picture

SHAPE = np.array([FaceSize().aspect])
PX_PER_MM = 14.0
LEFT, TOP = 300.0, 150.0
"""Of the card in the picture, pixels."""

Quad = NDArray[np.float32]


def rectangle(left: float, top: float, right: float, bottom: float) -> Quad:
    """(4, 2), of mm on the card."""
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return np.asarray(corners * PX_PER_MM + [LEFT, TOP], np.float32)


CARD = rectangle(0, 0, 36.5, 63.5)
PRINT = rectangle(2.0, 2.0, 34.5, 61.5)


def photo(*layers: tuple[Quad, int], pale: Quad = PRINT) -> Photo:
    """Even patches on a lit table, one over the other, and a print on them."""
    rng = np.random.default_rng(4)
    shade = np.linspace(-12, 12, 1100, dtype=np.float32)[None]
    grey = np.full((1300, 1100), 205, np.float32) + shade
    for corners, tone in layers:
        cv2.fillPoly(grey, [np.rint(corners).astype(np.int32)], float(tone))
    left, top, right, bottom = (round(float(side)) for side in (*pale[0], *pale[2]))
    shown = cv2.resize(picture(61), (right - left, bottom - top)).astype(np.float32)
    grey[top:bottom, left:right] = 60 + 0.65 * shown
    noisy = cv2.GaussianBlur(grey, (0, 0), 0.8) + rng.normal(0, 2, grey.shape)
    return Photo.from_pixels(np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, axis=2))


def off_by(found: Quad, wanted: Quad) -> float:
    """Mm between the corners that lie farthest from each other."""
    ways = (np.roll(found, way, axis=0) for way in range(4))
    return float(min(np.abs(one - wanted).max() for one in ways)) / PX_PER_MM


@pytest.mark.parametrize("pale", [PRINT, rectangle(2.5, 2.5, 34.0, 52.0), rectangle(1.6, 1.6, 27.0, 61.9)])
def test_a_card_ends_with_its_dark_mount_and_not_with_the_print_on_it(pale: Quad) -> None:
    """Of 49 cards on dark mounts, drawn by another hand, 41 were outlined along their print."""
    (found,) = detect(photo((CARD, 40), pale=pale))
    assert off_by(found.corners, CARD) < 0.4


def test_a_holder_around_a_card_is_none_of_it() -> None:
    (found,) = detect(photo((rectangle(-5, -5, 41.5, 68.5), 45), (CARD, 225)))
    assert off_by(found.corners, CARD) < 0.4


def moved(*found: Quad, clear: tuple[Quad, ...]) -> list[int]:
    """Which of the clear rectangles is taken for each outline; -1 where the outline stays."""
    seen, settings = reduce(photo((CARD, 40))), MountSettings()
    scale = np.array(seen.scale, np.float32)
    small, around = (np.asarray(np.array(quads).reshape(-1, 4, 2) * scale, np.float32) for quads in (found, clear))
    told = on_their_mounts(seen, small, around, SHAPE, settings)
    taken = [next((n for n, one in enumerate(around) if np.allclose(one, quad)), -1) for quad in told]
    missing = misses_shape(seen, small, SHAPE, settings)
    assert all(missing[place] for place, number in enumerate(taken) if number >= 0)  # so it is asked for
    return taken


def test_only_what_is_nearer_to_a_cards_shape_and_not_too_large_is_a_mount() -> None:
    assert moved(PRINT, clear=(CARD,)) == [0]
    assert moved(CARD, clear=(rectangle(-5, -5, 41.5, 68.5),)) == [-1]  # a holder
    assert moved(PRINT, clear=(rectangle(-20, -35, 56.5, 98.5),)) == [-1]  # a sheet of paper of a card's shape
    assert moved(PRINT, clear=(rectangle(-16, 0, 20.5, 63.5),)) == [-1]  # beside it
    assert moved(PRINT, clear=()) == [-1]
    wider = rectangle(-1.0, 0, 37.5, 63.5)
    assert moved(PRINT, clear=(wider, CARD)) == [1]


def test_what_lies_around_two_cards_is_a_page() -> None:
    small = [rectangle(2, 2 + 30 * n, 34, 30 + 30 * n) for n in range(2)]
    assert moved(*small, clear=(CARD,)) == [-1, -1]
