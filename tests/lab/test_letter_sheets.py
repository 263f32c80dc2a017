"""Lines drawn straight on two sheets: what is the same differs nowhere, what is not differs where it does."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from matcher.lab.synthesis import type_cases
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.training.letter_pairs import WINDOW, difference, windows
from matcher.lab.training.letter_sheets import another_letter, otherwise, plain_patches
from matcher.lab.training.reader_lines import plain_line

FONTS = Path(type_cases.__file__).with_name("fonts")
TYPES = (
    Typeface(str(FONTS / "Arapey-Regular.otf"), "book"), Typeface(str(FONTS / "LeckerliOne-Regular.ttf"), "display"),
    Typeface(str(FONTS / "Havana-Regular.otf"), "hand"), Typeface(str(FONTS / "KaushanScript-Regular.otf"), "hand"),
)  # fmt: skip


def grounds() -> list[np.ndarray]:
    rng = np.random.default_rng(3)
    return [np.asarray(rng.integers(60, 200, (300, 240)), np.uint8) for _ in range(3)]


def test_same_lines_differ_nowhere_and_others_somewhere() -> None:
    patches = list(islice(plain_patches(grounds(), TYPES, np.random.default_rng(1)), 60))
    same, other = ([one for one in patches if one.changed == kind] for kind in (False, True))
    assert len(same) >= 15
    assert len(other) >= 15
    assert not any(one.truth.any() for one in same)
    assert np.mean([(one.truth == 1).any() for one in other]) > 0.9
    assert all(one.query.shape == one.reference.shape == one.truth.shape for one in patches)


def test_what_differs_lies_on_letters() -> None:
    """A line that is gone differs where it stood, and the card round it does not."""
    patches = islice(plain_patches(grounds(), TYPES, np.random.default_rng(2)), 80)
    shares = [float((one.truth == 1).mean()) for one in patches if one.changed]
    assert 0.005 < float(np.median(shares)) < 0.5


def test_ink_a_pixel_off_is_the_same_ink() -> None:
    ink = np.zeros((40, 80), np.float32)
    ink[10:30, 20:23] = 1
    assert not (difference(ink, np.roll(ink, (1, -1), (0, 1))) == 1).any()
    assert (difference(ink, np.roll(ink, 6, 1)) == 1).any()


def test_a_changed_letter_changes_the_words() -> None:
    rng = np.random.default_rng(5)
    changed = [another_letter("Jonas Harlesk", rng) for _ in range(50)]
    assert all(abs(len(words) - 13) <= 1 for words in changed)
    assert len(set(changed) - {"Jonas Harlesk"}) > 30


@pytest.mark.parametrize("change", ["", "letter", "words", "gone", "hand"])
def test_the_other_line_is_as_wide_as_its_words(change: str) -> None:
    rng = np.random.default_rng(6)
    line = plain_line(TYPES, rng)
    other = otherwise(line, change, TYPES, rng)
    if change == "gone":
        assert other is None
        return
    assert other is not None
    assert other.width > 0
    assert (other.words == line.words) == (change in ("", "hand"))


def test_windows_are_all_of_one_size_and_hold_what_differs() -> None:
    rng = np.random.default_rng(7)
    patches = list(islice(plain_patches(grounds(), TYPES, rng), 20))
    shown = list(windows(patches, 2, rng))
    assert len(shown) == 40
    assert {pair.shape for pair, _, _ in shown} == {(2, *WINDOW)}
    assert {told.shape for _, _, told in shown} == {(WINDOW[0] // 2, WINDOW[1] // 2)}
    assert {one for _, _, told in shown for one in np.unique(told)} <= {0.0, 1.0, 2.0}
    of_changed = [told for number, (_, _, told) in enumerate(shown) if patches[number // 2].changed]
    assert np.mean([(told == 1).any() for told in of_changed]) > 0.6
