"""One card alone on an even lid: no side of its outline is the print's instead of the card's."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.lone_card import lone_piece, whole_card
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.settings import LoneSettings
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

SHAPES = np.array([FaceSize().aspect])
CARD = np.array([[100, 120], [100 + 365, 120], [100 + 365, 120 + 635], [100, 120 + 635]], np.float32)
"""Of 36.5 x 63.5 mm at 10 pixels a mm."""


def scanned(lid: int, mount: tuple[int, int, int], quad: NDArray[np.float32] = CARD, things: int = 0) -> Photo:
    """A dark print on a mount of 1.2 mm on a lid, with grain; things: others that lie beside it."""
    rng = np.random.default_rng(5)
    pixels = np.full((860, 560, 3), lid, np.float32)
    cv2.fillConvexPoly(pixels, quad.round().astype(np.int32), mount)
    left, top, right, bottom = *quad[0], *quad[2]
    print_rows, print_columns = slice(int(top) + 12, int(bottom) - 12), slice(int(left) + 12, int(right) - 12)
    tones = cv2.GaussianBlur(rng.normal(0, 1, (860, 560)).astype(np.float32), (0, 0), 12) * 500 + 80
    pixels[print_rows, print_columns] = np.clip(tones, 30, 150)[print_rows, print_columns, None]
    for thing in range(things):
        pixels[20 + 60 * thing : 60 + 60 * thing, 490:540] = 90
    return Photo.from_pixels(np.clip(pixels + rng.normal(0, 1.5, pixels.shape), 0, 255).astype(np.uint8))


def moved(quad: NDArray[np.float32], **by: float) -> NDArray[np.float32]:
    """A level quad with sides moved inwards."""
    inward = {"left": (0, [0, 3], 1), "top": (1, [0, 1], 1), "right": (0, [1, 2], -1), "bottom": (1, [2, 3], -1)}
    out = quad.copy()
    for side, far in by.items():
        axis, corners, way = inward[side]
        out[corners, axis] += way * far
    return out


@pytest.mark.parametrize(("lid", "mount"), [(226, (232, 226, 212)), (190, (207, 195, 193)), (236, (216, 218, 208))])
def test_a_pale_mount_on_a_pale_lid_belongs_to_the_card(lid: int, mount: tuple[int, int, int]) -> None:
    photo = scanned(lid, mount)
    piece = lone_piece(reduce(photo))
    assert piece is not None
    assert np.abs(piece / np.array(reduce(photo).scale) - CARD).max() < 3
    (card,) = detect(photo)
    assert np.abs(card.corners - CARD).max() < 4, "no side is the print's"


@pytest.mark.parametrize("cut", [{"right": 12.0}, {"left": 13.0}, {"top": 60.0, "left": 12, "right": 12, "bottom": 12}])
def test_sides_that_are_the_prints_become_the_cards(cut: dict[str, float]) -> None:
    assert np.abs(whole_card(moved(CARD, **cut), CARD, SHAPES, LoneSettings()) - CARD).max() < 0.1


def test_an_outline_that_begins_at_another_corner_is_mended_as_well() -> None:
    found = np.roll(moved(CARD, top=250, left=12, right=12), 1, axis=0)
    assert np.abs(whole_card(found, CARD, SHAPES, LoneSettings()) - CARD).max() < 0.1


def test_what_has_a_cards_shape_stays_and_a_shadow_is_none_of_it() -> None:
    shadowed = moved(CARD, right=-10, bottom=-10)
    assert np.abs(whole_card(CARD, shadowed, SHAPES, LoneSettings()) - CARD).max() == 0
    found = moved(CARD, left=12)  # of its four sides the piece gives one
    assert np.abs(whole_card(found, shadowed, SHAPES, LoneSettings()) - CARD).max() < 0.1


def test_a_card_that_scissors_made_narrower_stays_as_it_is() -> None:
    trimmed = moved(CARD, right=14)
    assert (whole_card(trimmed, trimmed + 0.4, SHAPES, LoneSettings()) == trimmed).all()


def test_what_lies_outside_of_the_piece_is_none_of_its_business() -> None:
    elsewhere = CARD + np.float32(200)
    assert (whole_card(elsewhere, CARD, SHAPES, LoneSettings()) == elsewhere).all()


def test_a_lid_with_more_on_it_or_none_at_all_tells_nothing() -> None:
    assert lone_piece(reduce(scanned(226, (232, 226, 212), things=3))) is None
    full = CARD * np.float32([560 / 365, 860 / 635]) - np.float32([153.4, 162.5])
    assert lone_piece(reduce(scanned(226, (232, 226, 212), full))) is None
    busy = np.random.default_rng(1).integers(0, 255, (860, 560, 3)).astype(np.uint8)
    assert lone_piece(reduce(Photo.from_pixels(busy))) is None
