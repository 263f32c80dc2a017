"""The colours of wear and of prints: greys as they were drawn, hues by the laws of light, and the product sees them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.ladder.foreign_colour import foreign_colour
from matcher.core.photo import to_grey
from matcher.lab.evaluation.other_wear import OTHER_KINDS, hurt_otherwise
from matcher.lab.synthesis.materials import MADE_OF, RUST, VIOLET, Material, hurt, in_colour, toned
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.wear import KINDS, worn
from matcher.lab.training.damage_pairs import NAMED
from tests.core.ladder.test_foreign_colour import seen, sepia

Floats = NDArray[np.float32]


@pytest.fixture(scope="module")
def card() -> Card:
    pixels = np.clip(np.rint(sepia(3)), 0, 255).astype(np.uint8)
    return Card(pixels, np.full(pixels.shape[:2], 255, np.uint8), 10.0)


def hue(pixels: NDArray[np.uint8]) -> Floats:
    """Logarithms of red and blue to green."""
    logs = np.log(pixels.astype(np.float32) + 1)
    return np.asarray(logs[..., [0, 2]] - logs[..., 1:2], np.float32)


def test_every_kind_of_wear_is_made_of_something_and_has_a_name_to_be_told_by() -> None:
    assert set(MADE_OF) == set(KINDS)
    assert {*KINDS, *OTHER_KINDS} == set(NAMED)


@pytest.mark.parametrize("kind", KINDS)
def test_a_wear_is_as_light_as_it_was_drawn_whatever_its_colour(kind: str, card: Card) -> None:
    own, strange = (to_grey(hurt(card, kind, colour, np.random.default_rng(4)).pixels) for colour in (0.0, 1.0))
    before = to_grey(card.pixels).astype(np.float32) / np.float32(255)
    again = np.random.default_rng(4)
    drawn, _ = worn(before, [kind], again, float(again.uniform(0.2, 1)))
    assert np.abs(own - 255 * drawn).mean() < 1.0
    # A hue so strong that a channel comes to its end costs some light.
    assert np.abs(own.astype(float) - strange).mean() < 1.5


def test_at_no_colour_a_wear_has_the_hue_of_its_print(card: Card) -> None:
    greys = to_grey(card.pixels)
    tones = [tone for tone in range(60, 220, 5) if (greys == tone).sum() > 50]
    usual = {tone: hue(card.pixels)[greys == tone].mean(axis=0) for tone in tones}
    assert len(usual) > 8
    for kind in ("sticker", "surface_loss", "torn"):
        pixels = hurt(card, kind, 0.0, np.random.default_rng(5)).pixels
        changed = (pixels != card.pixels).any(axis=2)
        for tone, hues in usual.items():
            there = hue(pixels)[changed & (to_grey(pixels) == tone)]
            assert len(there) < 20 or np.median(there, axis=0) == pytest.approx(hues, abs=0.04)


def test_what_covers_has_its_own_hue_and_what_lets_light_through_absorbs_by_one_density() -> None:
    print_ = np.full((40, 60, 3), (180, 150, 120), np.uint8)
    before = to_grey(print_).astype(np.float32) / np.float32(255)
    share = np.zeros_like(before)
    share[:, :20] = 1
    covered = in_colour(print_, before, before, share, Material(body=(0.3, -0.2)), 1.0)
    assert hue(covered)[10, 10] == pytest.approx([0.3, -0.2], abs=0.02)
    assert np.abs(covered[:, 20:].astype(int) - print_[:, 20:]).max() <= 1
    # Beer & Lambert: twice the density changes the logarithms twice as much; red, green and blue by their own powers.
    moved = []
    for density in (0.4, 0.8):
        after = (before + np.float32(0.02)) * np.float32(np.exp(-density)) - np.float32(0.02)
        dyed = in_colour(print_, before, after, np.zeros_like(before), Material(dye=VIOLET), 1.0)
        moved.append((hue(dyed) - hue(print_))[10, 30])
    powers = np.array([VIOLET[0] - VIOLET[1], VIOLET[2] - VIOLET[1]])
    assert moved[0] == pytest.approx(-0.4 * powers, abs=0.03)
    assert moved[1] == pytest.approx(-0.8 * powers, abs=0.04)
    assert in_colour(print_, before, 0.5 * before, share * 0, Material(dye=RUST), 1.0)[5, 5].argmin() == 2


def test_a_toned_print_keeps_its_greys_and_has_one_hue_at_each_tone(card: Card) -> None:
    other = [toned(card, np.random.default_rng(seed)).pixels for seed in range(4)]
    for pixels in other:
        assert np.abs(to_grey(pixels).astype(float) - to_grey(card.pixels)).mean() < 1.0
        assert not foreign_colour(seen(pixels.astype(np.float64)), np.ones(pixels.shape[:2], bool)).any()
    apart = [np.abs(hue(a) - hue(b)).mean() for a, b in pairwise(other)]
    assert min(apart) > 0.01


def found(card: Card, colour: float) -> float:
    """Share of what stickers cover that the product takes for foreign."""
    shares = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        hurt_card = hurt(card, "sticker", colour, rng)
        again = np.random.default_rng(seed)
        before = to_grey(card.pixels).astype(np.float32) / np.float32(255)
        _, share = worn(before, ["sticker"], again, float(again.uniform(0.2, 1)))
        told = foreign_colour(seen(hurt_card.pixels.astype(np.float64)), np.ones(share.shape, bool))
        shares.append(float(told[share > 0.9].mean()))
    return float(np.mean(shares))


def test_the_farther_a_label_is_from_the_print_in_colour_the_more_of_it_is_told(card: Card) -> None:
    assert found(card, 0.0) < 0.05
    assert found(card, 1.0) > 0.4


@pytest.mark.parametrize("kind", OTHER_KINDS)
def test_the_other_hand_leaves_what_it_does_not_touch(kind: str, card: Card) -> None:
    hurt_card = hurt_otherwise(card, kind, 1.0, np.random.default_rng(6))
    changed = (hurt_card.pixels != card.pixels).any(axis=2).mean()
    assert 0 < changed < 1
    assert hurt_card.px_per_mm == card.px_per_mm
