"""Which of two lines that run beside each other is the card's edge: a mount's, and not what lies beside the card."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.refinement import refine
from matcher.core.detect.settings import Reach, RefinementSettings

SCALE = 10.0
LEFT, TOP, WIDTH, HEIGHT = 200, 150, 365, 635
CORNERS = np.array([[LEFT, TOP], [LEFT + WIDTH, TOP], [LEFT + WIDTH, TOP + HEIGHT], [LEFT, TOP + HEIGHT]], np.float32)


def scene(beside: str) -> NDArray[np.uint8]:
    """A card with a print in its mount on a table, and something that runs beside its right side."""
    table: NDArray[np.float32] = np.full((950, 800, 3), (170, 172, 176), np.float32)
    if beside == "shadow":  # of a card that stands off the table: longer than the card, as light from afar gives it
        table[TOP - 2 : TOP + HEIGHT + 12, LEFT + WIDTH - 5 : LEFT + WIDTH + 11] -= 22
        table = np.asarray(cv2.GaussianBlur(table, (0, 0), 1.2), np.float32)
    if beside == "rule":
        table[:, LEFT + WIDTH + 8 : LEFT + WIDTH + 11] = (120, 120, 60)
    if beside == "sleeve":
        table[TOP - 15 : TOP + HEIGHT + 15, LEFT - 12 : LEFT + WIDTH + 12] += 12
    table[TOP : TOP + HEIGHT, LEFT : LEFT + WIDTH] = (225, 210, 180)
    if beside == "mount":
        table[TOP + 9 : TOP + HEIGHT - 9, LEFT + 9 : LEFT + WIDTH - 9] = (110, 88, 70)
    else:
        table[TOP : TOP + HEIGHT, LEFT : LEFT + WIDTH] = (135, 112, 90)
    noise = np.random.default_rng(3).normal(0, 2, table.shape)
    return np.asarray(np.clip(table + noise, 0, 255), np.uint8)


@pytest.mark.parametrize("reach", [RefinementSettings().fine, RefinementSettings().wide], ids=["fine", "wide"])
@pytest.mark.parametrize("beside", ["nothing", "mount", "shadow", "rule", "sleeve"])
def test_the_outer_of_two_lines_is_taken_only_if_it_ends_with_the_card(beside: str, reach: Reach) -> None:
    off = np.array([[4, 3], [-3, 4], [-4, -3], [3, -4]], np.float32)
    found = refine(scene(beside), CORNERS[None] + off, 63.5, reach)[0]
    assert np.abs(found - CORNERS).max() < 0.15 * SCALE


def test_a_pale_mount_on_pale_paper_ends_at_its_own_deep_shadow() -> None:
    """The shadow is far darker than either, so that the mount looks like the paper beside that step."""
    table: NDArray[np.float32] = np.full((950, 800, 3), (206, 194, 168), np.float32)
    table[TOP + 3 : TOP + HEIGHT + 2, LEFT + 3 : LEFT + WIDTH + 9] -= 130
    table = np.asarray(cv2.GaussianBlur(table, (0, 0), 2.0), np.float32)
    table[TOP : TOP + HEIGHT, LEFT : LEFT + WIDTH] = (218, 204, 176)
    table[TOP + 9 : TOP + HEIGHT - 9, LEFT + 9 : LEFT + WIDTH - 9] = (150, 116, 92)
    pixels = np.clip(table + np.random.default_rng(3).normal(0, 2, table.shape), 0, 255).astype(np.uint8)
    at_print = CORNERS + np.array([[9, 9], [-9, 9], [-9, -9], [9, -9]], np.float32)
    found = refine(pixels, at_print[None], 63.5, RefinementSettings().fine)[0]
    in_shadow = slice(1, 3)
    assert np.abs(found[in_shadow, 0] - CORNERS[in_shadow, 0]).max() < 0.15 * SCALE


@pytest.mark.parametrize("name", ["fine", "wide", "touching"])
@pytest.mark.parametrize("high", [1, 3, 6, 10, 16, 25])
def test_a_quad_of_a_few_pixels_breaks_nothing(name: str, high: int) -> None:
    """Of a sheet of small squares one was looked at from near: numpy had nothing to lengthen, and the photo failed."""
    pixels = scene("nothing")
    small = np.array(
        [CORNERS[0], CORNERS[0] + (high * 0.57, 0), CORNERS[0] + (high * 0.57, high), CORNERS[0] + (0, high)]
    )
    found = refine(pixels, small[None], 63.5, getattr(RefinementSettings(), name))
    assert found.shape == (1, 4, 2)
    assert np.isfinite(found).all()
    if high < 6:
        assert np.array_equal(found[0], small.astype(np.float32))
