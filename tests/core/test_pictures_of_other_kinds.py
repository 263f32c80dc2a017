"""A screen's picture, a halftone, a print coloured by hand: the known card, or left open, and never another exposure.

One invented record is known; every photo shows its card, or a reproduction of it. A reversed print and a negative are
in `test_identify`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.flatten import Face
from matcher.core.photo import to_grey
from matcher.lab.synthesis.prints import halftone
from tests.core.test_identify import One
from tests.core.test_words_that_cannot_be_compared import BOXED, CAPTION, CLUB, MARK, NAME, card, known_as, told

NOT_NEW = ("known", "undecided")


@pytest.fixture
def references(tmp_path: Path) -> One:
    return known_as(tmp_path, CAPTION + BOXED, NAME, CLUB, MARK)


def shown_as(face: Face, pixels: NDArray[np.floating]) -> Face:
    kept = np.clip(np.rint(pixels), 0, 255).astype(np.uint8)
    return replace(face, pixels=kept, grey=to_grey(kept))


def on_a_screen(face: Face) -> Face:
    """Lines of a display, coloured stripes where its grid and the camera's meet, and a cold white."""
    rows, columns = np.mgrid[0 : face.grey.shape[0], 0 : face.grey.shape[1]]
    lines = 1 - 0.12 * (np.sin(rows * 2.1) > 0.3)
    stripes = 8 * np.stack([np.sin((rows + 2 * columns) / 19 + phase) for phase in (0, 2.1, 4.2)], axis=-1)
    return shown_as(face, face.pixels * lines[..., None] * np.array([0.92, 0.98, 1.06]) + stripes)


def coloured_by_hand(face: Face) -> Face:
    """Cheeks, a coat and the backdrop in washes through which the picture shows."""
    tinted = face.pixels.astype(np.float32)
    for centre, size, colour in (
        ((184, 150), (34, 26), (1.1, 0.86, 0.84)),
        ((184, 380), (120, 110), (0.78, 0.86, 1.12)),
        ((60, 90), (80, 90), (0.9, 1.06, 0.86)),
    ):
        wash = np.zeros(face.grey.shape, np.float32)
        cv2.ellipse(wash, centre, size, 0, 0, 360, 1.0, -1)
        wash = np.asarray(cv2.GaussianBlur(wash, (0, 0), 3), np.float32)
        tinted *= 1 + wash[..., None] * (np.array(colour, np.float32) - 1)
    return shown_as(face, tinted)


def as_a_halftone(face: Face) -> Face:
    dots = 255 * halftone(face.grey.astype(np.float32) / np.float32(255), period=4.3, angle=0.5)
    return shown_as(face, np.repeat(dots[..., None], 3, axis=2))


def with_a_watermark(face: Face) -> Face:
    """What sales pages lay across a picture."""
    laid = np.zeros(face.grey.shape, np.uint8)
    for y in range(80, 640, 150):
        cv2.putText(laid, "SAMPLE PICTURE", (20, y), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 255, 3, cv2.LINE_AA)
    return shown_as(face, face.pixels + 55 * (laid / 255)[..., None])


KINDS: dict[str, Callable[[Face], Face]] = {
    kind.__name__: kind for kind in (on_a_screen, coloured_by_hand, as_a_halftone, with_a_watermark)
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [2, 3])
def test_another_kind_of_picture_is_no_other_exposure(references: One, kind: str, seed: int) -> None:
    answer = told(KINDS[kind](card(CAPTION + BOXED, seed)), references)
    assert answer.outcome in NOT_NEW, (answer.outcome, answer.reasons)


def test_another_exposure_in_colour_is_still_another(references: One) -> None:
    """That colours may differ does not hide what has moved."""
    face = card(CAPTION + BOXED, 2)
    moved = face.pixels.copy()
    moved[120:300, 90:280] = face.pixels[120:300, 70:260]
    answer = told(coloured_by_hand(shown_as(face, moved.astype(np.float32))), references)
    assert answer.outcome in ("new_pose", "undecided"), answer.reasons
