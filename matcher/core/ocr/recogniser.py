"""What one line of letters says: a level picture of it in, words and what was seen frame by frame out.

The network is the reading library's own (PP-OCRv6, Apache License 2.0), taught on with lines as cards bear them and
with fewer signs; `nets/weights/reader.json` says from what and names the signs. It sees a line through a row of narrow
frames, as connectionist temporal classification has it (Graves et al. 2006, Proc. ICML).
"""

from __future__ import annotations

import json
import math
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.nets import check_weights, weight_file
from matcher.core.nets.runtime import infer
from matcher.core.ocr.settings import ReaderSettings
from matcher.core.ocr.spelling import Frames, plain

Floats = NDArray[np.float32]

TABLES = ("reader_1.bin", "reader_2.bin", "reader_3.bin")
"""Beside `reader.onnx`, which names them: no file that is shipped is larger than 3 MB."""

ROWS = 48
"""Height at which it sees a line, pixels."""

LEAST_COLUMNS = 16


def recognised(line: NDArray[np.uint8], share: float, settings: ReaderSettings) -> tuple[str, float, Frames]:
    """Words of one level line, (rows, columns) uint8 grey; the mean probability of their letters, 0 to 1; and frames.

    share: of its width at which it is read; above 1 with so much blank beside it, in which a last letter ends.
    """
    signs, plain_signs = _signs()
    probabilities = infer(_network(), x=prepared(line, share, settings.narrowest))[0]
    likeliest = probabilities.argmax(axis=1)
    begins = np.flatnonzero((likeliest > 0) & (likeliest != np.append(-1, likeliest[:-1])))
    words = "".join(signs[int(likeliest[frame]) - 1] for frame in begins)
    certainty = float(probabilities.max(axis=1)[begins].mean()) if len(begins) else 0.0
    return " ".join(words.split()), certainty, Frames.of(probabilities, plain_signs)


def prepared(line: NDArray[np.uint8], share: float, narrowest: float = 1.0) -> Floats:
    """(1, 3, ROWS, columns): the line as high as the network sees it, -1 black, 1 white, 0 beside it."""
    ratio = line.shape[1] / line.shape[0]
    columns = max(LEAST_COLUMNS, int(ROWS * max(share * ratio, narrowest)))
    wide = min(columns, math.ceil(ROWS * ratio))
    grey = cv2.resize(line, (wide, ROWS)).astype(np.float32) / 255
    picture = np.zeros((1, 3, ROWS, columns), np.float32)
    picture[..., :wide] = (grey - 0.5) / 0.5
    return picture


@lru_cache(maxsize=1)
def _signs() -> tuple[list[str], list[str]]:
    """What each column but the first stands for, as printed; and in plain form of each, of which the first is 'no
    sign', as is whatever is no single letter or digit."""
    signs = list(json.loads(weight_file("reader.json").read_text(encoding="utf-8"))["signs"])
    forms = [plain(sign) for sign in signs]
    return signs, ["", *(form if len(form) == 1 else "" for form in forms)]


@lru_cache(maxsize=1)
def _network() -> Path:
    """Its file, with its tables known to be what was shipped."""
    for name in TABLES:
        check_weights(weight_file(name))
    return weight_file("reader.onnx")
