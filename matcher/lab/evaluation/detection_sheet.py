"""The worst scenes on one sheet, to be looked at: true outlines in green, found ones in red."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import cv2
import numpy as np
from PIL import Image

from matcher.core.detect.detection import detect
from matcher.core.photo import Photo
from matcher.lab.synthesis.staging import Staged

TILE = 380
COLUMNS = 5


class Named(Protocol):
    """What the sheet needs to know of a row."""

    @property
    def kind(self) -> str: ...

    @property
    def worst(self) -> float: ...


def contact_sheet(scenes: Sequence[tuple[Staged, Named]]) -> Image.Image:
    """Scenes with their outlines, found anew, five in a row."""
    tiles = [_tile(scene, row) for scene, row in scenes]
    blank = np.zeros((TILE, TILE, 3), np.uint8)
    tiles += [blank] * (-len(tiles) % COLUMNS or (0 if tiles else COLUMNS))
    lines = [np.hstack(tiles[i : i + COLUMNS]) for i in range(0, len(tiles), COLUMNS)]
    return Image.fromarray(np.vstack(lines))


def _tile(scene: Staged, row: Named) -> np.ndarray:
    share = TILE / max(scene.pixels.shape[:2])
    small = cv2.resize(scene.pixels, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)[:TILE, :TILE]
    for card in scene.cards:
        cv2.polylines(small, [np.rint(card.corners * share).astype(np.int32)], True, (0, 220, 0), 2, cv2.LINE_AA)
    for outline in detect(Photo.from_pixels(scene.pixels, dpi=scene.dpi)):
        corners = np.rint(outline.corners * share).astype(np.int32)
        cv2.polylines(small, [corners], True, (230, 30, 30), 1, cv2.LINE_AA)
        cv2.circle(small, (int(corners[0][0]), int(corners[0][1])), 4, (230, 30, 30), -1, cv2.LINE_AA)
    tile = np.zeros((TILE, TILE, 3), np.uint8)
    tile[: small.shape[0], : small.shape[1]] = small
    cv2.putText(tile, f"{row.kind} {row.worst:.2f}", (5, 15), cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 90, 0), 1)
    return tile
