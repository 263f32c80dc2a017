"""The evaluation of detection: its measures on worked examples, and a small run that leaves table, rows and sheet."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from matcher.core.detect.card_quad import CardQuad
from matcher.lab.evaluation import detection as evaluation
from matcher.lab.evaluation import detection_cost
from matcher.lab.evaluation.detection_cost import Cost, summary
from matcher.lab.evaluation.detection_measures import compare, jaccard
from matcher.lab.synthesis.staging import Staged, TrueCard

NEGATIVES = Path(__file__).parents[2] / "reference_demo" / "negatives"
MM = (36.5, 63.5)


def corners(left: float, top: float, wide: float = 365.0, high: float = 635.0) -> np.ndarray:
    return np.array([[left, top], [left + wide, top], [left + wide, top + high], [left, top + high]], np.float32)


def staged(*cards: TrueCard) -> Staged:
    return Staged(np.zeros((900, 1200, 3), np.uint8), cards, "wood")


CARD = TrueCard(corners(100, 100).astype(np.float64), MM, np.ones(4, bool))


@pytest.mark.parametrize(
    ("outline", "index"),
    [
        (corners(100, 100), 1.0),
        # Jaccard (1912): moved by half of its width, shared over union is 1/2 over 3/2.
        (corners(100 + 182.5, 100), 1 / 3),
        (corners(100, 100, high=317.5), 1 / 2),
        (corners(600, 100), 0.0),
        (corners(100, 100)[[0, 2, 1, 3]], 0.0),  # crossed: no outline
    ],
)
def test_intersection_over_union_in_the_cards_own_plane(outline: np.ndarray, index: float) -> None:
    assert jaccard(CARD, outline) == pytest.approx(index, abs=1e-4)


def test_cards_are_hit_missed_and_invented() -> None:
    other = TrueCard(corners(600, 100).astype(np.float64), MM, np.ones(4, bool))
    upside_down = CardQuad(np.roll(corners(110, 100), 2, axis=0), 0.9)
    invented = CardQuad(corners(700, 800, 50, 80), 0.9)
    (hit, missed), false = compare(staged(CARD, other), [upside_down, invented])
    assert hit.found
    assert not hit.upright
    assert hit.corners_mm == pytest.approx((1.0,) * 4, abs=1e-3)  # ten pixels to a millimetre
    assert not missed.found
    assert false == 1


def test_a_run_leaves_a_table_rows_and_the_worst_scenes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(detection_cost, "WIDTH", 600)
    monkeypatch.setattr(detection_cost, "HEIGHT", 800)
    kinds = ("wood", "text", "no_wood", "page")
    text = evaluation.run(NEGATIVES, tmp_path, scenes=7, seed=5, kinds=kinds, timed=1)
    rows = json.loads((tmp_path / "locate.json").read_text())
    assert [row["kind"] for row in rows] == ["wood", "text", "no_wood", "page"]
    assert [len(row["hits"]) for row in rows[:3]] == [1, 1, 0]
    assert "all clutter" in text
    assert "empty scenes: 0 of 1 with a false card" in text
    assert text.splitlines()[-1].startswith("locate and flatten of 12 megapixels over their full decoding")
    assert (tmp_path / "locate.txt").read_text() == text + "\n"
    with Image.open(tmp_path / "locate-worst.jpg") as sheet:
        assert sheet.width > sheet.height > 0


def test_cost_is_a_ratio_to_decoding() -> None:
    line = summary([Cost(0.1, 0.15), Cost(0.1, 0.25), Cost(0.2, 0.1)])
    assert "3 photos: median 1.50" in line
    assert "(150 over 100 ms)" in line
