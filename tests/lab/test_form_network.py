"""The network that tells a mark's form: it learns what is drawn, and is written as the product reads it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from matcher.core.ocr.mark_form import COLUMNS, FORMS, ROWS  # noqa: E402
from matcher.lab.training.drawn_store_network import Course  # noqa: E402
from matcher.lab.training.form_network import FormNetwork, export, taught, varied  # noqa: E402
from matcher.lab.training.form_tiles import FormTile  # noqa: E402


def endless() -> Iterator[list[FormTile]]:
    """Tiles of plain noise, light ones of the last form and dark ones of the first."""
    rng = np.random.default_rng(3)
    while True:
        forms = rng.integers(2, size=16) * (len(FORMS) - 1)
        yield [FormTile(rng.integers(20, 60, (ROWS, COLUMNS)).astype(np.uint8), int(form)) for form in forms]


def test_it_learns_from_what_is_drawn_and_is_written_to_the_same_numbers(tmp_path: Path) -> None:
    import onnxruntime

    torch.manual_seed(1)
    network = FormNetwork()
    before = float(network.odds.bias[1].detach())
    learnt = taught(network, endless(), Course(0.05, 1e-1, 16, 200, 32, "cpu", 1, mean=0.5))
    assert learnt.steps > 0
    assert learnt.tiles >= 32
    assert float(learnt.network.odds.bias[1]) < before  # a form that is never drawn
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the exporter that writes the older form of the file
        export(learnt.network, tmp_path / "mark_form.onnx")
    session = onnxruntime.InferenceSession(str(tmp_path / "mark_form.onnx"), providers=["CPUExecutionProvider"])
    tile = np.random.default_rng(9).normal(size=(1, 1, ROWS, COLUMNS)).astype(np.float32)
    with torch.no_grad():
        told = learnt.network(torch.from_numpy(tile)).numpy()
    assert np.allclose(session.run(None, {"tile": tile})[0], told, atol=1e-4)


def test_tiles_are_varied_each_by_itself_and_stay_even() -> None:
    torch.manual_seed(1)
    tiles = torch.full((8, ROWS, COLUMNS), 100.0)
    tiles[:, 8:10] = 250.0
    shown = varied(tiles)
    assert shown.shape == (8, 1, ROWS, COLUMNS)
    assert float(shown.mean(dim=(1, 2, 3)).abs().max()) < 1e-3
    assert len({tuple(one.flatten()[:400].tolist()) for one in shown}) == 8
