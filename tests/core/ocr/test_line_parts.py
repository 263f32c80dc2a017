"""Lines that stand on two cards alike show that the outline of either is right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matcher.core.card_lines import CardLine
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.words import WordLine, WordsFinding
from matcher.core.ocr.line_parts import in_known_words, stand_alike
from tests.core.ladder.test_ladder import candidate

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


def closest(probability: float, worse: float) -> Candidate:
    line = WordLine("name", "Piers Aldwick", "Picrs Aldwick", 0.9, probability, {"less_known": worse})
    return replace(candidate("V1", "P1", "A", 0.99, 0.98, 0.97), words=WordsFinding(probability, (line,)))


@pytest.mark.parametrize(
    ("probability", "worse", "words"),
    [
        (0.97, 0.1, "Piers Aldwick"),  # a letter that is misread on both cards
        (0.97, 2.0, "Picrs Aldwick"),  # ... that was seen otherwise than on the known one
        (0.5, 0.1, "Picrs Aldwick"),
    ],
)
def test_a_line_that_is_surely_the_known_one_is_told_in_its_words(probability: float, worse: float, words: str) -> None:
    read, note = replace(NAME, words="Picrs Aldwick"), replace(NAME, words="coll. Banden")
    told = in_known_words([note, read], closest(probability, worse))
    assert [line.words for line in told] == ["coll. Banden", words]
    assert in_known_words([read], None) == (read,)
