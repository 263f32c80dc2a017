"""Is the whole picture one card? Pictures saved from listings and lots are often cut to the card.

There is then no edge to find, so the picture itself is judged: an old print has one tone scale (its colour follows
from its lightness), large masses of light and dark, fine detail in some places and none in others, and no single
direction. Tables, cloth, pages of print and colour photographs each fail at least one of these.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.outlines.geometry import Array, height, true_ratio
from matcher.outlines.picture import Picture

SHAPE_TOLERANCE = 0.14
"""Largest difference, as a natural logarithm, between the picture's proportions and the card's."""


def whole_frame(picture: Picture, nominal: float) -> float:
    """0 to 1, how likely the picture shows one card from edge to edge.

    The limits were set on drawn scenes; the figures beside them are what 90 % of cards stayed within.
    """
    proportions = min(picture.width, picture.height) / max(picture.width, picture.height)
    if abs(np.log(proportions / nominal)) > SHAPE_TOLERANCE:
        return 0.0
    light = picture.lab[..., 0].astype(np.float32)
    broad = np.asarray(cv2.GaussianBlur(light, (0, 0), max(picture.width, picture.height) / 66), dtype=np.float32)
    fine = np.asarray(cv2.GaussianBlur(light, (0, 0), 1.5) - broad, dtype=np.float32)
    margins = (
        (2.6 - _colour_off_tone(picture.lab)) / 0.8,  # 0.6 to 2.0
        (float(broad.std()) - 5.0) / 3.0,  # 9 to 42
        (0.55 - float(np.abs(light - broad).mean() / (broad.std() + 1))) / 0.12,  # 0.12 to 0.43
        (_unevenness(fine) - 0.36) / 0.07,  # 0.43 to 0.78
        (0.38 - _one_direction(broad)) / 0.1,  # 0.02 to 0.23
        (_paper_hue(picture.lab) - 0.96) / 0.02,  # 1
    )
    return float(np.prod([1 / (1 + np.exp(-2.5 * min(margin, 2.0))) for margin in margins]))


def is_print_of_frame(picture: Picture, quad: Array, nominal: float) -> bool:
    """Whether a quad is only the print, or the picture above the caption, of a card that fills the frame."""
    x, y = quad[:, 0] / picture.width, quad[:, 1] / picture.height
    gaps = sorted((float(x.min()), float(y.min()), 1 - float(x.max()), 1 - float(y.max())))
    if gaps[2] > 0.05 or gaps[3] > 0.14 or float(height(quad[None])[0]) < 0.8 * max(picture.width, picture.height):
        return False
    if gaps[3] < 0.035 and _lightest_tone_around(picture, quad):
        return True
    frame = min(picture.width, picture.height) / max(picture.width, picture.height)
    own = float(true_ratio(quad[None], picture.width, picture.height)[0])
    return bool(abs(np.log(own / nominal)) > abs(np.log(frame / nominal)) + 0.03)


def _lightest_tone_around(picture: Picture, quad: Array) -> bool:
    """Whether the surroundings have the colour of the lightest tones inside, as a mount has and a table has not."""
    mask = np.zeros(picture.lab.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(quad).astype(np.int32), 1)
    band = max(2, round(0.006 * max(mask.shape)))
    around = picture.lab[cv2.dilate(mask, np.ones((2 * band + 1, 2 * band + 1), np.uint8)) == 0].astype(np.float32)
    inside = picture.lab[::3, ::3][mask[::3, ::3] > 0].astype(np.float32)
    if len(around) < 50 or len(inside) < 50:
        return False
    light = inside[inside[:, 0] >= np.percentile(inside[:, 0], 95)]
    apart = np.median(around, axis=0) - np.median(light, axis=0)
    uneven = np.median(np.abs(around[:, 0] - np.median(around[:, 0])))
    return bool(np.linalg.norm(apart * (1, 1.6, 1.6)) < 14 and uneven < 6)


def _colour_off_tone(lab: NDArray[np.uint8]) -> float:
    """Root mean square distance of colours from a smooth curve through lightness, levels."""
    grid = cv2.resize(lab, (24, 24), interpolation=cv2.INTER_AREA).astype(np.float64).reshape(-1, 3)
    lightness = grid[:, 0] / 128
    design = np.stack([np.ones_like(lightness), lightness, lightness**2], axis=1)
    fit = np.linalg.lstsq(design, grid[:, 1:], rcond=None)[0]
    return float(np.sqrt(((grid[:, 1:] - design @ fit) ** 2).sum(axis=1).mean()))


def _unevenness(fine: NDArray[np.float32]) -> float:
    """Spread over the picture of the strength of fine detail, relative to its mean."""
    energy = cv2.resize(np.abs(fine), (8, 12), interpolation=cv2.INTER_AREA)
    return float(energy.std() / (energy.mean() + 0.3))


def _one_direction(broad: NDArray[np.float32]) -> float:
    """0 where gradients go all ways, 1 where all go one way (grain, rows of print)."""
    x, y = cv2.Sobel(broad, cv2.CV_32F, 1, 0), cv2.Sobel(broad, cv2.CV_32F, 0, 1)
    along, across = float((x * x - y * y).mean()), float(2 * (x * y).mean())
    return float(np.hypot(along, across) / (float((x * x + y * y).mean()) + 1e-6))


def _paper_hue(lab: NDArray[np.uint8]) -> float:
    small = cv2.resize(lab, (24, 24), interpolation=cv2.INTER_AREA).astype(np.float32) - 128
    return float(((np.abs(small[..., 1] - 10) < 20) & (small[..., 2] > -14) & (small[..., 2] < 60)).mean())
