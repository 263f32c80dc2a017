"""Stage `flatten`: a quadrilateral becomes a rectangle at a fixed scale, true to the millimetre."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from matcher.core.condition import condition
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.flatten import Face, flatten
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize

SIZE = FaceSize()


def photographed(size: FaceSize, corners: np.ndarray, marks: np.ndarray) -> Photo:
    """A card of `size` seen with its corners at `corners`, with dark dots at `marks` (n, 2) mm from its top left."""
    scale = 20.0
    card = np.full((round(size.height_mm * scale), round(size.width_mm * scale), 3), 200, np.uint8)
    for x, y in marks:
        cv2.circle(
            card, (round(x * scale * 16), round(y * scale * 16)), round(0.8 * scale * 16), (20, 20, 20), -1, 16, 4
        )
    height, width = card.shape[:2]
    own = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    transform = cv2.getPerspectiveTransform(own - 0.5, corners.astype(np.float32) - 0.5)
    return Photo.from_pixels(cv2.warpPerspective(card, transform, (1500, 1600), flags=cv2.INTER_AREA))


def dots(face: Face) -> np.ndarray:
    """Centres of dark dots, mm, in reading order."""
    _, _, _, centres = cv2.connectedComponentsWithStats((face.grey < 110).astype(np.uint8))
    found = (centres[1:] + 0.5) / face.size.px_per_mm
    return found[np.lexsort((found[:, 0], found[:, 1].round(0)))]


@pytest.mark.parametrize(
    ("size", "corners"),
    [
        (SIZE, [[200, 100], [900, 100], [900, 1318], [200, 1318]]),      # straight on
        (SIZE, [[300, 150], [1000, 220], [960, 1400], [180, 1330]]),     # tilted
        # ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, here upright
        (FaceSize(53.98, 85.60, 540, 856), [[250, 120], [1010, 160], [1040, 1330], [210, 1350]]),
    ],
)  # fmt: skip
def test_distances_on_the_face_are_true_to_a_tenth_of_a_millimetre(size: FaceSize, corners: list[list[int]]) -> None:
    marks = np.array([[8.0, 8.0], [28.0, 8.0], [18.0, 30.0], [8.0, 48.0], [28.0, 48.0]])
    quad = np.array(corners, np.float32)
    face = flatten(photographed(size, quad, marks), CardQuad(quad, 1.0), size)
    assert dots(face) == pytest.approx(marks, abs=0.1)


def test_heckberts_square_to_quadrilateral_is_what_the_warp_uses() -> None:
    # Heckbert 1989, Fundamentals of Texture Mapping, 2.2.3: the unit square onto a quadrilateral in closed form.
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = quad = [(1.0, 1.0), (5.0, 2.0), (4.5, 6.0), (0.5, 5.0)]
    dx1, dx2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    dy1, dy2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    whole = dx1 * dy2 - dx2 * dy1
    g, h = (sx * dy2 - dx2 * sy) / whole, (dx1 * sy - sx * dy1) / whole
    expected = [[x1 - x0 + g * x1, x3 - x0 + h * x3, x0], [y1 - y0 + g * y1, y3 - y0 + h * y3, y0], [g, h, 1.0]]
    square = np.float32([[0, 0], [1, 0], [1, 1], [0, 1]])
    assert cv2.getPerspectiveTransform(square, np.float32(quad)) == pytest.approx(np.array(expected), abs=1e-6)


def test_glare_is_not_trusted_and_cream_paper_is() -> None:
    pixels = np.full((SIZE.height, SIZE.width, 3), (240, 228, 200), np.uint8)
    pixels[100:160, 100:180] = 255
    face = Face.from_pixels(pixels)
    assert not face.trusted[130, 140]
    assert face.trusted[400, 200]
    assert condition(face).glare == pytest.approx(60 * 80 / pixels[..., 0].size, rel=0.5)


def test_what_lies_outside_the_photo_is_not_trusted() -> None:
    photo = Photo.from_pixels(np.full((1000, 700, 3), 150, np.uint8))
    corners = np.array([[100, 100], [600, 100], [600, 1200], [100, 1200]], np.float32)
    face = flatten(photo, CardQuad(corners, 1.0))
    assert face.trusted[100].all()
    assert not face.trusted[-40:].any()


def test_a_half_turn_twice_is_the_same_face() -> None:
    rng = np.random.default_rng(0)
    face = Face.from_pixels(rng.integers(0, 255, (SIZE.height, SIZE.width, 3), dtype=np.uint8))
    again = face.half_turn().half_turn()
    assert np.array_equal(again.pixels, face.pixels)
    assert (face.half_turn().turned, again.turned) == (180, 0)


def test_size_in_mm_comes_from_the_scan_resolution() -> None:
    dots_per_mm = 300 / 25.4
    width, height = 36.5 * dots_per_mm, 63.5 * dots_per_mm
    corners = np.array([[20, 20], [20 + width, 20], [20 + width, 20 + height], [20, 20 + height]], np.float32)
    photo = Photo.from_pixels(np.full((820, 500, 3), 150, np.uint8), dpi=300.0)
    outline = CardQuad(corners, 1.0)
    assert condition(flatten(photo, outline), photo, outline).size_mm == pytest.approx((36.5, 63.5), abs=0.02)
    unknown = Photo.from_pixels(photo.pixels)
    assert condition(flatten(unknown, outline), unknown, outline).size_mm is None


def test_residual_contrast_follows_the_fading() -> None:
    from tests.support.faces import face_of, picture

    negative = picture(3)
    measured = [condition(face_of(negative, contrast=c)).residual_contrast for c in (1.0, 0.5, 0.25, 0.1)]
    assert measured == sorted(measured, reverse=True)
    assert measured[1] / measured[0] == pytest.approx(0.5, abs=0.08)


@pytest.mark.parametrize("size", [(1601, 1203), (1600, 1200)])
def test_a_face_is_the_same_whether_or_not_the_photo_was_halved_for_others(size: tuple[int, int]) -> None:
    pixels = np.random.default_rng(2).integers(0, 256, (*size, 3)).astype(np.uint8)
    photo = Photo.from_pixels(pixels)
    corners = np.array([[101.3, 77.1], [1010.2, 90.5], [1003.7, 1570.4], [95.2, 1561.8]], np.float32)
    own, _ = warp_quad(pixels, corners, (220, 384))
    shared, _ = warp_quad(pixels, corners, (220, 384), lambda: photo.half)
    assert np.array_equal(own, shared)
    assert photo.half.shape == (size[0] // 2, size[1] // 2, 3)
