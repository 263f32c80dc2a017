"""Cards with no photograph on them: each fills its size, and no two kinds are one drawing."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.lab.synthesis import plain_cards
from matcher.lab.synthesis.clutter import THINGS, thing
from matcher.lab.synthesis.plain_cards import KINDS, SHARES, plain_card


def test_a_card_has_the_size_that_was_asked_for_and_a_seed_gives_one_card() -> None:
    one, again = (plain_card((36.5, 63.5), np.random.default_rng(4), 5.0) for _ in range(2))
    assert one.size_mm == pytest.approx((36.5, 63.5), abs=0.2)
    assert np.array_equal(one.pixels, again.pixels)
    assert one.cover.max() == 255


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_leaves_paper_and_ink(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = KINDS[kind](220, 130, np.random.default_rng(2))
    assert drawn.shape == (220, 130)
    assert 0 <= drawn.min() < drawn.max() <= 1
    monkeypatch.setattr(plain_cards, "SHARES", tuple(float(one == kind) for one in KINDS))
    assert plain_card((60, 100), np.random.default_rng(3), 4.0).pixels.std() > 1


def test_shares_are_of_all_kinds() -> None:
    assert sum(SHARES) == pytest.approx(1)
    assert len(SHARES) == len(KINDS)


@pytest.mark.parametrize("kind", ["tiles", "box", "shirt"])
def test_what_else_lies_about_is_no_card_and_covers_what_it_lies_on(kind: str) -> None:
    picture = np.random.default_rng(1).integers(0, 255, (60, 40, 3), np.uint8)
    assert kind in THINGS
    assert thing(kind, [picture], np.random.default_rng(5)).layer[..., 3].min() == 255
