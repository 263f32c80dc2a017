"""What lies upon a print, or shows where it is gone, by its colour: a face in, a mask out.

A print of one process is of one colour: from its paper to its deepest shade it has one hue at each tone, whatever it
shows, and light changes that slowly over the card. Paper that is laid bare, a label, ink, rust or a stain is mostly of
another. No exposure can differ from another in this, so such a spot says nothing about what has moved. It is one-sided:
what has the print's own colour may lie upon it all the same, and on a picture without colour nothing is found.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.ladder.picture_settings import ForeignColourSettings

Bools = NDArray[np.bool_]
Floats = NDArray[np.float32]

CELL = 4
"""Pixels of a face over which colour is averaged: JPEG stores it no finer than every second one."""

FLARE = 8.0
"""Levels added to every channel before its logarithm: stray light, and a black that is not nought."""


def foreign_colour(pixels: NDArray[np.uint8], picture: Bools, settings: ForeignColourSettings | None = None) -> Bools:
    """Where a face's colour is not its print's: (height, width) bool; pixels: with 3 channels RGB; picture: its mask.

    Nothing where too little picture is shown to tell its colour, or so much would be foreign that it has no one colour,
    as where it was coloured by hand.
    """
    settings = settings or ForeignColourSettings()
    cells = _shrunk(pixels)
    shown = _shrunk(picture.astype(np.float32)) > 0.99
    # A channel that has come to its end leaves its colour behind.
    told = shown & (cells.max(axis=2) < settings.burnt)
    found = np.zeros(told.shape, np.uint8)
    if told.sum() >= settings.fewest_cells:
        levels, sigmas = _off_colour(cells, told)
        sure = np.linalg.norm(levels / sigmas, axis=2) > settings.deviations
        found[told & sure & (np.linalg.norm(levels, axis=2) > settings.levels)] = 1
    found = cv2.morphologyEx(found, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8), borderType=cv2.BORDER_REPLICATE)
    if found.sum() > settings.most * told.sum():
        found[:] = 0
    whole = cv2.resize(found, (pixels.shape[1], pixels.shape[0]), interpolation=cv2.INTER_NEAREST)
    return np.asarray(whole > 0)


def _shrunk(values: NDArray[np.uint8] | Floats) -> Floats:
    height, width = values.shape[:2]
    size = (round(width / CELL), round(height / CELL))
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32)


def _off_colour(cells: Floats, told: Bools) -> tuple[Floats, Floats]:
    """How far red and blue lie from what the print has at this tone and place, in levels, and their usual scatter.

    By the law of Beer and Lambert the logarithms of a dye's channels lie on a line; the camera's curve bends it a
    little, and lamp and window tint the card slowly from side to side. Fitted to most cells (Geman & McClure 1987).
    """
    logs = np.log(cells + np.float32(FLARE))
    green, strength = logs[..., 1], cells[..., 1] + np.float32(FLARE)
    hue = (logs[..., [0, 2]] - green[..., None]) * strength[..., None]
    terms = _terms(green, told) * strength[..., None]
    asked = np.zeros_like(told)
    asked[::2, ::2] = told[::2, ::2]  # neighbours say the same
    known, wanted = terms[asked].astype(np.float64), hue[asked].astype(np.float64)
    weights = np.ones(len(known))
    for _ in range(FITTED):
        weighted = known * weights[:, None]
        ridge = 1e-3 * len(known) * np.eye(known.shape[1])
        fitted = np.linalg.solve(weighted.T @ known + ridge, weighted.T @ wanted)
        off = wanted - known @ fitted
        sigmas = 1.4826 * np.median(np.abs(off), axis=0) + LEAST_SIGMA
        far = np.linalg.norm(off / sigmas, axis=1) / TOLERANCE
        weights = 1 / (1 + far**2) ** 2
    return np.asarray(hue - terms @ fitted, np.float32), np.asarray(sigmas, np.float32)


FITTED, TOLERANCE, LEAST_SIGMA = 5, 2.5, 0.5
"""Rounds; deviations from which a cell counts less; levels that rounding alone scatters by. By hand."""


def _terms(green: Floats, told: Bools) -> Floats:
    """Of tone, of place, and of both: (rows, columns, 10). Beyond the usual tones the line goes on."""
    low, high = np.percentile(green[told], [3, 97])
    tone = (green - low) / (high - low + 0.05)
    usual = np.clip(tone, 0, 1)
    rows, columns = green.shape
    down, across = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = [np.ones_like(green), tone, usual**2, across, down, across**2, down**2, across * down]
    return np.stack([*terms, usual * across, usual * down], axis=-1).astype(np.float32)
