"""The movement network can be gone on with from its weights as they are shipped."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.ladder.movement import CELL
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer_all

torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")


def test_the_shipped_weights_give_the_shipped_network() -> None:
    from matcher.lab.training.movement_network import shipped

    rng, weights = np.random.default_rng(1), weight_file("movement.onnx")
    sides = [rng.normal(size=(1, 2, 64, 48)).astype(np.float32) for _ in range(2)]
    noise, shown = np.full((1, 2), 0.4, np.float32), np.ones((1, 1, 64 // CELL, 48 // CELL), np.float32)
    by_onnx = infer_all(weights, query=sides[0], reference=sides[1], noise=noise, shown=shown)
    with torch.no_grad():
        by_torch = shipped(weights).eval()(*(torch.from_numpy(one) for one in (*sides, noise, shown)))
    for ours, theirs in zip(by_torch, by_onnx, strict=True):
        assert ours.numpy() == pytest.approx(theirs, abs=1e-4)
