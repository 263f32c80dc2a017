"""Where on a card is the photograph itself, and where the mount that it was pasted on? A `Face` in, a mask out.

A mount is even and of one tone to the card's very edge, but for letters and rules; a print, whether a rectangle, an
oval or an arch, is one round shape on it. Where a pale backdrop runs into a pale mount no such shape is left, and
nothing is said.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.settings import PrintAreaSettings
from matcher.core.flatten import Face

Bools = NDArray[np.bool_]
Floats = NDArray[np.float32]


def print_area(face: Face, settings: PrintAreaSettings | None = None) -> Bools | None:
    """(height, width): where the print is; None where no mount is seen around it, or not all of its edge."""
    settings = settings or PrintAreaSettings()
    scale = face.size.px_per_mm
    smooth = cv2.GaussianBlur(face.grey, (0, 0), settings.blur_mm * scale).astype(np.float32)
    mount = _of_mounts_tone(smooth, face.trusted, scale, settings)
    if mount is None:
        return None
    letters = round(settings.letters_mm * scale) | 1
    round_ = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (letters, letters))
    # Beyond the card all counts as mount: a rule or a line of type by the edge is closed as well.
    closed = cv2.morphologyEx(np.pad(mount.astype(np.uint8), letters, constant_values=1), cv2.MORPH_CLOSE, round_)[
        letters:-letters, letters:-letters
    ]
    return _one_shape(closed == 0, settings)


def _of_mounts_tone(smooth: Floats, trusted: Bools, scale: float, settings: PrintAreaSettings) -> Bools | None:
    """What has the tone of the card's rim, under light that falls off evenly; None where the rim has no one tone."""
    rim, band = (round(mm * scale) for mm in (settings.rim_mm, settings.band_mm))
    edge = np.zeros(smooth.shape, np.bool_)
    edge[rim:-rim, rim:-rim] = True
    edge[rim + band : -rim - band, rim + band : -rim - band] = False
    row, column = np.nonzero(edge & trusted)
    if len(row) < settings.least_px:
        return None
    tones, design = smooth[row, column], np.column_stack([np.ones(len(row)), row, column]).astype(np.float32)
    kept = np.abs(tones - np.median(tones)) <= settings.first_levels
    for _ in range(settings.rounds):
        if kept.mean() < settings.least_rim:
            return None
        plane = np.linalg.lstsq(design[kept], tones[kept], rcond=None)[0].astype(np.float32)
        kept = np.abs(tones - design @ plane) <= settings.levels
    rows, columns = np.mgrid[: smooth.shape[0], : smooth.shape[1]].astype(np.float32)
    return np.asarray(np.abs(smooth - plane[0] - plane[1] * rows - plane[2] * columns) <= settings.levels)


def _one_shape(shown: Bools, settings: PrintAreaSettings) -> Bools | None:
    """The largest piece, its holes filled, if it is round enough and as large as a print."""
    contours, _ = cv2.findContours(shown.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea, default=None)
    if largest is None:
        return None
    area, hull = cv2.contourArea(largest), cv2.convexHull(largest)
    if not settings.least < area / shown.size < settings.most or area < settings.solid * cv2.contourArea(hull):
        return None
    _, _, wide, high = cv2.boundingRect(hull)
    if area < settings.filled * wide * high:
        return None
    whole = np.zeros(shown.shape, np.uint8)
    cv2.fillPoly(whole, [hull], 1)
    return np.asarray(whole > 0)
