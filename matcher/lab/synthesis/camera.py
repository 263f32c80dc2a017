"""A pinhole camera with a slight lens error over a table; in: `Scene`; out: where every millimetre falls.

World coordinates are millimetres on the table, x right and y down, the origin in the middle of the card.
Picture coordinates are pixels, (0, 0) the outer corner of the first one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.scene import Scene

FOCAL = 0.85
"""Focal length as a share of the longer side: between a telephone's main and its double lens."""

_STEP = 16
"""The way from picture to texture is computed every so many pixels and interpolated (error < 0.05 px)."""

Maps = tuple[NDArray[np.float32], NDArray[np.float32]]

Window = tuple[int, int, int, int]
"""x0, y0, x1, y1 in pixels, the last two excluded."""


@dataclass(frozen=True)
class Camera:
    """to_picture: (3, 3) world to undistorted picture. distortion: of the radius, at the picture's corner."""

    width: int
    height: int
    to_picture: NDArray[np.float64]
    distortion: float

    @classmethod
    def over(cls, scene: Scene, size_mm: tuple[float, float]) -> Camera:
        """Stand the camera so that the card spans `scene.share` of the frame."""
        outline = rectangle(size_mm)
        distance = 4.0 * max(size_mm)
        camera = cls._at(scene, distance)
        for _ in range(8):
            spans = np.ptp(camera.project(outline), axis=0) / (scene.width, scene.height)
            distance *= float(spans.max()) / scene.share
            camera = cls._at(scene, distance)
        return camera

    @classmethod
    def _at(cls, scene: Scene, distance: float) -> Camera:
        focal = FOCAL * max(scene.width, scene.height)
        turn = np.radians(scene.rotation + (180 if scene.upside_down else 0))
        towards, tilt = np.radians(scene.tilt_towards), np.radians(scene.tilt)
        axis = np.array([-np.sin(towards), np.cos(towards), 0.0]) * tilt
        rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
        aside = np.array(scene.offset) * (scene.width, scene.height) / focal
        place = distance * np.array([aside[0], aside[1], 1.0])
        lens = np.array([[focal, 0, scene.width / 2], [0, focal, scene.height / 2], [0, 0, 1.0]])
        to_picture = lens @ np.column_stack([rotation[:, 0], rotation[:, 1], place])
        return cls(scene.width, scene.height, to_picture, scene.distortion)

    def project(self, world: Any) -> NDArray[np.float64]:
        """(n, 2) mm to (n, 2) pixels."""
        ideal = moved(self.to_picture, np.asarray(world, np.float64))
        middle = np.array([self.width, self.height]) / 2
        seen = ideal.copy()
        for _ in range(6):  # the lens error is stated the other way round
            seen = middle + (ideal - middle) / self._stretch(seen - middle)
        return seen

    def world(self, picture: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, 2) pixels to (n, 2) mm."""
        middle = np.array([self.width, self.height]) / 2
        ideal = np.asarray(middle + (picture - middle) * self._stretch(picture - middle), np.float64)
        return moved(np.linalg.inv(self.to_picture), ideal)

    def px_per_mm(self, world: Any = ((0.0, 0.0),)) -> float:
        """Scale of the picture at a place on the table, the geometric mean over directions."""
        here = np.asarray(world, np.float64)[0]
        square = self.project(here + np.array([[0, 0], [0.1, 0], [0, 0.1]]))
        return float(np.sqrt(abs(np.linalg.det(square[1:] - square[0]))) / 0.1)

    def window(self, world: Any, margin: float = 2.0) -> Window | None:
        """The part of the picture around some places, or None where they fall outside of it."""
        seen = self.project(world)
        low = np.maximum(np.floor(seen.min(axis=0) - margin), 0).astype(int)
        high = np.minimum(np.ceil(seen.max(axis=0) + margin), (self.width, self.height)).astype(int)
        return (int(low[0]), int(low[1]), int(high[0]), int(high[1])) if (high > low).all() else None

    def sampling(self, window: Window, texture: NDArray[np.float64]) -> Maps:
        """x and y, each (h, w), in a texture for each pixel of the window, as `cv2.remap` wants them.

        texture: (3, 3), world mm to texture pixels.
        """
        x0, y0, x1, y1 = window
        columns, rows = -(-(x1 - x0) // _STEP) + 2, -(-(y1 - y0) // _STEP) + 2
        x = x0 + (np.arange(columns) - 0.5) * _STEP
        y = y0 + (np.arange(rows) - 0.5) * _STEP
        points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        found = moved(texture, self.world(points)) - 0.5
        across, down = (
            cv2.resize(grid, (columns * _STEP, rows * _STEP), interpolation=cv2.INTER_LINEAR)[
                _STEP : _STEP + y1 - y0, _STEP : _STEP + x1 - x0
            ]
            for grid in found.astype(np.float32).T.reshape(2, rows, columns)
        )
        return np.asarray(across, np.float32), np.asarray(down, np.float32)

    def _stretch(self, from_middle: NDArray[np.float64]) -> NDArray[np.float64]:
        radius = np.hypot(self.width, self.height) / 2
        share = (from_middle**2).sum(axis=1, keepdims=True) / radius**2
        return np.asarray(1 + self.distortion * share)


def rectangle(size_mm: tuple[float, float], centre: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float64]:
    """(4, 2) corners of an upright rectangle, TL TR BR BL, mm."""
    signs = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return np.asarray(signs * np.array(size_mm) + np.array(centre))


def moved(matrix: NDArray[Any], points: NDArray[Any]) -> NDArray[np.float64]:
    """(n, 2) points through a (3, 3) homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])
