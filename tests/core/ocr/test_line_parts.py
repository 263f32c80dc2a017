"""Lines that stand on two cards alike show that the outline of either is right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matcher.core.card_lines import CardLine
from matcher.core.ocr.line_parts import stand_alike

NAME = CardLine("Piers Aldwick", 0.97, (8.0, 57.3, 28.0, 60.1))


@pytest.mark.parametrize(
    ("other", "alike"),
    [
        (NAME, True),
        (replace(NAME, words="PIERS ALDWICK.", box_mm=(7.4, 57.0, 28.5, 60.0)), True),
        (replace(NAME, box_mm=(9.5, 57.3, 29.5, 60.1)), False),  # the same line, but the card begins elsewhere
        (replace(NAME, box_mm=(7.0, 56.8, 30.4, 60.6)), False),  # ... or is of another size
        (replace(NAME, words="Piers Oldwick"), False),
        (replace(NAME, certainty=0.5), False),
        (replace(NAME, words="..."), False),
    ],
)
def test_the_same_words_at_the_same_place(other: CardLine, alike: bool) -> None:
    assert stand_alike([NAME], [other]) is alike
    assert stand_alike([other], [NAME]) is alike


def test_nothing_read_shows_nothing() -> None:
    assert not stand_alike([], [NAME])
    assert not stand_alike([replace(NAME, words="")], [replace(NAME, words="")])
