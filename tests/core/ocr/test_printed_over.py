"""Lettering printed upon the picture, and words that belong to it: which of two cards' lines are whose."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.card_lines import BoxMm, CardLine
from matcher.core.ocr.printed_over import printed_over

SAME_PLACE = np.eye(3)
RECORD = ("J. Harlesk", "", "Pelldale Tea Co.")
FOOT: BoxMm = (10.0, 58.0, 26.0, 60.0)


def line(words: str, box: BoxMm = FOOT, along: bool = False) -> CardLine:
    return CardLine(words, 0.9, box, along)


def test_words_on_a_jersey_stand_on_both_cards_and_stay_in_the_picture_though_the_sitter_moved_a_little() -> None:
    moved = line("BANOW", (10.6, 58.4, 26.6, 60.4))
    assert printed_over([line("BANOW")], [moved], SAME_PLACE, RECORD) == ()


def test_what_only_one_card_has_was_printed_upon_it_whichever_of_the_two_that_is() -> None:
    on_query = printed_over([line("Smoke Garinworth")], [], SAME_PLACE, RECORD)
    on_reference = printed_over([], [line("Smoke Garinworth")], SAME_PLACE, RECORD)
    assert on_query == on_reference
    assert len(on_query) == 1


def test_the_records_own_words_were_printed_on_both() -> None:
    """Where both have them in one place the frame may still be another."""
    both = line("Pelldale Tea Co")
    assert len(printed_over([both], [both], SAME_PLACE, RECORD)) == 2


def test_there_is_room_for_a_frame_more_of_it_at_the_ends_of_the_line() -> None:
    (level,) = printed_over([line("Smoke Garinworth")], [], SAME_PLACE, RECORD)
    left, top, right, bottom = np.multiply(np.subtract(level, FOOT), (-1, -1, 1, 1))
    assert (right, bottom) == pytest.approx((left, top))
    assert left > top > 0
    upright: BoxMm = (1.0, 20.0, 3.0, 36.0)
    (along,) = printed_over([line("Smoke Garinworth", upright, True)], [], SAME_PLACE, RECORD)
    assert np.multiply(np.subtract(along, upright), (-1, -1, 1, 1)) == pytest.approx([top, left, bottom, right])


def test_lines_of_the_reference_are_told_where_they_lie_on_the_query() -> None:
    shifted = np.array([[1, 0, 3.0], [0, 1, -2.0], [0, 0, 1]])
    here, there = (
        printed_over([], [line("Smoke Garinworth")], transform, RECORD)[0] for transform in (SAME_PLACE, shifted)
    )
    assert np.allclose(np.subtract(there, here), (3.0, -2.0, 3.0, -2.0))
