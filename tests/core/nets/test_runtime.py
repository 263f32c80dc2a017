"""One runtime for every small network: a logistic model written as ONNX answers as its formula says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnxruntime
import pytest

from matcher.core.nets import WEIGHTS
from matcher.core.nets.runtime import KEPT, LARGE_BYTES, infer, infer_all
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


def test_no_shipped_network_is_read_twice() -> None:
    assert len(list(WEIGHTS.glob("*.onnx"))) <= KEPT


def test_two_threads_compute_what_one_does() -> None:
    """Answers may not depend on how many processors a machine has."""
    path = WEIGHTS / "finder.onnx"
    assert path.stat().st_size >= LARGE_BYTES
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    alone = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    shown = alone.get_inputs()[0]
    shape = [side if isinstance(side, int) else 256 for side in shown.shape]
    picture = np.random.default_rng(7).normal(size=shape).astype(np.float32)
    for found, expected in zip(
        infer_all(path, **{shown.name: picture}), alone.run(None, {shown.name: picture}), strict=True
    ):
        assert np.array_equal(found, expected)
