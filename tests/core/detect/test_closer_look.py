"""Small cards on grounds full of edges, and what the ground looks like; scenes drawn by code."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.choice_settings import ChoiceSettings
from matcher.core.detect.detection import detect
from matcher.core.detect.ground import border_surface, unlike_ground
from matcher.core.detect.proposal_settings import GroundSettings
from matcher.core.detect.quad_search import in_one_place, overlap, small_places
from matcher.core.detect.reduced_image import halved, reduce
from matcher.core.detect.settings import DetectSettings
from tests.core.detect.test_detection import draw_print, lay, shoot, turned
from tests.core.detect.test_what_is_no_card import checked

Scene = NDArray[np.float32]


def small_print(rows: int = 1600, columns: int = 1200, pitch: int = 13, degrees: float = 4.0) -> Scene:
    """A page of close lines of type, a little askew."""
    rng = np.random.default_rng(7)
    page = np.full((rows + 600, columns + 600), 232, np.float32)
    for y in range(0, rows + 600, pitch):
        x = 0
        while x < columns + 600:
            length = int(rng.integers(8, 46))
            page[y : y + pitch // 2 + 1, x : x + length] = 105
            x += length + 7
    turn = cv2.getRotationMatrix2D((columns / 2 + 300, rows / 2 + 300), degrees, 1)
    askew = cv2.warpAffine(page, turn, (columns + 600, rows + 600))[300:-300, 300:-300]
    return np.asarray(askew[..., None] * np.array([1.0, 0.97, 0.88], np.float32), np.float32)


@pytest.mark.parametrize("high", [220, 250])
def test_a_small_card_on_a_small_check_is_found(high: int) -> None:
    corners = turned((700, 640), high, 33)
    scene = lay(checked(16, 960, 1700, 21), draw_print(paper=200, ink=120), corners)
    (found,) = detect(shoot(scene))
    assert overlap(found.corners, corners) > 0.93


@pytest.mark.parametrize("ground", [small_print(), checked(16, 1600, 1200, 21)])
def test_a_page_of_print_and_a_check_without_a_card_hold_none(ground: Scene) -> None:
    assert not [one for one in detect(shoot(ground)) if not one.odd]


def test_a_card_is_unlike_the_print_below_it_and_the_print_is_not() -> None:
    corners = turned((420, 1000), 300, 0)
    picture = halved(reduce(shoot(lay(small_print(), draw_print(paper=205, ink=120), corners))))
    unlike = unlike_ground(picture, GroundSettings())
    on_card = np.zeros(unlike.shape, np.uint8)
    cv2.fillConvexPoly(on_card, np.rint(corners * np.array(picture.scale)).astype(np.int32), 1)
    inner = cv2.erode(on_card, np.ones((9, 9), np.uint8)) > 0
    assert np.percentile(unlike[inner], 10) > 2 * np.percentile(unlike[cv2.dilate(on_card, np.ones((25, 25))) == 0], 90)


def test_light_that_falls_off_is_no_difference() -> None:
    """A surface of second order is what is fitted: least squares find it again."""
    y, x = np.mgrid[0:200, 0:160].astype(np.float32)
    plane = 90 + 0.2 * x - 0.1 * y + 0.0004 * x * y
    assert np.abs(border_surface(plane, 1.0)[..., 0] - plane)[8:-8, 8:-8].max() < 1.0


def test_outlines_that_nearly_agree_speak_for_one_card_together() -> None:
    """Odds of exclusive alternatives add up: two of 0.4 each leave 0.43 that it is neither (multinomial logit)."""
    one = turned((400, 500), 400, 0)
    quads = np.stack([one, one + np.float32(8), turned((1200, 500), 400, 0)])
    likely = np.array([0.4, 0.4, 0.3], np.float32)
    together = in_one_place(quads, likely, np.array([0, 2]), ChoiceSettings())
    odds = 2 * 0.4 / 0.6
    assert together == pytest.approx([odds / (1 + odds), 0.3], abs=1e-5)


def test_what_is_part_of_a_likelier_card_is_not_looked_at_from_nearer() -> None:
    picture = reduce(shoot(np.full((1200, 900, 3), 120, np.float32)))
    card, part, apart = turned((250, 300), 380, 0), turned((250, 330), 120, 0), turned((500, 600), 120, 0)
    quads, likely = np.stack([card, part, apart]), np.array([0.3, 0.1, 0.05], np.float32)
    places = small_places(picture, quads, likely, DetectSettings())
    assert [any(np.array_equal(one, place) for place in places) for one in (part, apart)] == [False, True]
