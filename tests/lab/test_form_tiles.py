"""Lines in frames, drawn to be learnt from: every form is drawn, seen where it is said to stand, and cut as in use."""

from __future__ import annotations

from itertools import islice

import cv2
import numpy as np
import pytest

from matcher.core.ocr.mark_form import COLUMNS, FORMS, ROWS, form_tile
from matcher.lab.synthesis.lettering import CENTURY, ROMAN
from matcher.lab.synthesis.mark_frames import with_frame
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MARK_FORMS, MarkForm
from matcher.lab.training.form_tiles import form_tiles
from tests.support.faces import picture

TYPES = [Typeface(CENTURY, "book"), Typeface(ROMAN, "display"), Typeface(ROMAN, "hand")]
BOX = (60.0, 40.0, 200.0, 60.0)


def test_the_network_answers_in_the_order_in_which_forms_are_drawn() -> None:
    assert FORMS == MARK_FORMS


def test_every_form_is_drawn_in_tiles_of_one_shape_and_the_same_again_from_one_seed() -> None:
    drawn, again = (list(islice(form_tiles([picture(3)], TYPES, np.random.default_rng(4)), 40)) for _ in range(2))
    assert {tile.grey.shape for tile in drawn} == {(ROWS, COLUMNS)}
    assert {tile.form for tile in drawn} == set(range(len(FORMS)))
    assert all(np.array_equal(one.grey, other.grey) for one, other in zip(drawn, again, strict=True))


@pytest.mark.parametrize("form", ["box", "oval", "ribbon"])
@pytest.mark.parametrize("seed", range(12))
def test_a_frame_goes_all_round_its_letters_and_leaves_their_place_of_one_tone(form: MarkForm, seed: int) -> None:
    paper = np.full((100, 260), 0.9, np.float32)
    framed = with_frame(paper, BOX, form, 0.1, np.random.default_rng(seed))
    left, top, right, bottom = (round(side) for side in BOX)
    beneath = framed.sheet[top + 3 : bottom - 3, left + 8 : right - 8]
    assert np.ptp(beneath) < 0.05
    assert abs(float(beneath.mean()) - framed.letters) > 0.5
    changed = np.abs(framed.sheet - paper) > 0.3
    middle = (left + right) // 2
    assert changed[:top, middle].any()
    assert changed[bottom:, middle].any()
    assert changed[(top + bottom) // 2, :left].any()
    assert changed[(top + bottom) // 2, right:].any()


def test_a_tile_has_the_line_in_its_middle_however_long_it_is() -> None:
    for wide in (60, 400):
        strip = np.full((60, 600), 200, np.uint8)
        cv2.rectangle(strip, (100, 20), (100 + wide, 40), 0, -1)
        corners = np.array([[100, 20], [100 + wide, 20], [100 + wide, 40], [100, 40]], np.float32)
        tile = form_tile(strip, corners)
        assert tile.shape == (ROWS, COLUMNS)
        dark = np.argwhere(tile < 100).mean(axis=0)
        assert dark == pytest.approx([ROWS / 2, COLUMNS / 2], abs=1.5)
