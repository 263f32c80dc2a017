"""Desks that the finder learns from: the true corners are where the cards are, and a seed gives one desk."""

from __future__ import annotations

from itertools import islice

import cv2
import numpy as np
import pytest

from matcher.core.detect.finder import CELL, LONG_SIDE, response_quads
from matcher.lab.evaluation.detection import portrait_of
from matcher.lab.synthesis.clutter import PX_PER_MM, SIZES, THINGS, thing
from matcher.lab.synthesis.desks import Desk, DeskDrawer, any_size
from matcher.lab.synthesis.staging import Props
from matcher.lab.training.finder_scenes import learnt, learnt_desks, overlap_of
from tests.support.faces import picture


@pytest.fixture(scope="module")
def props() -> Props:
    greys = [np.ascontiguousarray(picture(seed, 533, 400)) for seed in (1, 2, 3)]
    return Props([portrait_of(grey) for grey in greys], [np.dstack([grey, grey // 2, 255 - grey]) for grey in greys])


@pytest.fixture(scope="module")
def desks(props: Props) -> list[Desk]:
    drawer = DeskDrawer(props, np.random.default_rng(8))
    return [drawer.desk() for _ in range(60)]


def test_desks_are_small_and_of_every_kind(desks: list[Desk]) -> None:
    assert all(max(desk.pixels.shape[:2]) == 384 for desk in desks)
    counts = [len(desk.cards) for desk in desks]
    assert min(counts) == 0
    assert 1 in counts
    assert max(counts) > 3
    shapes = {round(float(np.log(desk.pixels.shape[1] / desk.pixels.shape[0])), 1) for desk in desks}
    assert min(shapes) < 0 < max(shapes)


def test_one_seed_is_one_desk(props: Props) -> None:
    first, again = (DeskDrawer(props, np.random.default_rng(4)).desk() for _ in range(2))
    assert np.array_equal(first.pixels, again.pixels)
    assert np.array_equal(first.cards, again.cards)


def test_a_card_differs_from_what_lies_around_it_along_its_true_sides(desks: list[Desk]) -> None:
    """Cards alone on a desk: the strongest step of colour across each side is where the side is said to be."""
    right = total = 0
    for desk in (one for one in desks if len(one.cards) == 1):
        grey = cv2.cvtColor(desk.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
        (card,) = desk.cards
        if card.min() < 6 or (card > np.array(grey.shape[::-1]) - 6).any():
            continue
        middle = card.mean(axis=0)
        for a, b in zip(card, np.roll(card, -1, axis=0), strict=True):
            away = (a + b) / 2 - middle
            away /= np.linalg.norm(away)
            at = np.linspace(0.2, 0.8, 24)[:, None, None] * (b - a) + a
            places = at + np.arange(-5, 6)[None, :, None] * away
            x, y = np.rint(np.moveaxis(places, -1, 0) - 0.5).astype(int)
            profile = grey[y.clip(0, grey.shape[0] - 1), x.clip(0, grey.shape[1] - 1)].mean(axis=0)
            right += abs(int(np.abs(np.diff(profile)).argmax()) - 4.5) <= 1.5
            total += 1
    assert total >= 20
    assert right / total > 0.7


def test_what_the_network_is_shown_has_its_truth(props: Props) -> None:
    some = list(islice(learnt_desks(props, np.random.default_rng(2)), 12))
    assert any(len(one.cards) for one in some)
    for one in some:
        assert one.picture.shape == (4, LONG_SIDE, LONG_SIDE)
        assert one.truth.shape == (2, LONG_SIDE // CELL, LONG_SIDE // CELL)
        beyond = one.picture[3, ::CELL, ::CELL] == 0
        assert not one.truth[:, beyond].any()
        assert (one.truth[0].max() > 0) == bool(len(one.cards))


def test_the_truth_itself_gives_the_cards_back() -> None:
    """What outlines are made of the network's answer: on a perfect answer they are the cards', touching ones too."""
    left, right = [[60, 60], [160, 60], [160, 230], [60, 230]], [[160, 60], [260, 70], [252, 230], [160, 230]]
    one = learnt(Desk(np.full((384, 300, 3), 90, np.uint8), np.array([left, right], np.float64)))
    inside, border = one.truth.astype(np.float32) / 255
    quads = response_quads(inside, border)
    for card in one.cards:
        assert max(overlap_of(card, quad) for quad in quads) > 0.9


@pytest.mark.parametrize("kind", THINGS)
def test_whatever_lies_about_has_its_size(kind: str, props: Props) -> None:
    rng = np.random.default_rng(5)
    one = thing(kind, props.backgrounds, rng)
    assert one.layer.shape[2] == 4
    assert one.layer[..., 3].max() == 255
    low, high = SIZES[kind]
    assert low - 1 / PX_PER_MM <= max(one.size_mm) <= high + 1 / PX_PER_MM


def test_cards_of_many_shapes_either_way_up() -> None:
    rng = np.random.default_rng(1)
    shapes = [any_size(rng).aspect for _ in range(200)]
    assert min(shapes) < 0.5
    assert max(shapes) > 1.5
    assert 0.3 < np.mean([abs(shape - 36.5 / 63.5) < 0.01 for shape in shapes]) < 0.7
