"""Facts about a face that bear on how far a match can be trusted: fade, glare, sharpness, size. No grades.

One `Face` (and the outline and scan resolution it came from) in, one `Condition` out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from matcher.flatten import Face
from matcher.locate import Outline
from matcher.photo import Photo
from matcher.view import picture_zone

FRESH_RANGE = 190.0
"""Grey levels between the 2nd and 98th percentile of a fresh, well lit print in our own rehearsals."""


@dataclass(frozen=True)
class Condition:
    """What can be measured on one face.

    residual_contrast: 0 to about 1, the picture's tonal range as a share of a fresh print's.
    glare:             share of the face that is burnt out or lies outside the photograph.
    sharpness:         0 to 1, share of the picture's detail that is fine (under about 0.3 mm).
    size_mm:           (width, height) where the scan resolution is known, else None.
    """

    residual_contrast: float
    glare: float
    sharpness: float
    size_mm: tuple[float, float] | None


def condition(face: Face, photo: Photo | None = None, outline: Outline | None = None) -> Condition:
    """Measure one face; `photo` and `outline` give its size in mm where the scan resolution is known."""
    zone = picture_zone(face.size) & face.trusted
    contrast = _contrast(face, zone) if zone.sum() > 100 else 0.0
    size = _size_mm(photo, outline) if photo and outline and photo.dpi else None
    return Condition(contrast, float(1 - face.trusted.mean()), _sharpness(face, zone), size)


def _contrast(face: Face, zone: np.ndarray) -> float:
    """Tonal range, relative to the brightest tone, so that a dim photo counts as dim and not as faded."""
    grey = cv2.GaussianBlur(face.grey.astype(np.float32), (0, 0), 1.5)
    low, high = np.percentile(grey[zone], [2, 98])
    return float(min(1.0, (high - low) / FRESH_RANGE * (220.0 / max(float(high), 60.0))))


def _sharpness(face: Face, zone: np.ndarray) -> float:
    """Energy between 1 and 2 px against that between 2 and 6 px; both outlive fading alike."""
    if zone.sum() <= 100:
        return 0.0
    grey = face.grey.astype(np.float32)
    one, two, six = (cv2.GaussianBlur(grey, (0, 0), sigma) for sigma in (1.0, 2.0, 6.0))
    fine, coarse = float((one - two)[zone].std()), float((two - six)[zone].std())
    return float(min(1.0, 2.0 * fine / max(coarse, 1e-6)))


def _size_mm(photo: Photo, outline: Outline) -> tuple[float, float]:
    corners = outline.corners
    top, right, bottom, left = (float(np.linalg.norm(corners[i] - corners[(i + 1) % 4])) for i in range(4))
    mm = 25.4 / float(photo.dpi or 1)
    return round((top + bottom) / 2 * mm, 2), round((left + right) / 2 * mm, 2)
