"""Exposures of a plate: two prints of one agree, and one in which somebody moved does not."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from matcher.lab.evaluation.plates_run import HEIGHT_PX, JUDGED, Asked, asked_of, exposures, probability, table
from matcher.lab.manifests import FOLDER
from tests.core.ladder.test_ladder import studio


@pytest.fixture
def plates(tmp_path: Path) -> Path:
    """A plate of three exposures: the second lies elsewhere on the glass and is lighter, in the third somebody else
    stands there."""
    still, moved = studio("A1"), studio("A3")
    size = (still.shape[1], still.shape[0])
    over = np.float32([[1, 0, 3], [0, 1, -2]])
    elsewhere = cv2.warpAffine(still, over, size, borderMode=cv2.BORDER_REPLICATE)
    lighter = np.clip(40 + 0.8 * elsewhere.astype(np.float32), 0, 255).astype(np.uint8)
    for number, grey in enumerate((still, lighter, cv2.resize(moved, size))):
        cv2.imwrite(str(tmp_path / f"plate99_{number}.jpg"), grey)
    return tmp_path


def test_an_exposure_is_laid_over_another_that_lies_elsewhere_on_the_glass(plates: Path) -> None:
    one, other = exposures(plates, "plate99", 0, 1)
    assert one.shape == other.shape
    assert one.shape[0] == HEIGHT_PX
    assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.99


def test_prints_of_one_exposure_are_one_and_of_another_two(plates: Path) -> None:
    told = [probability(Asked(plates, "plate99", 0, printed, 0, 5)) for printed in (0, 2)]
    assert told[0] is not None
    assert told[1] is not None
    assert told[1] < 0.25 < 0.75 < told[0]


def test_every_exposure_is_asked_and_those_pairs_that_were_judged_both_ways_round() -> None:
    asked = list(asked_of(Path(), ["plate05", "plate99"], 2, 1))
    assert len(asked) == 2 * (3 + 4) + 2 * 3
    assert {(one.enrolled, one.printed) for one in asked if not one.same} == {(0, 1), (1, 0), (0, 2), (2, 0)}
    lines = list(table(asked, [0.9 if one.same else 0.1 for one in asked]))
    assert "called one 100.0 % (12), two 0.0 % (0)" in lines[0]
    assert "8 asked, 0 not compared; called one 0.0 % (0), two 100.0 % (8)" in lines[1]


def test_only_plates_that_are_listed_to_report_were_judged() -> None:
    listed = json.loads((FOLDER / "old_plates.json").read_text())["pictures"]
    assert set(JUDGED) <= {one["file"].split("_")[0] for one in listed if one["role"] == "report"}
