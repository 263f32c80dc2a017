"""What has another colour than its print is found, whatever the print shows and however it is lit; and nothing else.

Prints are drawn by the law of Beer and Lambert (absorbances add, channel by channel), as toned silver has them.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment
from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.foreign_colour import foreign_colour
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered, Side
from matcher.core.settings import FaceSize
from tests.support.faces import picture

PAPER, SEPIA = np.array([236.0, 222.0, 190.0]), np.array([0.75, 1.0, 1.35])
LABEL = np.array([225.0, 228.0, 236.0])
LAID_OVER = Alignment(np.eye(3), 50, 0.9, 0.1, 1.0, "orb")
SPOT = np.s_[300:340, 150:210]

Print = NDArray[np.float64]


def sepia(seed: int = 3, paper: Print = PAPER, tint: Print = SEPIA) -> Print:
    """(height, width, 3): a card all picture."""
    size = FaceSize()
    negative = cv2.resize(picture(seed), (size.width, size.height), interpolation=cv2.INTER_AREA)
    density = 1.6 * (1 - negative.astype(np.float64) / 255)
    return np.asarray(paper * np.exp(-density[..., None] * tint), np.float64)


def seen(card: Print, seed: int = 0) -> NDArray[np.uint8]:
    """With a camera's noise."""
    noise = np.random.default_rng(seed).normal(0, 2, card.shape)
    return np.clip(np.rint(card + noise), 0, 255).astype(np.uint8)


def found(pixels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    return foreign_colour(pixels, np.ones(pixels.shape[:2], np.bool_))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_print_of_one_colour_has_nothing_foreign(seed: int) -> None:
    assert found(seen(sepia(seed))).mean() < 0.001


@pytest.mark.parametrize(
    ("colour", "what"),
    [(LABEL, "a label"), (np.array([70.0, 60.0, 110.0]), "ink"), (np.array([196.0, 180.0, 160.0]), "bare board")],
)
def test_what_lies_upon_it_is_found(colour: Print, what: str) -> None:
    card = sepia()
    card[SPOT] = colour
    mask = found(seen(card))
    assert mask[SPOT].mean() > 0.85, what
    mask[290:350, 140:220] = False
    assert mask.mean() < 0.001


def test_lamp_and_window_are_no_other_colour() -> None:
    card = sepia()
    across = np.linspace(-1, 1, card.shape[1])[None, :, None]
    lit = card * (1 + 0.12 * across * np.array([1.0, 0.0, -1.0]))
    assert found(seen(lit)).mean() < 0.001
    lit[SPOT] = LABEL
    assert found(seen(lit))[SPOT].mean() > 0.85


def test_what_has_the_colour_of_the_print_is_left_to_others() -> None:
    card = sepia()
    card[SPOT] = PAPER * np.exp(-0.5 * SEPIA)
    assert found(seen(card)).mean() < 0.001


def test_burnt_light_and_grey_pictures_tell_no_colour() -> None:
    bright = sepia() * 1.5
    assert found(seen(bright))[seen(bright).max(axis=2) >= 250].mean() == 0
    grey = np.repeat(sepia().mean(axis=2, keepdims=True), 3, axis=2)
    grey[SPOT] = 240
    assert not found(np.clip(np.rint(grey), 0, 255).astype(np.uint8)).any()


def test_a_card_that_was_coloured_by_hand_has_no_one_colour() -> None:
    card = sepia()
    rows, columns = np.mgrid[0 : card.shape[0], 0 : card.shape[1]] // 48
    card[(rows + columns) % 2 == 0] *= np.array([1.25, 0.95, 0.8])
    assert not found(seen(card)).any()


def test_too_little_picture_tells_nothing() -> None:
    card = sepia()
    card[SPOT] = LABEL
    little = np.zeros(card.shape[:2], np.bool_)
    little[SPOT] = True
    assert not foreign_colour(seen(card), little).any()


def test_a_face_knows_it_within_its_picture_alone() -> None:
    card = sepia()
    card[SPOT] = LABEL
    side = Side(Face.from_pixels(seen(card)))
    assert side.foreign[SPOT].mean() > 0.85
    assert not side.foreign[~side.picture].any()


def test_it_says_nothing_of_the_pose_and_is_told_as_damage() -> None:
    """A patch in tones of the print itself, but of another colour, over half a head."""
    card = sepia()
    known, query = seen(card, 1), card.copy()
    query[180:240, 150:215] = np.array([150.0, 160.0, 175.0])
    pair = Registered.of(Face.from_pixels(seen(query, 2)), Face.from_pixels(known), LAID_OVER)
    found = judge_pose(pair, Calibration.load())
    assert found is not None
    assert found.probability > 0.9
    assert found.compared is not None
    assert found.compared.movement.moved.max() < 0.5
    largest = max(found.damage, key=lambda one: one.area_mm2)
    assert (largest.on, largest.area_mm2 > 20) == ("query", True)
    assert np.isnan(found.map[95:115, 80:102]).all()
