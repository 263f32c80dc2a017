"""A network that begins with shipped weights answers as ONNX Runtime computes them from the packed file."""

from __future__ import annotations

import numpy as np
import onnxruntime
import pytest

torch = pytest.importorskip("torch")

from matcher.core.nets import WEIGHTS  # noqa: E402
from matcher.lab.training.begun_network import begin_from  # noqa: E402
from matcher.lab.training.finder_network import FinderNetwork  # noqa: E402
from matcher.lab.training.orientation_network import OrientationNetwork  # noqa: E402


@pytest.mark.parametrize(
    ("name", "network", "sizes"),
    [
        ("orientation.onnx", OrientationNetwork(), {"whole": (144, 84), "head": (64, 220), "foot": (64, 220)}),
        ("finder.onnx", FinderNetwork(), {"picture": (64, 96)}),
    ],
)
def test_it_begins_with_the_same_answers(name: str, network: torch.nn.Module, sizes: dict[str, tuple[int, int]]):
    channels = 4 if name == "finder.onnx" else 2
    rng = np.random.default_rng(1)
    count = 1 if name == "finder.onnx" else 2
    shown = {one: rng.normal(size=(count, channels, *size)).astype(np.float32) for one, size in sizes.items()}
    expected = onnxruntime.InferenceSession(str(WEIGHTS / name)).run(None, shown)[0]
    begin_from(network, WEIGHTS / name)
    norms = [part for part in network.modules() if isinstance(part, torch.nn.BatchNorm2d)]
    assert norms
    assert not any(part.training for part in norms)
    with torch.no_grad():
        found = network.eval()(*map(torch.from_numpy, shown.values())).numpy()
    assert np.abs(found - expected).max() < 1e-3 * np.abs(expected).max() + 1e-3
