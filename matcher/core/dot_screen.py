"""Is a picture printed in dots, as halftones are? A grey picture in, the strength of its screen out.

A screen is a lattice: in the spectrum it stands as two peaks at right angles, of one frequency, thousands of times
above what pictures hold there. Woven cloth, ruled paper and the rows of a display have one of the two, or none that
sharp. What is seen through a screen is torn: letters are read as others, and surely.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

TILE = 256
"""Pixels a side of the pieces whose spectra are added up."""

PERIODS_PX = (2.5, 8.0)
"""Periods that are looked for. Finer dots run together at a face's scale, coarser ones are seen by anybody."""

SURE = 500.0
"""Strength from which a picture is printed in dots. Of 54 drawn halftones with periods of 0.25 mm and more the weakest
had 1,461, of 55 photos of drawn cards none above 50; of 826 photographs without a screen (141 old portraits, 165 old
plates, 400 garments, 120 of a room) none above 108."""


def printed_in_dots(grey: NDArray[np.uint8]) -> bool:
    """Whether a face, (h, w) uint8, shows a halftone; False for a picture that is smaller than a tile."""
    return screen_strength(grey) >= SURE


def screen_strength(grey: NDArray[np.uint8]) -> float:
    """How far the strongest two spectral peaks at right angles rise above what is usual at their frequency; 0 if the
    picture, (h, w) uint8, is smaller than a tile."""
    height, width = grey.shape
    if height < TILE or width < TILE:
        return 0.0
    power = sum(_power(grey[y : y + TILE, x : x + TILE]) for y in _starts(height) for x in _starts(width))
    ring, looked_for = _rings()
    usual = np.bincount(ring.ravel(), np.log(power + 1e-6).ravel()) / np.bincount(ring.ravel())
    above = np.where(looked_for, power * np.exp(-usual[ring]), 0).astype(np.float32)
    # A peak may lie between two frequencies: its neighbours count as well.
    above = np.asarray(cv2.dilate(above, np.ones((3, 3), np.uint8)), np.float32)
    at = np.arange(TILE)
    return float(np.minimum(above, above[at[None, :], (-at[:, None]) % TILE]).max())


@lru_cache(maxsize=1)
def _rings() -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """(TILE, TILE) each: the ring of one frequency on which a place of the spectrum lies, and whether it is asked."""
    rows, columns = np.mgrid[-TILE // 2 : TILE // 2, -TILE // 2 : TILE // 2] / TILE
    frequency = np.hypot(rows, columns)
    lowest, highest = 1 / PERIODS_PX[1], 1 / PERIODS_PX[0]
    return np.rint(frequency * TILE).astype(int), (frequency >= lowest) & (frequency <= highest)


def _power(tile: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(TILE, TILE) spectrum of a piece, its slow tones taken out; the lowest frequency in the middle."""
    fine = tile.astype(np.float32)
    fine -= cv2.GaussianBlur(fine, (0, 0), 6)
    window = np.hanning(TILE).astype(np.float32)
    spectrum = cv2.dft(fine / (fine.std() + 1e-3) * np.outer(window, window), flags=cv2.DFT_COMPLEX_OUTPUT)
    return np.asarray(np.fft.fftshift(np.square(spectrum).sum(axis=2)), np.float32)


def _starts(length: int) -> NDArray[np.intp]:
    """Where tiles begin, so that all of a length is seen."""
    return np.linspace(0, length - TILE, -(-(length - TILE) // TILE) + 1).astype(int)
