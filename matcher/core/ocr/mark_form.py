"""In which form does a line stand: bare, in a box, in an oval or on a ribbon, as issuers set their marks? A small
network looks. A strip of a card and where in it a line was found in, the form and how sure it is out.

The network learnt it on frames drawn in many ways (`lab/training/train_forms.py`); the constants are the shape of what
it was shown, and change with its weights alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer

Grey = NDArray[np.uint8]

FORMS = ("line", "box", "oval", "ribbon")
"""In the order of the network's answer."""

ROWS, COLUMNS = 40, 200
"""Of a tile, pixels: a long mark is squeezed, which makes no other form of its frame."""

ABOVE, BESIDE = 0.7, 1.2
"""Room above and below a line, and at its ends, in heights of the line."""


@dataclass(frozen=True)
class LineForm:
    """name: one of FORMS. certainty: 0 to 1, as the network has it."""

    name: str
    certainty: float


def form_of(strip: Grey, corners: NDArray[np.float32]) -> LineForm:
    """The form of a line in a strip, (rows, columns), in which it lies level; corners: (4, 2), of the line in it."""
    tile = form_tile(strip, corners).astype(np.float32)
    even = (tile - tile.mean()) / (tile.std() + np.float32(2.0))
    odds = infer(weight_file("mark_form.onnx"), tile=even[None, None])[0]
    shares = np.exp(odds - odds.max())
    shares /= shares.sum()
    best = int(shares.argmax())
    return LineForm(FORMS[best], float(shares[best]))


def has_room(strip: Grey, corners: NDArray[np.float32]) -> bool:
    """Whether the strip shows what lies round the line on both its sides: a frame may have been cut off there."""
    top, bottom = float(corners[:, 1].min()), float(corners[:, 1].max())
    room = LEAST_ROOM * (bottom - top)
    return top >= room and bottom + room <= len(strip)


LEAST_ROOM = 0.2
"""Heights of the line, on either side of it, in which a frame's edge would stand; by hand."""


def form_tile(strip: Grey, corners: NDArray[np.float32]) -> Grey:
    """(ROWS, COLUMNS) uint8: the line with room for its frame; beyond the strip's edge that is carried on."""
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    high = max(float(bottom - top), 1.0)
    left, right = left - BESIDE * high, right + BESIDE * high
    top, bottom = top - ABOVE * high, bottom + ABOVE * high
    scale = np.array([COLUMNS / max(right - left, 1.0), ROWS / (bottom - top)])
    blur = np.maximum(0.0, 0.5 / scale - 0.5)  # so that what is made smaller keeps its thin rules
    smooth = cv2.GaussianBlur(strip, (0, 0), max(blur[0], 1e-3), sigmaY=max(blur[1], 1e-3)) if blur.max() > 0 else strip
    move = np.array([[scale[0], 0, -left * scale[0]], [0, scale[1], -top * scale[1]]])
    size = (COLUMNS, ROWS)
    tile = cv2.warpAffine(smooth, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(tile, np.uint8)
