"""What the network takes for cards; scenes drawn by the tests, another drawing than the one it has learnt from."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.drawn_rectangles import chalked, only_drawn
from matcher.core.detect.finder import CELL, LONG_SIDE, Response, finder_quads, response_quads, witness
from matcher.core.detect.geometry import clockwise_portrait
from matcher.core.detect.no_card import no_card, part_of_a_card, through_a_card
from matcher.core.detect.quad_search import overlap
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.settings import DetectSettings
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


def dark_print(seed: int, table: NDArray[np.float32]) -> NDArray[np.float32]:
    """A pale mount, 2 mm of it around a picture nearly as dark and as even as the table."""
    card = np.full((635, 365, 3), (215, 205, 170), np.float32)
    tone = picture(seed, 535, 325).astype(np.float32) - 120
    card[20:555, 20:345] = table + 4 + 0.06 * tone[..., None]
    rng = np.random.default_rng(seed)
    for _ in range(50):
        place = (int(rng.integers(32, 333)), int(rng.integers(32, 543)))
        cv2.circle(card, place, int(rng.integers(2, 6)), (110, 100, 90), -1, cv2.LINE_AA)
    letters = np.zeros(card.shape[:2], np.uint8)
    cv2.putText(letters, "A. N. Other", (90, 600), cv2.FONT_HERSHEY_COMPLEX, 0.9, 255, 2, cv2.LINE_AA)
    return np.asarray(card - 150 * (letters[..., None] / 255), np.float32)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_pale_mount_round_a_dark_print_on_a_dark_table_is_not_only_drawn(seed: int) -> None:
    """By its colours it is a chalked rectangle; the network sees that it is a card."""
    dark, corners = np.array([62, 44, 38], np.float32), turned((450, 620), 760, 6)
    grain = np.random.default_rng(seed).normal(0, 6, (400, 9)).astype(np.float32)
    table = dark + cv2.resize(grain, (900, 1200), interpolation=cv2.INTER_CUBIC)[..., None]
    photo = shoot(lay(table, dark_print(seed, dark), corners))
    reduced = reduce(photo)
    quad = np.asarray(corners * np.array(reduced.scale), np.float32)[None]
    assert only_drawn(reduced, quad, 63.5).all()
    assert chalked(reduced, quad, 63.5).all()
    assert not no_card(reduced, quad, np.array([0.99], np.float32), np.array([36.5 / 63.5]), DetectSettings()).any()
    assert [overlap(one.corners, corners) > 0.97 for one in detect(photo)] == [True]


def test_a_chalked_rectangle_is_no_card_where_a_card_lies_beside_it() -> None:
    field, corners = np.array([62, 84, 50], np.float32), turned((300, 500), 760, 3)
    age, words = Age(residual_contrast=0.7, foxing=8, stains=1), Caption("A. Sample", "TOWN", "Works")
    card = make_copy(picture(1, 533, 330), Crop(0.5, 0.4, 1.1), words, age, seed=1).pixels
    grain = np.random.default_rng(4).normal(0, 6, (400, 9)).astype(np.float32)
    scene = field + cv2.resize(grain, (1300, 1200), interpolation=cv2.INTER_CUBIC)[..., None]
    cv2.polylines(scene, [np.rint(turned((900, 600), 660, 4)).astype(np.int32)], True, (235, 235, 240), 12, cv2.LINE_AA)
    photo = shoot(lay(scene, card.astype(np.float32), corners))
    assert reduce(photo).sees_card
    assert [overlap(one.corners, corners) > 0.97 for one in detect(photo)] == [True]


def test_what_ends_at_a_crease_loses_to_the_whole_card_around_it() -> None:
    """The network sees a little of a border along a crease; without a whole card around it that would do for a side."""
    card = turned((200, 260), 240, 0)
    part, beside = card.copy(), turned((380, 260), 240, 0)
    part[2:, 1] = card[0, 1] + 160
    inside, border = (np.zeros((LONG_SIDE // CELL, LONG_SIDE // CELL), np.float32) for _ in range(2))
    middle, crease = np.rint(card / CELL - 0.5).astype(np.int32), np.rint(part[2:] / CELL - 0.5).astype(np.int32)
    cv2.fillConvexPoly(inside, middle, 1.0)
    cv2.line(border, crease[0].tolist(), crease[1].tolist(), 0.1, 1)
    cv2.polylines(border, [middle], True, 1.0, 1)
    response = Response(inside, border, (1 / CELL, 1 / CELL))
    assert through_a_card(*_judged(response, [card, part, beside])).tolist() == [False, True, False]
    assert through_a_card(*_judged(response, [part, beside])).tolist() == [False, False]


def test_a_door_on_a_card_that_fills_its_picture_is_part_of_it() -> None:
    """A picture cut to its card: within it a door, or a garment's front, has straight edges all around, as a card on a
    lid has."""
    words = Caption("A. Sample", "TOWN", "Works")
    filled = make_copy(picture(1, 533, 330), Crop(0.5, 0.5, 1.0), words, Age(residual_contrast=0.7), seed=1).pixels
    lid = np.full((1200, 900, 3), 238, np.float32)
    on_lid = shoot(lay(lid, filled.astype(np.float32), turned((450, 600), 620, 2)))
    told = []
    for photo, quad in ((Photo.from_pixels(filled), turned((215, 350), 330, 2)), (on_lid, turned((450, 600), 620, 2))):
        reduced = reduce(photo)
        assert reduced.sees_card
        told.append(part_of_a_card(reduced, np.asarray(quad * np.array(reduced.scale), np.float32)))
    assert told == [True, False]


def _judged(response: Response, quads: list[NDArray[np.float32]]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    return np.stack(quads), witness(response, np.stack(quads), 63.5)


@pytest.mark.parametrize("beyond", [0.08, 0.1, 0.13, 0.2])
def test_a_card_that_the_picture_cuts_off_beside_a_whole_one_is_not_squeezed_into_it(beyond: float) -> None:
    """beyond: share of its width that lies outside of the picture, on the left. Alone such a card is told: see
    `test_what_is_no_card`."""
    age, wide = Age(residual_contrast=0.7, foxing=8, stains=1), 760 * 36.5 / 63.5
    words = Caption("A. Sample", "TOWN", "Works")
    cut, whole = (make_copy(picture(seed, 533, 330), Crop(0.5, 0.4, 1.1), words, age, seed=seed) for seed in (1, 2))
    corners, table = turned((820, 600), 760, 1), draw_table("slate", 1400, 1200)
    scene = lay(table, cut.pixels.astype(np.float32), turned((wide * (0.5 - beyond), 600), 760, 0))
    scene = lay(scene, whole.pixels.astype(np.float32), corners)
    assert [overlap(one.corners, corners) > 0.97 for one in detect(shoot(scene))] == [True]
