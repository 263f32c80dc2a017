"""What the network takes for cards; scenes drawn by the tests, another drawing than the one it has learnt from."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.finder import CELL, LONG_SIDE, Response, finder_quads, response_quads, witness
from matcher.core.detect.geometry import clockwise_portrait
from matcher.core.detect.quad_search import overlap
from matcher.core.detect.reduced_image import reduce
from matcher.core.photo import Photo
from matcher.lab.synthesis import Age, Caption, Crop, make_copy
from tests.core.detect.test_detection import draw_print, draw_table, lay, shoot, turned
from tests.support.faces import picture

CORNERS = turned((450, 620), 640, 9)


def held(corners: NDArray[np.float32], room: float) -> Photo:
    """A card in stiff clear plastic: a bright rim, by this share larger than the card, a film over all."""
    scene = lay(draw_table("oak", 900, 1200), draw_print(), corners)
    middle = corners.mean(axis=0)
    rim = middle + (corners - middle) * (1 + room)
    veil = np.zeros(scene.shape[:2], np.uint8)
    cv2.fillConvexPoly(veil, np.rint(rim).astype(np.int32), 20)
    cv2.polylines(veil, [np.rint(rim).astype(np.int32)], True, 190, 7, cv2.LINE_AA)
    share = veil[..., None].astype(np.float32) / 255
    return shoot(scene * (1 - share) + 250 * share)


@pytest.mark.parametrize("table", ["slate", "oak", "page"])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_inside_of_a_card_is_told_from_the_table_and_proposed(table: str, seed: int) -> None:
    """A print of some picture; on the figures that other tests draw it sees no photograph, and so no card."""
    age = Age(residual_contrast=0.7, foxing=8, stains=1)
    card = make_copy(
        picture(seed, 533, 330), Crop(0.5, 0.4, 1.1), Caption("A. Sample", "TOWN", "Works"), age, seed=seed
    )
    reduced = reduce(shoot(lay(draw_table(table, 900, 1200), card.pixels.astype(np.float32), CORNERS)))
    quad = CORNERS * np.array(reduced.scale)
    seen = reduced.response
    mask = np.zeros(seen.inside.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(quad * np.array(seen.scale) - 0.5).astype(np.int32), 1)
    assert reduced.sees_card
    assert seen.inside[cv2.erode(mask, np.ones((3, 3), np.uint8)) > 0].mean() > 0.8
    assert seen.inside[cv2.dilate(mask, np.ones((5, 5), np.uint8)) == 0].mean() < 0.1
    assert max(overlap(one, quad) for one in clockwise_portrait(finder_quads(seen))) > 0.85


@pytest.mark.parametrize("table", ["slate", "oak", "page", "lid"])
def test_no_card_is_seen_on_an_empty_table(table: str) -> None:
    assert not reduce(shoot(draw_table(table, 900, 1200))).sees_card


def test_a_card_in_stiff_plastic_is_outlined_and_not_its_holder() -> None:
    corners = turned((450, 620), 520, -6)
    (found,) = (one for one in detect(held(corners, 0.2)) if not one.odd)
    assert overlap(found.corners, corners) > 0.93


def test_the_witness_tells_a_card_from_a_holder_and_from_its_half() -> None:
    """Of three quads in one place the card's own has all inside within it, none around it, borders along its sides."""
    card = turned((200, 260), 240, 0)
    larger, half = turned((200, 260), 300, 0), card.copy()
    half[2:, 1] = card[:2, 1] + 120
    inside, border = (np.zeros((LONG_SIDE // CELL, LONG_SIDE // CELL), np.float32) for _ in range(2))
    cv2.fillConvexPoly(inside, np.rint(card / CELL - 0.5).astype(np.int32), 1.0)
    cv2.polylines(border, [np.rint(card / CELL - 0.5).astype(np.int32)], True, 1.0, 1)
    seen = Response(inside, border, (1 / CELL, 1 / CELL))
    own, holder, part = witness(seen, np.stack([card, larger, half]), 63.5)
    mean, faintest, weakest_border, around = 0, 1, 2, 10
    assert own[mean] > holder[mean]
    assert own[faintest] > holder[faintest]
    assert own[weakest_border] > max(holder[weakest_border], part[weakest_border])
    assert own[around] < part[around]
    assert np.isfinite(np.stack([own, holder, part])).all()


def test_nothing_is_proposed_where_nothing_is_seen() -> None:
    nothing = np.full((40, 30), 0.01, np.float32)
    assert response_quads(nothing, nothing).shape == (0, 4, 2)


def test_a_quad_beyond_the_picture_has_no_inside_there() -> None:
    full = np.ones((50, 50), np.float32)
    seen = Response(full, full, (0.25, 0.25))
    within, half_out = witness(seen, np.stack([turned((100, 100), 120, 0), turned((100, 200), 120, 0)]), 63.5)
    assert within[1] > half_out[1]
