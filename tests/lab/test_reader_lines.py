"""Tiles that the reader learns from hold what they say, where it was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.photo import to_grey
from matcher.lab.evaluation.lettering_set import LetteredCard, drawn_card
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis.ageing import Age
from matcher.lab.synthesis.printing import Crop
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import Wording, set_lines
from matcher.lab.training.reader_lines import (
    BESIDE,
    TALL,
    drawable,
    ink_box,
    on_card,
    plain_tiles,
    random_line,
    tile_of,
)
from reference_demo.cast import NEGATIVES

TYPE = Typeface("", "book")
SCALE = 12.0
WHOLE = (0.0, 0.0, 0.0, 0.0)


def lettered(place: str, seed: int, trimmed: tuple[float, float, float, float]) -> LetteredCard:
    path = sorted(NEGATIVES.glob("*.jpg"))[0]
    wording = Wording("Ada Kelwick", "", place, TYPE, TYPE, dark=place != "picture light")  # type: ignore[arg-type]
    age = Age(residual_contrast=0.9, trimmed_mm=trimmed)
    return LetteredCard(Negative("one", path, "one", 1), Crop(), wording, age, seed)


@pytest.mark.parametrize(
    ("place", "seed", "trimmed"),
    [
        ("foot left", 3, (0.0, 0.0, 0.0, 0.0)),
        ("side", 4, (0.0, 0.0, 0.0, 0.0)),
        ("foot centre", 5, (1.2, 0.0, 0.4, 0.8)),
    ],
)
def test_a_line_is_looked_for_where_this_copy_bears_it(place: str, seed: int, trimmed: tuple[float, ...]) -> None:
    """The same copy is drawn with and without its words: where the two differ is where they stand."""
    card = lettered(place, seed, trimmed)  # type: ignore[arg-type]
    without = replace(card, wording=replace(card.wording, name=""))
    grey, blank = (to_grey(drawn_card(one, (TYPE,), SCALE).pixels).astype(np.float32) for one in (card, without))
    rows, columns = np.nonzero(np.abs(grey - blank) > 25)
    high, wide = grey.shape
    found = np.array(
        [columns.min() * 36.5 / wide, rows.min() * 63.5 / high, columns.max() * 36.5 / wide, rows.max() * 63.5 / high]
    )
    expected = np.array(on_card(card)(ink_box(set_lines(card.wording)[0])))
    assert np.abs(found - expected).max() < 0.35


def test_tiles_are_as_high_as_they_should_be_and_say_something() -> None:
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 255, (300, 200)).astype(np.uint8)
    source = plain_tiles([picture], (TYPE, Typeface("", "hand"), Typeface("", "display")), rng)
    tiles = [next(source) for _ in range(20)]
    assert all(one.grey.shape[0] == TALL and one.grey.shape[1] > 2 * BESIDE and one.words.strip() for one in tiles)
    assert len({one.words for one in tiles}) > 15


def test_a_tile_has_its_box_in_its_middle() -> None:
    strip = np.full((120, 400), 255, np.uint8)
    strip[40:80, 100:300] = 0
    tile = tile_of(strip, np.array([[100, 40], [300, 40], [300, 80], [100, 80]], np.float32), "x")
    assert tile is not None
    inside = tile.grey[13:59, BESIDE + 1 : -BESIDE - 1]
    assert inside.max() == 0
    assert tile.grey[:10].min() == tile.grey[-10:].min() == tile.grey[:, : BESIDE - 2].min() == 255


def test_signs_that_a_typeface_lacks_are_left_out() -> None:
    assert drawable("Ada \u4e00 B.", TYPE) == "Ada B."


def test_lines_are_of_every_kind() -> None:
    rng = np.random.default_rng(2)
    lines = [random_line(rng) for _ in range(400)]
    assert any(any(c.isdigit() for c in one) for one in lines)
    assert any(one.isupper() for one in lines)
    assert any(not one.isascii() for one in lines)
    assert len(set(lines)) > 390
