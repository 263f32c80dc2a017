"""What has a card's outline and is none, and cards that look like no old print; scenes drawn by code."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.catalogue.records.prepare import prepare_photo
from matcher.core.detect.detection import detect
from matcher.core.detect.geometry import inside
from matcher.core.detect.given_outline import given_quads
from matcher.core.detect.quad_search import overlap
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo
from matcher.core.settings import Settings
from tests.core.detect.test_detection import draw_print, draw_table, lay, shoot, turned
from tests.core.detect.test_formats_found import ALL
from tests.core.ocr.test_reading import needs_reader

Scene = NDArray[np.float32]


def checked(size: int = 60, rows: int = 1200, columns: int = 900, degrees: float = 0.0) -> Scene:
    """A checked cloth, blue and white."""
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    cosine, sine = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    across, along = (x * cosine + y * sine) // size % 2, (y * cosine - x * sine) // size % 2
    return np.asarray(200 - 60 * (across + along)[..., None] * np.array([1.0, 0.85, 0.5]), np.float32)


def mottled(rows: int = 1200, columns: int = 900) -> Scene:
    coarse = np.random.default_rng(4).normal(0, 1, (12, 9)).astype(np.float32)
    grain = cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.array([205.0, 165.0, 135.0]) + 9 * grain[..., None], np.float32)


def tinted(card: Scene, tint: tuple[float, float, float]) -> Scene:
    """A card under light, or on board, of another colour than any old paper has."""
    return np.asarray(card * np.array(tint, np.float32), np.float32)


@pytest.mark.parametrize("degrees", [0, 20])
def test_a_checked_cloth_holds_no_card(degrees: float) -> None:
    assert not [one for one in detect(shoot(checked(degrees=degrees))) if not one.odd]


def test_a_plain_box_of_a_cards_shape_is_no_card() -> None:
    table = mottled()
    cv2.fillPoly(table, [np.rint(turned((450, 600), 700, 6)).astype(np.int32)], (70, 175, 60), cv2.LINE_AA)
    assert not [one for one in detect(shoot(table)) if not one.odd]


@pytest.mark.parametrize("tint", [(0.72, 1.0, 0.62), (1.0, 0.62, 0.9)])
def test_a_card_of_a_colour_that_no_old_paper_has_is_found_by_its_edges(tint: tuple[float, float, float]) -> None:
    corners = turned((450, 600), 800, 5)
    (found,) = detect(shoot(lay(checked(), tinted(draw_print(), tint), corners)))
    assert overlap(found.corners, corners) > 0.95


def test_a_label_stuck_on_a_card_is_not_taken_for_it() -> None:
    corners = turned((450, 600), 900, 4)
    scene = lay(checked(90), draw_print(), corners)
    cv2.fillPoly(scene, [np.rint(turned((470, 560), 190, 92)).astype(np.int32)], (238, 236, 230), cv2.LINE_AA)
    outlines = list(detect(shoot(scene)))
    assert [overlap(one.corners, corners) > 0.95 for one in outlines] == [True]


def test_a_card_that_runs_along_the_pictures_border_is_whole() -> None:
    """Its foot, in the picture's last rows, is no worse an edge than the line above its caption."""
    corners = np.array([[150, 60], [750, 60], [750, 1104], [150, 1104]], np.float32)
    scene = lay(mottled(1105), draw_print(), corners)
    (found,) = detect(Photo.from_pixels(np.clip(scene, 0, 255).astype(np.uint8)))
    assert overlap(found.corners, corners) > 0.97


@pytest.mark.parametrize("known", [None, ALL])
def test_cards_that_cover_each_other_on_a_page_are_told_and_not_dropped(known: object) -> None:
    page = draw_table("lid", 1700, 1300)
    alone = [(220, 330), (620, 330), (1250, 330), (1300, 960)]
    covering = [(300, 960), (420, 990)]
    for place in alone + covering:
        page = lay(page, draw_print(), turned(place, 560, 1))
    outlines = list(detect(shoot(page), known))  # type: ignore[arg-type]
    found = [one for one in outlines if not one.odd]
    assert all(any(overlap(one.corners, turned(place, 560, 1)) > 0.9 for one in found) for place in alone)
    (heap,) = [one for one in outlines if one.odd]
    assert heap.heap
    assert all(inside(np.array(place, np.float64), heap.corners) for place in covering)


def test_a_ruler_beside_the_cards_of_a_page_is_nothing_that_is_told() -> None:
    page = draw_table("lid", 1700, 1300)
    for place in [(220, 330), (620, 330), (1250, 330)]:
        page = lay(page, draw_print(), turned(place, 560, 1))
    cv2.rectangle(page, (100, 1000), (1500, 1060), (200, 180, 60), -1)
    assert [one.odd for one in detect(shoot(page))] == [False] * 3


