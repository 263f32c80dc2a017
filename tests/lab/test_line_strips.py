"""Strips that the finder of lines learns from tell of lines where they are drawn; plain ones of none where none is
seen."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from matcher.core.ocr.every_line import Zone
from matcher.core.ocr.settings import EveryLineSettings
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import SetLine, width_mm
from matcher.lab.training.line_strips import (
    COLUMNS,
    CORE,
    NOTHING,
    OPEN,
    ROWS,
    UNCLIP,
    card_strips,
    core,
    fill,
    framed,
    is_seen,
    plain_strips,
    shrunk_by,
)
from tests.lab.test_reader_lines import TYPE, WHOLE, lettered

SCALE = 14.0
SHAPE = (120, 560)


def line(**changes: float) -> SetLine:
    """'Ada Kelwick' in the middle of a strip."""
    set_ = SetLine("Ada Kelwick", "name", TYPE, 2.2, 0.0, 20.0, 5.0, width_mm("Ada Kelwick", TYPE, 2.2, 0.0))
    return replace(set_, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(("wide", "high"), [(300.0, 24.0), (40.0, 30.0), (24.0, 300.0)])
def test_a_core_grows_into_its_box_again(wide: float, high: float) -> None:
    """By area over outline (Liao et al. 2020, AAAI, equation 10, the other way round)."""
    by = shrunk_by(wide, high)
    inner = (wide - 2 * by, high - 2 * by)
    assert UNCLIP * inner[0] * inner[1] / (2 * sum(inner)) == pytest.approx(by, abs=0.01)


@pytest.mark.parametrize("changes", [{}, {"turn": 3.0}, {"arc": 45.0}, {"arc": -45.0}, {"spacing": 0.2}])
def test_a_core_lies_along_the_ink(changes: dict[str, float]) -> None:
    drawn = line(**changes)
    drawn = replace(drawn, width=width_mm(drawn.words, TYPE, drawn.body, drawn.spacing))
    inked = draw_line(drawn, SHAPE, SCALE).alpha > 0.4
    told = np.zeros(SHAPE, np.uint8)
    fill(told, core(drawn, SCALE), CORE)
    rows, columns = (np.flatnonzero(inked.any(axis=axis)) for axis in (1, 0))
    within = np.flatnonzero((told == CORE).any(axis=0))
    assert abs(within[0] - columns[0]) < 0.6 * SCALE
    assert abs(within[-1] - columns[-1]) < 0.6 * SCALE
    assert rows[0] <= np.flatnonzero((told == CORE).any(axis=1))[0]
    for column in np.linspace(columns[0] + 10, columns[-1] - 10, 6).astype(int):
        here = np.flatnonzero(inked[:, column - 8 : column + 9].any(axis=1))
        middle = np.flatnonzero(told[:, column] == CORE).mean()
        assert here[0] - 3 <= middle <= here[-1] + 3


def test_what_cannot_be_seen_is_not_asked_about() -> None:
    paper = np.full(SHAPE, 0.8, np.float32)
    inked = draw_line(line(), SHAPE, SCALE)
    grain = np.random.default_rng(1).normal(0, 3, SHAPE)
    seen, hidden = (
        np.clip(255 * ink_on(paper, replace(inked, tone=np.full(SHAPE, tone, np.float32))) + grain, 0, 255)
        for tone in (0.3, 0.795)
    )
    assert is_seen(inked.alpha, seen.astype(np.uint8))
    assert not is_seen(inked.alpha, hidden.astype(np.uint8))


def test_strips_are_of_one_size_and_tell_of_nothing_beyond_their_edge() -> None:
    strip = framed(np.full((60, 300), 9, np.uint8), np.zeros((60, 300), np.uint8), np.random.default_rng(2))
    assert strip.grey.shape == strip.told.shape == (ROWS, COLUMNS)
    assert int((strip.told == NOTHING).sum()) == 60 * 300
    assert int((strip.told == OPEN).sum()) == ROWS * COLUMNS - 60 * 300


def test_plain_strips_bear_lines_and_some_none() -> None:
    rng = np.random.default_rng(3)
    picture = cv2.GaussianBlur(rng.integers(0, 255, (300, 200)).astype(np.uint8), (0, 0), 6)
    types = (TYPE, Typeface("", "hand"), Typeface("", "display"))
    source = plain_strips([picture], types, rng)
    strips = [next(source) for _ in range(30)]
    assert all(one.grey.shape == (ROWS, COLUMNS) for one in strips)
    bear = sum(bool((one.told == CORE).any()) for one in strips)
    assert 15 <= bear < 30


@pytest.mark.parametrize(("place", "zone"), [("foot left", 0), ("side", 2)])
def test_a_card_s_line_is_told_in_the_zone_where_it_stands(place: str, zone: int) -> None:
    """Where a card with words differs from the same without, there and nowhere else."""
    from matcher.lab.training import line_strips

    card = lettered(place, 3, WHOLE)
    strips = []
    for one in (card, replace(card, wording=replace(card.wording, name=""))):
        grey = line_strips.drawn_card(one, (TYPE,), 16.0).pixels.mean(axis=2).astype(np.uint8)
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * [grey.shape[1], grey.shape[0]]
        told = list(line_strips.told_zones(card, grey, corners.astype(np.float32), "looked at"))
        strips.append(told[zone])
    (with_, told), (without, _) = strips
    changed = np.abs(with_.astype(np.float32) - without) > 60
    inside = told == CORE
    assert inside.any()
    rows, columns = np.nonzero(inside)
    assert changed[rows.min() : rows.max(), columns.min() : columns.max()].mean() > 0.05
    rim = cv2.dilate(inside.astype(np.uint8), np.ones((31, 31), np.uint8)) == 0
    assert changed[rim].mean() < 0.01


def test_whole_cards_give_strips_of_all_their_edges() -> None:
    card = lettered("foot left", 3, WHOLE)
    negatives = [card.negative] * 4
    types = (TYPE, Typeface("", "hand"), Typeface("", "display"))
    strips = list(card_strips(negatives, types, 2, 5))
    assert len(strips) == 8
    assert any((one.told == CORE).any() for one in strips)


def test_zones_are_turned_as_the_search_turns_them() -> None:
    from matcher.core.ocr.every_line import _on_card
    from matcher.lab.training.line_strips import in_zone

    for quarters in (0, 1, 3):
        zone = Zone((1.0, 2.0, 8.0, 60.0), 640, quarters)
        box = np.array([[3.0, 10.0], [6.0, 10.0], [6.0, 30.0], [3.0, 30.0]])
        there = in_zone(box, zone) * EveryLineSettings().px_per_mm
        assert _on_card(there.astype(np.float32), zone, EveryLineSettings().px_per_mm) == (3.0, 10.0, 6.0, 30.0)
