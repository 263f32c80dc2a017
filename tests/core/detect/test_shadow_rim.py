"""Where a card ends beside its own soft shadow, and what is no shadow: a margin, a blurred edge, a rough table."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.detect.settings import ShadowSettings
from matcher.core.detect.shadow_rim import _breaks, _split, out_of_shadow
from matcher.core.photo import Photo

SCALE = 11.8
LEFT, TOP, WIDTH, HEIGHT = 60, 50, 431, 749
CORNERS = np.array([[LEFT, TOP], [LEFT + WIDTH, TOP], [LEFT + WIDTH, TOP + HEIGHT], [LEFT, TOP + HEIGHT]], np.float32)
FAR_RIM = np.array([[-3, 0], [3, 0], [3, 3], [-3, 3]], np.float32)
"""A quarter of a millimetre outwards at left, right and below: where the shadow's slope is steepest."""


def scanned(
    card: float = 200, depth: float = 0.3, reach_mm: float = 0.3, margin_px: int = 0, uneven: float = 0, lamp: float = 0
) -> NDArray[np.uint8]:
    """A card of one tone on a white lid, its shadow `depth` deep at its edge and gone with the distance from it as a
    Gaussian is; a dark print up to `margin_px` from its edge, 0 for none. lamp: grey levels by which the lid is darker
    at its foot. By distances, as no set of the lab is drawn."""
    rows, columns = np.mgrid[0:860, 0:560] + 0.5
    away = np.hypot(
        np.maximum(np.maximum(LEFT - columns, columns - LEFT - WIDTH), 0),
        np.maximum(np.maximum(TOP - rows, rows - TOP - HEIGHT), 0),
    )
    picture = 238 * (1 - depth * np.exp(-0.5 * (away / (reach_mm * SCALE)) ** 2))
    rng = np.random.default_rng(5)
    picture -= lamp * rows / 860
    picture += uneven * np.repeat(rng.standard_normal((860, 14)), 40, axis=1)
    on_card = away == 0
    picture[on_card] = card + 4 * np.sin(rows[on_card] / 60)
    if margin_px:
        picture[TOP + margin_px : TOP + HEIGHT - margin_px, LEFT + margin_px : LEFT + WIDTH - margin_px] -= 90
    picture += rng.normal(0, 1.1, picture.shape)
    return np.asarray(np.clip(cv2.merge([picture] * 3), 0, 255), np.uint8)


def off_mm(quad: NDArray[np.float32]) -> float:
    return float(np.abs(quad - CORNERS).max() / SCALE)


@pytest.mark.parametrize("card", [185, 200, 215, 230])
def test_a_side_comes_back_from_the_far_rim_of_its_shadow(card: float) -> None:
    found = out_of_shadow(scanned(card), (CORNERS + FAR_RIM)[None], 63.5)[0]
    assert off_mm(CORNERS + FAR_RIM) > 0.25
    assert off_mm(found) < 0.06


@pytest.mark.parametrize("card", [185, 200])
def test_a_scan_with_a_soft_shadow_is_outlined_at_the_card(card: float) -> None:
    found = detect(Photo.from_pixels(scanned(card)))
    assert len(found.found) == 1
    assert off_mm(found.found[0].corners) < 0.08


def test_a_leaning_side_is_moved_as_a_straight_line() -> None:
    leaning = CORNERS + np.array([[-4, 0], [0, 0], [0, 0], [-2, 0]], np.float32)
    assert off_mm(out_of_shadow(scanned(), leaning[None], 63.5)[0]) < 0.06


@pytest.mark.parametrize("margin_px", [3, 4, 5])
def test_a_narrow_margin_is_the_card(margin_px: int) -> None:
    """A pale margin of 0.25 to 0.4 mm round a dark print is no shadow."""
    pixels = scanned(card=215, margin_px=margin_px)
    assert off_mm(out_of_shadow(pixels, CORNERS[None].copy(), 63.5)[0]) < 0.06


@pytest.mark.parametrize("margin_px", [3, 4, 5])
def test_a_side_comes_back_over_a_narrow_margin_too(margin_px: int) -> None:
    """The print's edge breaks the tones more than the card's does, but no shadow begins there."""
    pixels = scanned(card=215, margin_px=margin_px)
    assert off_mm(out_of_shadow(pixels, (CORNERS + FAR_RIM)[None], 63.5)[0]) < 0.06


@pytest.mark.parametrize("blur_mm", [0.05, 0.1, 0.2])
@pytest.mark.parametrize("card", [90, 160, 225])
def test_an_edge_without_a_shadow_stays(card: float, blur_mm: float) -> None:
    """On a table, which a lamp lights from one side: only there is a picture out of focus."""
    soft = np.asarray(cv2.GaussianBlur(scanned(card, depth=0, lamp=30), (0, 0), blur_mm * SCALE), np.uint8)
    assert off_mm(out_of_shadow(soft, CORNERS[None].copy(), 63.5)[0]) < 0.04


def test_a_card_as_dark_as_its_shadow_stays_where_it_was_found() -> None:
    """Its shadow's slope and an edge out of focus look the same."""
    quad = CORNERS + FAR_RIM
    assert np.array_equal(out_of_shadow(scanned(card=120, lamp=50), quad[None], 63.5)[0], quad)


def test_a_white_lid_may_be_lit_a_little_less_evenly() -> None:
    """A shadow that reaches farther than it is looked at leaves a lid of two tones."""
    found = out_of_shadow(scanned(card=120, lamp=26), (CORNERS + FAR_RIM)[None], 63.5)[0]
    assert off_mm(found) < 0.1


def test_where_the_ground_is_not_even_a_side_stays() -> None:
    quad = CORNERS + FAR_RIM
    assert np.array_equal(out_of_shadow(scanned(uneven=12), quad[None], 63.5)[0], quad)


def test_a_quad_of_a_few_pixels_stays() -> None:
    small = CORNERS[None] / 10
    assert np.array_equal(out_of_shadow(scanned(), small, 63.5), small)


def test_the_break_is_where_two_regressions_leave_the_least() -> None:
    """Against NumPy's own `polyfit`, piece by piece."""
    settings = ShadowSettings()
    split = _split(settings)
    tones = np.where(split.offsets < -0.2, 190 + 5 * split.offsets, 236 - 40 * np.exp(-(split.offsets + 0.2) / 0.3))
    tones = tones + np.random.default_rng(2).normal(0, 0.3, tones.shape)

    def unexplained(place: int) -> float:
        inner, outer = split.offsets[:place], split.offsets[place + 1 :]
        straight = np.polyval(np.polyfit(inner, tones[:place], 1), inner) - tones[:place]
        curved = np.polyval(np.polyfit(outer, tones[place + 1 :], 2), outer) - tones[place + 1 :]
        return float((straight**2).sum() + (curved**2).sum())

    best = min(split.places, key=unexplained)
    found = _breaks(tones[None], split, settings)
    assert found.at_mm[0] == split.offsets[best]
    assert found.told[0]
    assert abs(found.at_mm[0] + 0.2) <= 2 * settings.step_mm
