"""Run a small network kept as an ONNX file: named arrays in, one array out.

ONNX Runtime computes it, in a quarter to a half of the time of OpenCV's own reader of such files and to the same
numbers. A large network is computed on two threads, to the same bits: one photo alone is answered sooner, and where
every processor has a photo of its own nothing is lost, since a thread that waits does not spin.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import onnxruntime
from numpy.typing import NDArray

from matcher.core.nets import check_weights

Floats = NDArray[np.float32]

LARGE_BYTES = 400_000
"""Of a network's file, from which a second thread is worth its handing over; below, a run takes some 3 ms."""


def infer(path: Path, **inputs: Floats) -> Floats:
    """The network's first output, float32, for `inputs`, float32, by the names and of the shapes that the file gives.

    Raises PlatekinError damaged_part, and what ONNX Runtime raises for a file that is none and for inputs of another
    name or shape.
    """
    return np.asarray(_session(path).run(None, inputs)[0], np.float32)


def infer_all(path: Path, **inputs: Floats) -> tuple[Floats, ...]:
    """All of the network's outputs, in the file's order."""
    return tuple(np.asarray(one, np.float32) for one in _session(path).run(None, inputs))


KEPT = 16
"""Networks that stay read in a process: all that are shipped, since one that has to be read again takes longer than its
run."""


@lru_cache(maxsize=KEPT)
def _session(path: Path) -> Any:
    """Read once a process; its weights never change, and are what was shipped."""
    check_weights(path)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 2 if path.stat().st_size >= LARGE_BYTES else 1
    options.inter_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.log_severity_level = 3  # errors: what it thinks of the machine it runs on is no user's concern
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
