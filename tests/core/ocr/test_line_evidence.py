"""Where two sights of a line were read otherwise: there their ink is looked at."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.ocr.line_evidence import read_otherwise
from matcher.core.ocr.spelling import Frames


def frames(words: str) -> Frames:
    """Each letter in one frame and a frame without a sign after it, all seen beyond doubt."""
    signs = "".join(dict.fromkeys(words))
    seen = np.zeros((2 * len(words), 1 + len(signs)), np.float32)
    for place, letter in enumerate(words):
        seen[2 * place, 1 + signs.index(letter)] = 1
        seen[2 * place + 1, 0] = 1
    return Frames(signs, seen)


@pytest.mark.parametrize(
    ("told", "other", "spans"),
    [
        ("harlesk", "harlesk", []),
        ("harlcsk", "harlesk", [(4 / 7, 5 / 7)]),
        ("harllesk", "harlesk", [(4 / 8, 5 / 8)]),  # one of the two
        ("halesk", "harlesk", [(1 / 6, 3 / 6)]),  # between two letters
        ("arlesk", "harlesk", [(0, 1 / 6)]),
        ("harles", "harlesk", [(5 / 6, 1)]),
    ],
)
def test_letters_read_otherwise_are_placed(told: str, other: str, spans: list[tuple[float, float]]) -> None:
    for theirs in (other, frames(other)):
        found = read_otherwise(frames(told), theirs)
        assert np.array(found).ravel() == pytest.approx(np.array(spans).ravel())


def test_nothing_read_is_nowhere_else() -> None:
    assert read_otherwise(Frames("", np.ones((4, 1), np.float32)), "") == []
    assert read_otherwise(Frames("", np.ones((4, 1), np.float32)), "ab") == [(0, 1)]
