"""A part cut out along the picture's own edges: whatever stands out, or the person before the backdrop.

Who works over a backdrop, or moves a hand, keeps to the edges that the picture has; a watershed finds them from a few
places that surely belong to the part and a few that surely do not.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.sheet import blurred, sized


def cut_along_edges(view: Field, within: NDArray[np.bool_], without: NDArray[np.bool_]) -> Field:
    """The part that holds `within` and not `without`, cut by watershed along the picture's own edges."""
    markers = np.pad(np.where(within, 2, np.where(without, 1, 0)).astype(np.int32), 1, "edge")
    grey = np.pad((np.clip(blurred(view, 2), 0, 1) * 255).astype(np.uint8), 1, "edge")
    cv2.watershed(cv2.merge([grey] * 3), markers)  # which gives the outermost pixels to nobody
    return blurred((markers[1:-1, 1:-1] == 2).astype(np.float32), 0.8)


def sitter(view: Field) -> Field:
    """Where the person is, 0..1: somebody upright in the middle, whose edges are looked for on a small picture."""
    small = sized(view, (150, 96))
    y, x = np.mgrid[:150, :96] / np.array([150, 96])[:, None, None]
    core = (np.abs(x - 0.5) < 0.12 + 0.15 * (y > 0.6)) & (y > 0.2)
    ground = (y < 0.05) | ((np.abs(x - 0.5) > 0.46) & (y < 0.6))
    return np.clip(sized(cut_along_edges(small, core, ground), view.shape), 0, 1)
