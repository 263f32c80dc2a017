"""Any photograph in, a negative for rehearsals out."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.photo import read_photo


def negative_of(path: Path, width: int = 900) -> NDArray[np.uint8]:
    """(5/3 width, width) uint8 grey: the middle of the photograph, 3 to 5 upright."""
    grey = read_photo(path).grey
    taken = min(grey.shape[1], round(grey.shape[0] * 0.6))
    left = (grey.shape[1] - taken) // 2
    middle = grey[: round(taken / 0.6), left : left + taken]
    return np.asarray(cv2.resize(middle, (width, round(width / 0.6)), interpolation=cv2.INTER_CUBIC), np.uint8)
