"""How well known words fit what a reader saw: against all paths counted one by one, and on a photographed card."""

from __future__ import annotations

from itertools import groupby, product

import numpy as np
import pytest

from matcher.core.ocr.line_match import match_lines
from matcher.core.ocr.reading import OcrLine, can_read, read_caption
from matcher.core.ocr.spelling import LEAST_PROBABILITY, Frames, misfits, plain
from tests.core.ocr.test_reading import CLUB, NAME, photographed

needs_reader = pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")
CLEAR = -np.log(LEAST_PROBABILITY)


def frames_of(text: str, certainty: float = 1.0) -> Frames:
    """Every letter in a frame of its own, with frames of no sign between."""
    signs = "".join(sorted(set(text)))
    probabilities = np.full((2 * len(text) + 1, 1 + len(signs)), (1 - certainty) / len(signs), np.float32)
    probabilities[0::2, 0] = certainty
    for number, letter in enumerate(text):
        probabilities[2 * number + 1, 1 + signs.index(letter)] = certainty
    return Frames(signs, probabilities)


@pytest.mark.parametrize("word", ["a", "ab", "aa", "aba", "bc"])
def test_the_best_path_is_the_best_of_all_paths(word: str) -> None:
    """Graves et al. (2006): a path spells a word once repeated signs are made one and frames without a sign go."""
    rng = np.random.default_rng(len(word))
    probabilities = rng.dirichlet(np.ones(4), size=5).astype(np.float32)
    frames = Frames("abc", probabilities)

    def spelt(path: tuple[int, ...]) -> str:
        return "".join("abc"[sign - 1] for sign, _ in groupby(path) if sign)

    paths = [p for p in product(range(4), repeat=5) if spelt(p) == word]
    best = max(float(np.log(probabilities[range(5), p]).sum()) for p in paths)
    assert misfits(frames, (word,))[0] == pytest.approx(float(np.log(probabilities.max(axis=1)).sum()) - best, abs=1e-4)


def test_what_the_reader_named_fits_and_what_it_saw_otherwise_does_not() -> None:
    frames = frames_of("kelwick")
    assert misfits(frames, ("kelwick",)) == (0.0,)
    assert misfits(frames, ("kelvick",))[0] == pytest.approx(CLEAR, abs=0.01)
    assert misfits(frames, ("kelick",))[0] == pytest.approx(CLEAR, abs=0.01)  # a letter too few
    doubted = frames_of("kelwick", certainty=0.6)
    assert 0 < misfits(doubted, ("kelvick",))[0] < CLEAR


def test_each_word_has_its_own_misfit() -> None:
    frames = frames_of("kelwick").beside(frames_of("harle"))
    name, club = misfits(frames, ("kelwick", "hurle"))
    assert name == 0.0
    assert club == pytest.approx(CLEAR, abs=0.01)


def test_words_longer_than_what_was_seen_do_not_fit_at_all() -> None:
    assert misfits(frames_of("ab"), ("abcdefgh",)) == (float("inf"),)
    assert misfits(Frames("", np.empty((0, 1), np.float32)), ("a",)) == (float("inf"),)


def test_signs_of_one_plain_form_are_one() -> None:
    # no sign, "E", "e", ".", "é"
    probabilities = np.array([[0.1, 0.3, 0.4, 0.1, 0.1], [0.9, 0.0, 0.0, 0.1, 0.0]], np.float32)
    frames = Frames.of(probabilities, [plain(sign) for sign in ("", "E", "e", ".", "é")])
    assert frames.signs == "eé"
    np.testing.assert_allclose(frames.probabilities, [[0.2, 0.7, 0.1], [1.0, 0.0, 0.0]], atol=1e-6)


def test_frames_can_be_cut_between_letters() -> None:
    frames = frames_of("harleclub")
    assert frames.named == "harleclub"
    assert frames.between(5, 9).named == "club"
    assert frames.between(0, 5).named == "harle"
    assert misfits(frames.between(5, 9), ("club",)) == (0.0,)


def test_a_shape_that_does_not_hold_is_refused() -> None:
    with pytest.raises(ValueError, match="must be"):
        Frames("ab", np.zeros((4, 2), np.float32))


@needs_reader
def test_a_line_run_together_is_weighed_without_what_is_not_known() -> None:
    joined = OcrLine("HARLE CLUB WORKS", 0.9, "foot", frames_of("harleclubworks"))
    field = match_lines([joined], ["harleclub"]).fields[0]
    assert field is not None
    assert (field.wrong, field.cut, field.misfit) == (0, 0, 0.0)


@needs_reader
def test_on_a_photographed_card_the_right_words_fit_best() -> None:
    lines = read_caption(*photographed("below", 0.5)).lines
    own = match_lines(lines, [plain(NAME), plain(CLUB)]).fields
    other = match_lines(lines, [plain("J. Kelvick"), plain(CLUB)]).fields
    assert own[0]
    assert own[1]
    assert other[0]
    assert own[0].misfit + own[1].misfit < 1.0
    assert other[0].misfit > own[0].misfit + 3.0
