"""One runtime for every small network: a logistic model written as ONNX answers as its formula says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from matcher.core.nets import WEIGHTS
from matcher.core.nets.runtime import infer
from matcher.lab.training.logistic_onnx import LogisticModel, write_logistic


def test_a_logistic_model_answers_as_its_formula(tmp_path: Path) -> None:
    path = tmp_path / "model.onnx"
    write_logistic(LogisticModel(np.array([1.0, -2.0]), np.array([2.0, 0.5]), np.array([0.3, -0.7]), 0.2), path)
    found = infer(path, measurements=np.array([[1, -2], [3, -2], [1, -1.5], [1e6, -2]], np.float32))
    expected = 1 / (1 + np.exp(-np.array([0.2, 0.2 + 0.3, 0.2 - 0.7, 0.2 + 4 * 0.3])))
    assert found == pytest.approx(expected, abs=1e-6)
    with pytest.raises(Exception, match="measurements"):
        infer(path, measurements=np.zeros((1, 3), np.float32))


def test_a_model_of_unlike_shapes_is_refused() -> None:
    with pytest.raises(ValueError, match="one shape"):
        LogisticModel(np.zeros(2), np.ones(2), np.ones(3), 0.0)


def test_every_network_tells_where_it_comes_from() -> None:
    """Beside it, or for several of one training in a file that their names begin with."""
    for path in WEIGHTS.glob("*.onnx"):
        named = [path.with_suffix(".json"), *WEIGHTS.glob(f"{path.stem.split('_')[0]}_*.json")]
        assert any(file.is_file() for file in named), path.name
