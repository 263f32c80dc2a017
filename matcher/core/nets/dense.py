"""A small network of dense layers, fitted elsewhere and stored as plain JSON: numbers in, a value 0 to 1 out."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float32]


@dataclass(frozen=True)
class Network:
    """Inputs are brought to mean 0 and deviation 1, then go through dense layers with `tanh` between them.

    mean, scale: (f,). layers: weights (in, out) and bias (out,) of each layer.
    logistic:    whether the last layer gives log odds; else its value is cut to 0..1.
    """

    mean: Values
    scale: Values
    layers: tuple[tuple[Values, Values], ...]
    logistic: bool

    def __call__(self, inputs: Values) -> Values:
        """(n, f) measurements to (n,) values, 0 to 1."""
        if inputs.ndim != 2 or inputs.shape[1] != len(self.mean):
            raise ValueError(f"inputs must be (n, {len(self.mean)}), not {inputs.shape}")
        x = np.clip((inputs - self.mean) / self.scale, -4, 4)
        for weights, bias in self.layers[:-1]:
            x = np.tanh(x @ weights + bias)
        value = (x @ self.layers[-1][0] + self.layers[-1][1])[:, 0]
        return np.asarray(1 / (1 + np.exp(-value)) if self.logistic else np.clip(value, 0, 1), np.float32)

    def to_json(self, source: str) -> str:
        """Four significant digits: what the fit can tell apart."""
        rounded = [[_rounded(weights), _rounded(bias)] for weights, bias in self.layers]
        stored = {
            "source": source,
            "logistic": self.logistic,
            "mean": _rounded(self.mean),
            "scale": _rounded(self.scale),
        }
        return json.dumps({**stored, "layers": rounded}, separators=(",", ":"))


@lru_cache(maxsize=8)
def load_network(path: Path) -> Network:
    """Read what `to_json` wrote."""
    stored = json.loads(path.read_text(encoding="utf-8"))
    layers = tuple((np.array(w, np.float32), np.array(b, np.float32)) for w, b in stored["layers"])
    mean, scale = (np.array(stored[name], np.float32) for name in ("mean", "scale"))
    return Network(mean, scale, layers, bool(stored["logistic"]))


def _rounded(values: NDArray[np.floating]) -> list[object]:
    listed: list[object] = json.loads(json.dumps(values.tolist()), parse_float=lambda text: float(f"{float(text):.4g}"))
    return listed
