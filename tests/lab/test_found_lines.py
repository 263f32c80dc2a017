"""Lines are counted as found where a box holds them, and boxes where nothing was printed as stray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.ocr.settings import OcrSettings
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.lettering_set import drawn_card
from matcher.lab.training.found_lines import Searched, Shown, Told, jaccard, measured, table
from tests.lab.test_reader_lines import TYPE, WHOLE, lettered

SCALE = 20.0


def pictured(place: str, *, blank: bool = False) -> Shown:
    """A card as its own picture; or a blank one that should bear its words."""
    card = lettered(place, 3, WHOLE)
    drawn = replace(card, wording=replace(card.wording, name="")) if blank else card
    grey = to_grey(drawn_card(drawn, (TYPE,), SCALE).pixels)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * [grey.shape[1], grey.shape[0]]
    return Shown("scan", card, grey, corners.astype(np.float32), FaceSize(), "looked at")


def test_both_finders_find_clear_type_and_read_it() -> None:
    pytest.importorskip("rapidocr")
    for name, found in measured([pictured("foot left")], OcrSettings()).items():
        (one,) = found[0].lines
        assert (one.found, one.exact, one.place, one.lettering) == (True, True, "foot left", "book"), name
        assert 0.8 < one.high < 1.25, name


def test_a_line_that_is_not_there_is_not_found() -> None:
    pytest.importorskip("rapidocr")
    found = measured([pictured("foot left", blank=True)], OcrSettings())["shipped"][0]
    assert [one.found for one in found.lines] == [False]


def test_shares_are_of_each_place_and_each_lettering() -> None:
    lines = (Told("photo", "side", "hand", True, False, 1.1), Told("photo", "foot left", "hand", False, False, 0.9))
    told = list(table({"one": [Searched(lines, 1, 0.02), Searched((), 0, 0.04)]}))
    assert told[0] == "photo all            (2): one found 50.0 %, read exactly 0.0 %, 1.00 as high"
    assert "photo side           (1): one found 100.0 %, read exactly 0.0 %, 1.10 as high" in told
    assert told[-1] == "one: 50 stray lines of 100 pictures, 30 ms a picture, median"


def test_two_boxes_share_what_both_cover() -> None:
    assert jaccard((0, 0, 2, 1), (1, 0, 3, 1)) == pytest.approx(1 / 3)
    assert jaccard((0, 0, 1, 1), (2, 2, 3, 3)) == 0
