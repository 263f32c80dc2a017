"""A logistic model as an ONNX file: what `quad_classifier` and `full_frame` are fitted to, for `core.nets.runtime`.

Inputs are brought to mean 0 and deviation 1, cut at four deviations, weighed, and turned into a probability.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

CUT = 4.0
"""Deviations beyond which a measurement says no more: an odd picture must not outweigh all else; own choice."""

DIGITS = 4
"""Significant digits that are stored: what a fit can tell apart."""


@dataclass(frozen=True)
class LogisticModel:
    """mean, scale, weights: (f,) for f measurements; scale above 0. bias: log odds where every measurement is mean."""

    mean: Values
    scale: Values
    weights: Values
    bias: float

    def __post_init__(self) -> None:
        if not self.mean.shape == self.scale.shape == self.weights.shape == (len(self.mean),):
            shapes = (self.mean.shape, self.scale.shape, self.weights.shape)
            raise ValueError(f"mean, scale and weights must be of one shape (f,), not {shapes}")


def standardised(measurements: NDArray[np.floating], mean: Values, scale: Values) -> Values:
    """(n, f) measurements as the model weighs them."""
    return np.asarray(np.clip((measurements - mean) / scale, -CUT, CUT), np.float64)


def write_logistic(model: LogisticModel, path: Path, **provenance: object) -> None:
    """Write the ONNX file, `measurements` (n, f) float32 in, (n,) float32 out, and its provenance as JSON beside."""
    from onnx import TensorProto, checker, helper, numpy_helper

    numbers = {
        "mean": _rounded(model.mean),
        "scale": _rounded(model.scale),
        "weights": _rounded(model.weights)[:, None],
        "bias": _rounded(np.array([model.bias])),
        "lowest": np.float32(-CUT),
        "highest": np.float32(CUT),
        "column": np.array([1], np.int64),
    }
    steps = [
        helper.make_node("Sub", ["measurements", "mean"], ["centred"]),
        helper.make_node("Div", ["centred", "scale"], ["scaled"]),
        helper.make_node("Clip", ["scaled", "lowest", "highest"], ["cut"]),
        helper.make_node("Gemm", ["cut", "weights", "bias"], ["log_odds"]),
        helper.make_node("Sigmoid", ["log_odds"], ["probabilities"]),
        helper.make_node("Squeeze", ["probabilities", "column"], ["probability"]),
    ]
    measurements = helper.make_tensor_value_info("measurements", TensorProto.FLOAT, ["n", len(model.mean)])
    probability = helper.make_tensor_value_info("probability", TensorProto.FLOAT, ["n"])
    constants = [numpy_helper.from_array(np.asarray(value), name) for name, value in numbers.items()]
    graph = helper.make_graph(steps, "logistic", [measurements], [probability], constants)
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    checker.check_model(made)
    path.write_bytes(made.SerializeToString())
    path.with_suffix(".json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")


def _rounded(values: Values) -> NDArray[np.float32]:
    return np.array([float(f"{value:.{DIGITS}g}") for value in values], np.float32)
