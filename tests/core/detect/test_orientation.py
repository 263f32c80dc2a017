"""Which way up, and front or back: cards printed from pictures that a package carries, at any turn, without a match."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import data

from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.detection import detect
from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE, orientation, prepared
from matcher.core.photo import Photo
from matcher.core.settings import Settings
from matcher.core.unreadable import back_of_card
from matcher.lab.synthesis import Age, Caption, Card, Crop, Scene, make_copy, photograph
from matcher.lab.synthesis.backs import card_back
from matcher.lab.synthesis.lettering import Style

WORDS = Caption("Oscar Dunnelby", "Gannock Bar R. C.", "Fernhollow Cocoa Works")


def portrait() -> NDArray[np.uint8]:
    """A person, upright: scikit-image's `astronaut` (NASA, public domain)."""
    grey = cv2.cvtColor(data.astronaut(), cv2.COLOR_RGB2GRAY)[:, 70:377]
    return np.asarray(cv2.resize(grey, (600, 1000), interpolation=cv2.INTER_CUBIC), np.uint8)


def card(contrast: float = 0.6, words: Caption = WORDS) -> Card:
    return make_copy(portrait(), Crop(), words, Age(residual_contrast=contrast), seed=3, px_per_mm=9.0)


def found(shown: Card, rotation: float) -> tuple[Photo, CardQuad, NDArray[np.float64]]:
    scene = Scene(surface="dark", width=900, height=1200, share=0.7, rotation=rotation, noise=2.0)
    shot = photograph(shown, scene, np.random.default_rng(5))
    photo = Photo.from_pixels(shot.pixels)
    outlines = list(detect(photo))
    assert len(outlines) == 1
    return photo, outlines[0], shot.corners


@pytest.mark.parametrize("rotation", [0, 90, 180, 270, 160])
@pytest.mark.parametrize("contrast", [0.8, 0.3])
def test_corners_start_at_the_cards_own_upper_left(rotation: float, contrast: float) -> None:
    _, outline, corners = found(card(contrast), rotation)
    assert np.abs(outline.corners - corners).max() < 12  # 1 mm; the other way up would be 500 off
    assert outline.upright > 0.8
    assert outline.turned == round(rotation / 90) % 4 * 90
    assert (outline.back or 0) < 0.2


@pytest.mark.parametrize("kind", ["bare", "printed", "written"])
def test_a_back_is_known_as_one_and_said_to_be(kind: str) -> None:
    back = card_back(card(), np.random.default_rng(2), kind=kind)
    _, outline, _ = found(back, 4)
    assert outline.back is not None
    assert outline.back > 0.9
    assert "back" in back_of_card(outline, (), Settings())


def test_a_half_turn_turns_the_answer_over_and_nothing_else() -> None:
    photo, outline, _ = found(card(), 0)
    one = orientation(photo, outline.corners)
    other = orientation(photo, np.roll(outline.corners, 2, axis=0))
    assert one.odds == pytest.approx(-other.odds, abs=0.5)  # not exactly: the card is sampled anew
    assert one.back == pytest.approx(other.back, abs=0.02)


def test_a_bare_board_is_not_stretched_to_a_pictures_range() -> None:
    board = np.full(SHAPE, 200, np.uint8)
    board[::7] = 203
    shown = prepared(board)
    assert shown.whole.shape == (2, *WHOLE)
    assert shown.head.shape == shown.foot.shape == (2, STRIP, SHAPE[1])
    assert all(np.ptp(part[0]) < 0.2 for part in (shown.whole, shown.head, shown.foot))


def test_upside_down_head_and_foot_change_places() -> None:
    grey = np.random.default_rng(4).integers(0, 255, SHAPE, np.uint8)
    shown, turned = prepared(grey), prepared(np.ascontiguousarray(grey[::-1, ::-1]))
    for name in ("whole", "head", "foot"):
        apart = np.abs(getattr(turned, name) - getattr(shown.turned(), name))
        assert apart.mean() < 0.03  # not nothing: the range is taken on every second pixel


@pytest.mark.parametrize("style", ["below", "top", "plate"])
def test_words_alone_tell_which_way_up(style: Style) -> None:
    """A picture that looks the same upside down, so that nothing but the letters can tell."""
    half = portrait()[:500]
    mirrored = np.vstack([half, half[::-1, ::-1]])
    shown = make_copy(mirrored, Crop(), replace(WORDS, style=style), Age(0.7), seed=3, px_per_mm=9.0)
    height, width = shown.pixels.shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    assert orientation(Photo.from_pixels(shown.pixels), corners).odds > 1.0
