"""A packed network answers as it did, as ONNX Runtime computes both."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnxruntime

from matcher.core.nets import WEIGHTS
from matcher.lab.training.packed_weights import pack, pack_apart


def test_a_packed_network_is_smaller_and_answers_alike(tmp_path: Path) -> None:
    whole, packed = WEIGHTS / "change_letters.onnx", tmp_path / "packed.onnx"
    pack(whole, packed)
    assert packed.stat().st_size < 0.6 * whole.stat().st_size
    answers_alike(whole, packed)


def test_tables_in_files_of_their_own_are_no_larger_than_their_share(tmp_path: Path) -> None:
    whole, packed = WEIGHTS / "change_pictures.onnx", tmp_path / "packed.onnx"
    apart = [tmp_path / f"{n}.bin" for n in (1, 2, 3)]
    pack_apart(whole, packed, apart)
    assert all(0 < path.stat().st_size < 0.4 * whole.stat().st_size for path in apart)
    answers_alike(whole, packed)


def answers_alike(whole: Path, packed: Path) -> None:
    before, after = (onnxruntime.InferenceSession(str(path)) for path in (whole, packed))
    rng = np.random.default_rng(1)
    shown = {
        one.name: rng.normal(size=[side if isinstance(side, int) else 32 for side in one.shape]).astype(np.float32)
        for one in before.get_inputs()
    }
    expected = before.run(None, shown)[0]
    assert np.abs(after.run(None, shown)[0] - expected).max() < 0.02 * np.abs(expected).max()
