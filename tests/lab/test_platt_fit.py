"""Stated confidence and truth of whole answers: the scaling of log odds, and its fit on evaluations."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from matcher.core.calibration import Calibration, PlattScaling, log_odds
from matcher.lab.measures import expected_calibration_error
from matcher.lab.training.fitting import as_json
from matcher.lab.training.platt_fit import LEAST_ROWS, SCALED, fit_answers
from tests.support.cards import card, row_answer

SHIPPED = Calibration.load()


def row(pose: float, right: bool) -> Mapping[str, Any]:
    """An evaluation's row, as far as the pose goes."""
    shown = card("undecided", 276, 480, closest="V1", confidence={"pose": pose, "crop": None})
    truth = {"pose": shown.candidates[0].pose if right else "P2", "crop": "A", "record_id": "V1", "copy": "q"}
    return {"truth": truth, "answer": row_answer(shown, "r.jpg")}


def too_doubtful(n: int) -> tuple[list[Mapping[str, Any]], np.ndarray, np.ndarray]:
    """Answers whose log odds are stated by half of what they are, and one lower."""
    rng = np.random.default_rng(3)
    true = rng.normal(1.0, 2.5, n)
    right = rng.random(n) < 1 / (1 + np.exp(-true))
    given = 1 / (1 + np.exp(-(0.5 * true - 1.0)))
    return [row(float(p), bool(r)) for p, r in zip(given, right, strict=True)], given, right


def test_the_scaling_that_was_drawn_is_found_again() -> None:
    rows, given, right = too_doubtful(4000)
    scaling = fit_answers(rows, {})["pose"]
    assert scaling.slope == pytest.approx(2.0, abs=0.25)
    assert scaling.shift == pytest.approx(2.0, abs=0.3)
    scaled = [1 / (1 + math.exp(-scaling(log_odds(float(p))))) for p in given]
    assert expected_calibration_error(scaled, right) < 0.03 < 0.15 < expected_calibration_error(given, right)


def test_a_scaling_follows_the_one_that_the_answers_were_made_with() -> None:
    rows, _, _ = too_doubtful(4000)
    once = fit_answers(rows, {})["pose"]
    again = fit_answers(rows, {"pose": PlattScaling(0.5, 1.5)})["pose"]
    assert again(2.0) == pytest.approx(once(PlattScaling(0.5, 1.5)(2.0)), abs=0.01)


def test_too_few_answers_or_answers_of_one_kind_change_nothing() -> None:
    kept = {"pose": PlattScaling(0.25, 1.25)}
    rows, _, _ = too_doubtful(LEAST_ROWS - 1)
    assert fit_answers(rows, kept) == kept
    assert fit_answers([row(0.8, True)] * 200, kept) == kept


def test_a_scaling_is_stored_and_read_back(tmp_path: Path) -> None:
    file = tmp_path / "calibration.json"
    file.write_text(json.dumps(as_json(SHIPPED.rungs, SHIPPED.provenance, {"copy": PlattScaling(-1.0, 2.0)})))
    read = Calibration.load(file)
    assert read.platt == {"copy": PlattScaling(-1.0, 2.0)}
    assert read.rungs == SHIPPED.rungs
    assert read.answered("copy", 1.0) == pytest.approx(1 / (1 + math.exp(-1.0)))
    assert read.answered("pose", 1.0) == pytest.approx(1 / (1 + math.exp(-1.0)))  # no scaling: as it is


def test_shipped_scalings_never_turn_an_order_round() -> None:
    assert set(SHIPPED.platt) <= set(SCALED)
    assert all(scaling.slope > 0 for scaling in SHIPPED.platt.values())
