"""A halftone is told by its lattice of dots; photographs, ruled sheets and woven cloth are none."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from matcher.core.dot_screen import SURE, printed_in_dots, screen_strength

SPIRAL = np.array([[12, 5, 6, 13], [4, 0, 1, 7], [11, 3, 2, 8], [15, 10, 9, 14]])
"""Thresholds of a clustered dot, spiralling outwards (as in Ulichney's book of 1987, from memory): no code of the
lab's."""


def photograph(seed: int = 1) -> NDArray[np.uint8]:
    """(640, 368) uint8: smooth forms, edges, grain."""
    rng = np.random.default_rng(seed)
    coarse = cv2.resize(rng.uniform(40, 220, (12, 7)).astype(np.float32), (368, 640), interpolation=cv2.INTER_CUBIC)
    coarse[200:420, 90:260] -= 60
    return np.asarray(np.clip(coarse + rng.normal(0, 6, coarse.shape), 0, 255), np.uint8)


def dithered(grey: NDArray[np.uint8], degrees: float, period: float) -> NDArray[np.uint8]:
    """By thresholds, on a canvas four times as fine: dots of `period` pixels of the face, turned by so much."""
    canvas = cv2.resize(grey, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    rows, columns = np.mgrid[0 : canvas.shape[0], 0 : canvas.shape[1]] / (4 * period)
    angle = np.radians(degrees)
    across, down = (np.cos(angle) * columns + np.sin(angle) * rows, np.cos(angle) * rows - np.sin(angle) * columns)
    cell = SPIRAL[(4 * (down % 1)).astype(int) % 4, (4 * (across % 1)).astype(int) % 4]
    printed = np.where(canvas < 255 * (cell + 0.5) / 16, 30, 225).astype(np.uint8)
    return np.asarray(cv2.resize(printed, (368, 640), interpolation=cv2.INTER_AREA))


@pytest.mark.parametrize("degrees", [0, 15, 45])
@pytest.mark.parametrize("period", [2.9, 4.3, 6.0])
def test_a_clustered_dot_print_is_told(degrees: float, period: float) -> None:
    assert printed_in_dots(dithered(photograph(), degrees, period))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_photograph_is_none(seed: int) -> None:
    assert screen_strength(photograph(seed)) < 0.2 * SURE


def test_dots_at_random_are_no_lattice() -> None:
    """Error diffusion (Floyd and Steinberg, as Pillow does it) sets dots where they are needed."""
    diffused = Image.fromarray(photograph()).resize((736, 1280)).convert("1").convert("L").resize((368, 640))
    assert not printed_in_dots(np.asarray(diffused))


def test_lines_of_one_direction_are_no_lattice() -> None:
    """Ruled paper, a ribbed cloth, the rows of a display."""
    ruled = photograph().astype(np.float32) + 25 * np.sin(np.arange(640) * 2 * np.pi / 4.3)[:, None]
    assert not printed_in_dots(np.clip(ruled, 0, 255).astype(np.uint8))


def test_a_small_picture_tells_nothing() -> None:
    assert screen_strength(photograph()[:200]) == 0.0


def test_the_squares_of_a_file_are_none(tmp_path: Path) -> None:
    """JPEG works in squares of eight pixels, and leaves their grid."""
    path = tmp_path / "resaved.jpg"
    Image.fromarray(photograph()).save(path, quality=25)
    assert not printed_in_dots(np.asarray(Image.open(path)))
