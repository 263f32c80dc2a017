"""Pages of several formats: cards that lie so close that their shine meets."""

from __future__ import annotations

import cv2
import numpy as np

from matcher.core.detect.detection import detect
from matcher.core.formats import PRESETS
from matcher.core.photo import Photo

DPI = 150.0
KNOWN = [one.face for usual in PRESETS.values() for one in (usual, usual.turned())]


def page(*cards: tuple[float, float, float, float]) -> Photo:
    """A black lid with pale cards on it: left, top, width, height in mm; an A4 page (ISO 216)."""
    scale = DPI / 25.4
    lid = np.full((round(297 * scale), round(210 * scale), 3), 12, np.uint8)
    rng = np.random.default_rng(3)
    for left, top, width, height in cards:
        x0, y0, x1, y1 = (round(mm * scale) for mm in (left, top, left + width, top + height))
        lid[y0:y1, x0:x1] = (236, 222, 196)
        inner = lid[y0 + 12 : y1 - 30, x0 + 12 : x1 - 12]
        tones = cv2.resize(rng.integers(90, 200, (9, 6), np.uint8), inner.shape[1::-1], interpolation=cv2.INTER_CUBIC)
        inner[:] = tones[..., None] * np.array([1, 0.86, 0.72])
    return Photo.from_pixels(lid, dpi=DPI)


def test_a_cabinet_and_an_insert_a_millimetre_apart_are_two_cards() -> None:
    inserts = [(114.6, 5), (160, 5), (5, 180), (50, 180)]
    laid = [(5, 5, 108, 165), *((left, top, 36.5, 63.5) for left, top in inserts)]
    found = detect(page(*laid), KNOWN)
    assert not any(card.odd for card in found)
    middles = sorted((round(float(x)), round(float(y))) for x, y in (card.corners.mean(axis=0) for card in found))
    true = sorted((left + width / 2, top + height / 2) for left, top, width, height in laid)
    assert np.abs(np.array(middles) * 25.4 / DPI - np.array(true)).max() < 1.0


def test_a_cabinet_above_a_lying_card_that_its_shine_reaches_is_no_dozen_of_inserts() -> None:
    """Together they are three inserts wide and four high, about, without a notch: so four of 28 cards were lost."""
    laid = [(5.0, 5.0, 108.0, 165.0), (7.0, 171.0, 100.0, 63.0), (120.0, 5.0, 63.0, 100.0)]
    pixels, scale = page(*laid).pixels.copy(), DPI / 25.4
    pixels[round(170 * scale) : round(171 * scale), round(6 * scale) : round(112 * scale)] = 30
    found = detect(Photo.from_pixels(pixels, dpi=DPI), KNOWN)
    seen = sorted(np.ptp(card.corners, axis=0).tolist() for card in found)
    true = sorted([width * scale, height * scale] for *_, width, height in laid)
    assert np.abs(np.array(seen) - np.array(true)).max() < 1.5 * scale
