"""A negative as far as its known crops show it: the clearest card of each laid in its place of the pose's crop map."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.catalogue import Catalogue, ReferenceRow
from matcher.core.settings import FaceSize
from matcher.jobs.crop_map import MappedCrop, crop_map, frame_mm

PX_PER_MM = 10.0
GROUND = (128, 128, 128)
"""Where no known crop shows anything."""

Window = tuple[float, float, float, float]
"""Left, top, right, bottom, mm of the pose's frame."""


def shown_mm(catalogue: Catalogue, pose: str) -> Window:
    """What all mapped crops show together; the frame's own face where none is mapped."""
    windows = [one.window_mm for one in crop_map(catalogue, pose)] or [(0.0, 0.0, *frame_mm(catalogue, pose))]
    left, top = (min(window[i] for window in windows) for i in (0, 1))
    right, bottom = (max(window[i] for window in windows) for i in (2, 3))
    return left, top, right, bottom


def stitched(catalogue: Catalogue, pose: str) -> NDArray[np.uint8] | None:
    """(height, width, 3) RGB of `shown_mm` at 10 px/mm, less on larger cards; None where no crop is mapped.

    The widest crop lies lowest, so that what only it shows is seen around the others.
    """
    crops = crop_map(catalogue, pose)
    if not crops:
        return None
    left, top, right, bottom = shown_mm(catalogue, pose)
    px_per_mm = PX_PER_MM * FaceSize().height_mm / max(frame_mm(catalogue, pose))
    page = np.full((round((bottom - top) * px_per_mm), round((right - left) * px_per_mm), 3), GROUND, np.uint8)
    clearest = _clearest(catalogue, pose)
    for one in sorted(crops, key=_area, reverse=True):
        if one.crop in clearest:
            _lay(page, catalogue.face(clearest[one.crop]).pixels, one.window_mm, (left, top), px_per_mm)
    return page


def _area(one: MappedCrop) -> float:
    left, top, right, bottom = one.window_mm
    return (right - left) * (bottom - top)


def _clearest(catalogue: Catalogue, pose: str) -> dict[str, ReferenceRow]:
    """The most legible reference of each crop."""
    crops = {record.record_id: record.crop for record in catalogue.records() if record.pose == pose}
    found: dict[str, ReferenceRow] = {}
    rows = catalogue.references_among((), list(crops))
    for row in sorted(rows, key=lambda row: float(row.facts.get("residual_contrast") or 0.0)):
        found[crops[row.record_id]] = row
    return found


def _lay(
    page: NDArray[np.uint8], face: NDArray[np.uint8], window: Window, corner: tuple[float, float], px_per_mm: float
) -> None:
    """Put a face into its window of the page, whose corner lies at `corner` mm."""
    left, top = (round((window[i] - corner[i]) * px_per_mm) for i in (0, 1))
    right, bottom = (round((window[i + 2] - corner[i]) * px_per_mm) for i in (0, 1))
    left, top = max(left, 0), max(top, 0)
    right, bottom = min(right, page.shape[1]), min(bottom, page.shape[0])
    page[top:bottom, left:right] = cv2.resize(face, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
