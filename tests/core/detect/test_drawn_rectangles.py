"""What has a card's outline and is none: a rectangle that is only drawn, a telephone's picture of a bare table."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.drawn_rectangles import only_drawn
from matcher.core.detect.reduced_image import reduce
from matcher.core.photo import Photo

QUAD = np.array([[200, 100], [545, 100], [545, 700], [200, 700]], np.float32)


def table() -> NDArray[np.uint8]:
    noise = np.random.default_rng(2).normal(0, 2, (800, 750, 3))
    return np.asarray(np.clip(np.array([120, 60, 40]) + noise, 0, 255), np.uint8)


def drawn(scene: NDArray[np.uint8]) -> bool:
    return bool(only_drawn(reduce(Photo.from_pixels(scene)), QUAD[None], 63.5)[0])


def test_a_stroke_around_nothing_is_only_drawn() -> None:
    scene = table()
    cv2.rectangle(scene, (208, 108), (537, 692), (240, 235, 220), 16)
    assert drawn(scene)


def test_a_mount_around_a_print_of_the_tables_own_colour_is_not() -> None:
    scene = table()
    cv2.rectangle(scene, (200, 100), (544, 699), (240, 235, 220), -1)
    cv2.rectangle(scene, (209, 109), (535, 690), (120, 60, 40), -1)
    cv2.ellipse(scene, (372, 430), (70, 200), 0, 0, 360, (150, 90, 70), -1, cv2.LINE_AA)
    assert not drawn(scene)


def test_a_telephones_picture_of_a_bare_table_is_no_card() -> None:
    rng = np.random.default_rng(3)
    slow = cv2.resize(rng.normal(0, 9, (12, 7)).astype(np.float32), (900, 1600), interpolation=cv2.INTER_CUBIC)
    bare = np.array([206, 200, 188]) + slow[..., None] + rng.normal(0, 2, (1600, 900, 3))
    found = detect(Photo.from_pixels(np.clip(bare, 0, 255).astype(np.uint8)))
    assert not found
    assert found.reason.startswith("no card found")
