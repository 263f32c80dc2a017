"""The ink of one line on two cards: where its letters differ; truth comes from the drawing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.card_lines import BoxMm
from matcher.core.flatten import Face
from matcher.core.ladder.letters import compare_letters
from matcher.lab.synthesis.lettering import CENTURY
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import SetLine, width_mm
from tests.support.faces import SIZE, face_of, picture

TYPE = Typeface(CENTURY, "book")
WORDS, OTHER = "Harlesk Ferry", "Harlesk Perry"


def lettered(words: str, seed: int, turn: float = 0.0, shift: int = 0, font: str = CENTURY) -> Face:
    face, type_ = face_of(picture(61), noise=3, seed=seed), Typeface(font, "book")
    x, y = (18.0, 58.0) if not turn else (3.0, 30.0)
    one = SetLine(words, "name", type_, 2.4, 0.02, x, y, width_mm(words, type_, 2.4, 0.02), turn, tone=0.97)
    inked = draw_line(one, face.grey.shape, SIZE.px_per_mm)  # type: ignore[arg-type]
    moved = replace(inked, alpha=np.roll(inked.alpha, shift, axis=1), tone=np.full_like(inked.tone, 0.97))
    grey = np.rint(255 * ink_on((face.grey / 255).astype(np.float32), moved)).astype(np.uint8)
    return replace(face, grey=grey)


def box(turn: float = 0.0) -> BoxMm:
    half = width_mm(WORDS, TYPE, 2.4, 0.02) / 2
    return (18 - half, 56.2, 18 + half, 58.4) if not turn else (1.2, 30 - half, 3.4, 30 + half)


@pytest.mark.parametrize(("turn", "quarters"), [(0.0, 0), (-90.0, 3)])
def test_one_letter_stands_out_where_it_stands(turn: float, quarters: int) -> None:
    reference = lettered(WORDS, 1, turn)
    same = compare_letters(lettered(WORDS, 2, turn), reference, np.eye(3), box(turn), quarters)
    other = compare_letters(lettered(OTHER, 2, turn), reference, np.eye(3), box(turn), quarters)
    assert same is not None
    assert other is not None
    assert same.features["letters_2"] < 0
    assert same.features["letters_2"] + 0.9 < other.features["letters_2"]
    column = np.unravel_index(other.logits.argmax(), other.logits.shape)[1] / other.logits.shape[1]
    assert 0.55 < column < 0.75  # the initial of the second word
    assert other.surest([(0.55, 0.75)]) == pytest.approx(other.features["letters_2"])
    assert other.surest([(0.0, 0.4)]) + 0.5 < other.surest([(0.0, 0.4), (0.6, 0.7)])
    assert other.surest([]) == pytest.approx(other.features["letters_2"])
    assert np.isfinite(other.surest([(-0.5, -0.4), (1.4, 1.6)]))  # a reader may see letters beyond the box


def test_a_line_that_sits_a_little_off_the_picture_is_the_same() -> None:
    found = compare_letters(lettered(WORDS, 2, shift=2), lettered(WORDS, 1), np.eye(3), box())
    assert found is not None
    assert found.features["letters_2"] < 0
    assert found.fit > 0.8


def test_what_lies_off_the_card_is_not_compared() -> None:
    assert compare_letters(lettered(WORDS, 2), lettered(WORDS, 1), np.eye(3), (-30.0, 2.0, -20.0, 4.0)) is None