@pytest.mark.parametrize("beyond", [0.1, 0.3])
def test_a_card_that_goes_on_beyond_the_photo_is_outlined_beyond_it(beyond: float) -> None:
    corners = turned((450, 800 + 800 * beyond), 800, 3)
    (found,) = detect(shoot(lay(draw_table("oak", 900, 1200), draw_print(), corners)))
    assert overlap(found.corners, corners) > 0.95


def test_cards_that_touch_askew_on_a_scanned_page_are_each_found() -> None:
    """None lies alone: the resolution alone tells how large one is."""
    page = draw_table("lid", 1300, 900)
    wide, high = (round(mm * 150 / 25.4) for mm in (36.5, 63.5))
    places = [
        turned((160 + i * (wide + 12), 260 + 480 * row), high, (3.5, -3.0, 3.0)[i]) for row in (0, 1) for i in range(3)
    ]
    for place in places:
        page = lay(page, draw_print(), place)
    photo = Photo.from_pixels(shoot(page).pixels, dpi=150.0)
    found = [one for one in detect(photo) if not one.odd]
    assert [max(overlap(one.corners, place) for one in found) > 0.88 for place in places] == [True] * 6


def test_a_chalked_rectangle_of_a_cards_shape_is_no_card() -> None:
    """No shadow is lighter than the table."""
    table = mottled() * np.float32(0.5)
    for place, high in (((300, 400), 420), ((620, 820), 500)):
        cv2.polylines(table, [np.rint(turned(place, high, 4)).astype(np.int32)], True, (235, 235, 240), 12, cv2.LINE_AA)
    assert not [one for one in detect(shoot(table)) if not one.odd]


def test_a_plain_box_with_a_line_across_is_no_card() -> None:
    table = mottled()
    cv2.fillPoly(table, [np.rint(turned((450, 600), 640, 6)).astype(np.int32)], (60, 95, 170), cv2.LINE_AA)
    line = np.rint(turned((560, 420), 360, 12)).astype(np.int32)
    cv2.polylines(table, [line], True, (240, 240, 240), 10, cv2.LINE_AA)
    assert not [one for one in detect(shoot(table)) if not one.odd]


def test_a_card_on_a_viewers_white_page_is_not_the_page() -> None:
    corners = np.array([[96, 170], [686, 170], [686, 1196], [96, 1196]], np.float32)
    page = np.full((1342, 737, 3), 254, np.float32)
    page[:67] = 120
    (found,) = detect(shoot(lay(page, draw_print(paper=215, ink=60), corners)))
    assert overlap(found.corners, corners) > 0.95


def rings() -> Scene:
    """A board of a card's shape with rings on it, which look the same on their heads."""
    y, x = np.mgrid[0:635, 0:365].astype(np.float32)
    step = np.sign(np.sin(np.hypot(y - 317, x - 182) / 40 * np.pi))
    return np.asarray((150 + 60 * step)[..., None] * np.array([0.5, 0.7, 1.0]), np.float32)


def page_of_words() -> Scene:
    """A pale leaf of a card's shape full of words, without a picture."""
    page = np.full((635, 365, 3), 235, np.uint8)
    for number, y in enumerate(range(45, 620, 40)):
        words = ("the price of one penny", "Harle Wheelers Club", "J. Kelwick and others")[number % 3]
        cv2.putText(page, words, (22, y), cv2.FONT_HERSHEY_COMPLEX, 0.8, (60, 60, 60), 2, cv2.LINE_AA)
    return page.astype(np.float32)


@needs_reader
@pytest.mark.parametrize(("board", "card"), [(rings(), False), (page_of_words(), True)], ids=["rings", "words"])
def test_what_shows_no_picture_is_a_card_where_it_bears_words_and_else_offered_alone(board: Scene, card: bool) -> None:
    corners = turned((450, 600), 800, 5)
    photo = shoot(lay(draw_table("slate", 900, 1200), board, corners))
    (found,) = detect(photo)
    assert overlap(found.corners, corners) > 0.95
    assert (found.odd, found.bare) == (False, True)
    told = as_words_stand(photo, found)
    assert (told.odd, told.bare, told.heap) == (not card, not card, False)
    assert told.sizes  # so that it can be matched as a card of that format
    assert not given_quads(photo, corners).found[0].bare


def test_a_reference_is_a_card_whatever_is_seen_on_it() -> None:
    """Its owner has said so."""
    corners = turned((450, 600), 800, 5)
    taken = prepare_photo(shoot(lay(draw_table("slate", 900, 1200), rings(), corners)), Settings(), None, "board.png")
    assert overlap(np.array(taken.quad, np.float32), corners) > 0.95


def test_a_card_that_is_sure_by_its_looks_is_one_where_the_network_sees_none() -> None:
    corners = turned((450, 600), 800, 9)
    photo = shoot(lay(draw_table("slate", 900, 1200), draw_print(), corners))
    (found,) = detect(photo)
    assert (found.odd, found.bare) == (False, False)
