"""The library's graphs, computed by PyTorch, answer as ONNX Runtime computes the files; and so they do when tables
have changed."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import onnxruntime
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("rapidocr")

from matcher.lab.training.onnx_graph_network import LibraryGraph, dump, plain_graph, written_into  # noqa: E402

MODELS = Path(find_spec("rapidocr").origin).parent / "models"  # type: ignore[union-attr, arg-type]
FILES = [("PP-OCRv6_rec_small.onnx", (2, 3, 48, 120)), ("PP-OCRv6_det_small.onnx", (1, 3, 64, 96))]


@pytest.fixture(params=FILES, ids=["reader", "finder"])
def file(request: pytest.FixtureRequest) -> tuple[Path, tuple[int, ...]]:
    name, shape = request.param
    return MODELS / name, shape


def computed(path: Path, shown: np.ndarray) -> np.ndarray:
    return np.asarray(onnxruntime.InferenceSession(str(path)).run(None, {"x": shown})[0])


def test_it_answers_alike_and_so_do_changed_tables(file: tuple[Path, tuple[int, ...]], tmp_path: Path) -> None:
    source, shape = file
    dump(source, tmp_path / "graph.npz")
    network = LibraryGraph(plain_graph(tmp_path / "graph.npz"))
    shown = np.random.default_rng(1).uniform(-1, 1, shape).astype(np.float32)
    with torch.no_grad():
        before = network(torch.from_numpy(shown)).numpy()
        assert np.abs(before - computed(source, shown)).max() < 1e-4
        for table in network.parameters():
            table.mul_(1.02)
        after = network(torch.from_numpy(shown)).numpy()
    written_into(source, network.tables(), tmp_path / "learnt.onnx")
    assert np.abs(after - computed(tmp_path / "learnt.onnx", shown)).max() < 1e-4
    assert np.abs(after - before).max() > 1e-3


def test_every_table_that_counts_learns(file: tuple[Path, tuple[int, ...]], tmp_path: Path) -> None:
    source, shape = file
    dump(source, tmp_path / "graph.npz")
    network = LibraryGraph(plain_graph(tmp_path / "graph.npz"))
    network.raw(torch.rand(shape)).square().mean().backward()
    assert all(
        table.grad is not None and bool(table.grad.any()) for table in network.parameters() if table.numel() > 50
    )
