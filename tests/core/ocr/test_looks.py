"""A place on a card is read once, whichever record it was looked up for."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.card_lines import BoxMm
from matcher.core.ocr import looks
from matcher.core.ocr.looks import Card, Look, Looks
from matcher.core.ocr.settings import LinePairSettings
from matcher.core.ocr.spelling import Frames
from tests.support.faces import SIZE

NAME: BoxMm = (6.0, 55.0, 20.0, 58.0)
CARD = Card(np.zeros((640, 368), np.uint8), looks.mm_to_face(SIZE), SIZE)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[BoxMm]:
    """The boxes that were read so far."""
    boxes: list[BoxMm] = []

    def look_at(library: object, card: Card, box: BoxMm, quarters: int, settings: LinePairSettings) -> Look:
        boxes.append(box)
        return Look(f"look {len(boxes)}", 0.9, Frames("", np.zeros((0, 1), np.float32)))

    monkeypatch.setattr(looks, "look_at", look_at)
    return boxes


def moved(box: BoxMm, along: float, longer: float = 0.0) -> BoxMm:
    return box[0] + along, box[1], box[2] + along + longer, box[3]


def at(seen: Looks, box: BoxMm, quarters: int = 0, card: Card = CARD) -> str:
    return seen.at(None, card, box, quarters, LinePairSettings(same_place_mm=0.4)).words  # type: ignore[arg-type]


def test_a_place_is_read_once(read: list[BoxMm]) -> None:
    seen = Looks()
    assert at(seen, NAME) == at(seen, NAME) == at(seen, moved(NAME, 0.3)) == "look 1"
    assert len(read) == 1


def test_another_place_a_longer_line_and_another_way_up_are_read_anew(read: list[BoxMm]) -> None:
    seen = Looks()
    asked = [at(seen, NAME), at(seen, moved(NAME, 0.5)), at(seen, moved(NAME, 0, longer=2.0)), at(seen, NAME, 1)]
    assert asked == ["look 1", "look 2", "look 3", "look 4"]
    assert len(read) == 4


def test_what_counts_is_the_place_on_the_card_and_not_on_the_reference(read: list[BoxMm]) -> None:
    seen, right = Looks(), np.array([[1, 0, 30.0], [0, 1, 0], [0, 0, 1]])  # this reference lies 3 mm to the left
    scale = SIZE.width / SIZE.width_mm
    other = Card(CARD.grey, right @ CARD.to_pixels, SIZE)
    assert at(seen, NAME) == at(seen, moved(NAME, -30.0 / scale), card=other) == "look 1"
    assert at(seen, NAME, card=other) == "look 2"
    assert len(read) == 2
