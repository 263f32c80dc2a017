"""The shape and tone of one damaged spot in numbers: a `Spot` in, features by name out.

The cells of the movement map are coarse; what was laid on is measured pixel by pixel, as what is left of one card's
grey once the other's has been taken away under the tones that hold about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import log_gap
from matcher.core.ladder.movement import CELL

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]
Bools = NDArray[np.bool_]

NEAR_PX, BROAD_PX = 14.0, 3.0
"""Gaussian sigmas: over which the two cards' tones keep one relation; above which tone is no detail. Own choice."""

LEAST_LEVELS, DEVIATIONS = 7.0, 3.5
"""What is left over counts from so many grey levels, and so many robust deviations. Own choice."""


@dataclass(frozen=True)
class HurtSide:
    """One of two registered cards, as if what is damaged were on it; what its spots have in common is computed once.

    mine, other: (height, width) uint8, registered greys of this card and of the other one.
    clean:       (rows, columns) bool, the cells where nothing is damaged. shown: where both are shown.
    """

    mine: Grey
    other: Grey
    clean: Bools
    shown: Bools

    def pixels(self, cells: Bools) -> Bools:
        """Cells as a mask of the greys."""
        wide = np.repeat(np.repeat(cells, CELL, 0), CELL, 1)
        return np.asarray(wide[: self.mine.shape[0], : self.mine.shape[1]])

    @cached_property
    def left_over(self) -> Floats:
        """(height, width) what the other card, under the tones about it, leaves unexplained."""
        height, width = self.mine.shape
        small = (-(-width // CELL), -(-height // CELL))
        mine, other = (
            np.asarray(cv2.resize(one.astype(np.float32), small, interpolation=cv2.INTER_AREA), np.float32)
            for one in (self.mine, self.other)
        )
        weight = self.clean[: small[1], : small[0]].astype(np.float32)
        everywhere = np.float32(1e-3)  # inside a large spot nothing near is clean: there the whole card's tones hold
        total = float(weight.sum()) + 1.0

        def mean(values: Floats) -> Floats:
            whole = np.float32((values * weight).sum() / total)
            return np.asarray((_blurred(values * weight) + everywhere * whole) / (_blurred(weight) + everywhere))

        level_1, level_2 = mean(mine), mean(other)
        shared, spread = mean(mine * other) - level_1 * level_2, mean(other * other) - level_2 * level_2
        gains = np.clip(shared / (spread + 4.0), 0.1, 6.0)
        gain, offset = (
            cv2.resize(one.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
            for one in (gains, level_1 - gains * level_2)
        )
        return np.asarray(self.mine - (gain * self.other + offset), np.float32)

    @cached_property
    def smooth_left_over(self) -> Floats:
        """The same without its finest grain."""
        return np.asarray(cv2.GaussianBlur(self.left_over, (0, 0), 0.7), np.float32)

    @cached_property
    def noise(self) -> float:
        """Robust deviation of what is left over where nothing is damaged."""
        clean = self.pixels(self.clean)
        values = self.left_over[clean] if clean.any() else self.left_over.ravel()
        return 1.48 * float(np.median(np.abs(values[::3]))) + 0.5

    @cached_property
    def differing(self) -> Bools:
        """(height, width): where the two differ by more than noise."""
        limit = max(LEAST_LEVELS, DEVIATIONS * self.noise)
        return np.asarray(np.abs(self.smooth_left_over) > limit)

    @cached_property
    def details(self) -> tuple[Floats, Floats]:
        """Fine detail of both cards."""
        return _detail(self.mine), _detail(self.other)

    @cached_property
    def usual_detail(self) -> float:
        """Standard deviation of this card's detail where nothing is damaged."""
        clean = self.pixels(self.clean)
        own = self.details[0]
        return float(np.std(own[clean] if clean.any() else own)) + 0.5

    @cached_property
    def tones(self) -> tuple[float, float, float]:
        """This card's darkest, middle and lightest tone."""
        dark, middle, light = np.percentile(self.mine[::2, ::2], [2, 50, 98])
        return float(dark), float(middle), float(light)


@dataclass(frozen=True)
class Spot:
    """One damaged spot: (rows, columns) bool, its cells, on one of two cards."""

    side: HurtSide
    cells: Bools

    @cached_property
    def sure(self) -> Bools:
        """Its cells without their rim, where it is broad."""
        return np.asarray(cv2.erode(self.cells.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)

    @cached_property
    def marked(self) -> Bools:
        """(height, width): the pixels that differ, in and about the cells."""
        about = cv2.dilate(self.cells.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        found = np.asarray(self.side.differing & self.side.pixels(about))
        return found if found.sum() >= 4 else self.side.pixels(self.cells)


def shape_features(spot: Spot) -> dict[str, float]:
    """What kind of thing it is follows from these; lengths in pixels of the face."""
    return {**_form(spot), **_line(spot), **_outline(spot), **_strokes(spot), **_tones(spot)}


def _form(spot: Spot) -> dict[str, float]:
    """Length, straightness, solidity of the cells; which edges of what is shown they reach."""
    row, column = np.nonzero(spot.cells)
    points = np.column_stack([column, row]).astype(np.float32)
    (_, sides, _) = cv2.minAreaRect(points)
    long, short = max(sides) + 1.0, min(sides) + 1.0
    hull = cv2.contourArea(cv2.convexHull(points)) + long
    centred = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False) if len(points) > 1 else (0, 0, np.eye(2))
    along, athwart = centred @ axes[0], centred @ axes[1]
    # A crease may bend a little: what a parabola leaves is what is not straight.
    bent = np.polyval(np.polyfit(along, athwart, 2), along) if len(np.unique(along)) > 3 else 0 * along
    off = float(np.sqrt(((athwart - bent) ** 2).mean()))
    reached = _edges_reached(spot)
    return {
        "area": float(np.log(len(points))),
        "length": float(np.log(long)),
        "aspect": float(np.log(long / short)),
        "solid": len(points) / hull,
        "boxed": len(points) / (long * short),
        "round": len(points) / (np.pi * (cv2.minEnclosingCircle(points)[1] + 0.5) ** 2),
        "crooked": log_gap(off / long, 0.01),
        "off_line": log_gap(off, 0.3),
        "edges": min(float(reached), 2.0),
        "through": float(reached >= 2) * float(np.log(long / short)),
    }


def _line(spot: Spot) -> dict[str, float]:
    """How well one straight line holds what is marked, and whether the two differ along it beyond the spot."""
    row, column = np.nonzero(spot.marked)
    points = np.column_stack([column, row]).astype(np.float32)
    x, y, left, top = (float(value[0]) for value in cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01))
    way, middle = np.array([x, y]), np.array([left, top])
    along, off = (points - middle) @ way, (points - middle) @ np.array([-y, x])
    start, end = float(along.min()), float(along.max())
    height, width = spot.marked.shape
    steps = np.arange(-np.hypot(height, width), np.hypot(height, width), 2.0)
    beyond = steps[(steps < start - 6) | (steps > end + 6)]

    def differing(aside: float) -> Floats:
        at = middle + beyond[:, None] * way + aside * np.array([-y, x])
        column, row = np.rint(at).astype(int).T
        inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
        return np.asarray(np.abs(spot.side.smooth_left_over[row[inside], column[inside]]))

    on_line = _median([differing(aside) for aside in (-1.5, 0.0, 1.5)])
    beside = _median([differing(aside) for aside in (-9.0, 9.0)])
    return {
        "on_line": float((np.abs(off) < 2.5).mean()),
        "spread": float(np.log(np.sqrt((off**2).mean()) + 0.5)),
        "span": float(np.log(end - start + 4)),
        "slender": float(np.log((end - start + 4) / (np.percentile(np.abs(off), 90) + 1))),
        "continues": float(np.log((on_line + 1.5) / (beside + 1.5))),
        "reach": float((end - start) / max(_across(spot, way), 1.0)),
    }


def _outline(spot: Spot) -> dict[str, float]:
    """How straight the sides, how even the rim of what is left once gaps are closed."""
    whole = np.pad(_trimmed(spot.marked | (spot.side.pixels(spot.sure))).astype(np.uint8), 8)
    closed = cv2.morphologyEx(whole, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (11, 11)))
    outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(outlines, key=cv2.contourArea)
    area, rim = cv2.contourArea(largest) + 1.0, cv2.arcLength(largest, True) + 1.0
    hull = cv2.convexHull(largest)
    (_, sides, _) = cv2.minAreaRect(largest)
    corners = cv2.approxPolyDP(hull, 0.03 * rim, True)
    return {
        "rim_boxed": float(area / ((sides[0] + 1) * (sides[1] + 1))),
        "rim_solid": float(area / (cv2.contourArea(hull) + 1.0)),
        "rim_rough": float(np.log(rim / (cv2.arcLength(hull, True) + 1.0))),
        "rim_round": float(area / (np.pi * (cv2.minEnclosingCircle(largest)[1] + 0.5) ** 2)),
        "rim_compact": float(np.log(4 * np.pi * area / rim**2)),
        "rim_corners": float(min(len(corners), 8)),
        "rim_polygon": float(cv2.contourArea(corners) / (cv2.contourArea(hull) + 1.0)),
        "main": float(area / sum(cv2.contourArea(one) + 1.0 for one in outlines)),
    }


def _median(parts: list[Floats]) -> float:
    values = np.concatenate(parts)
    return float(np.median(values)) if values.size else 0.0


def _across(spot: Spot, way: NDArray[np.float64]) -> float:
    """How long a line of this direction can be on the face, pixels."""
    height, width = spot.marked.shape
    return float(min(width / max(abs(way[0]), 1e-3), height / max(abs(way[1]), 1e-3)))


def _edges_reached(spot: Spot) -> int:
    """How many of the four edges of what is shown it comes near to."""
    rows, columns = (np.flatnonzero(spot.side.shown.any(axis=axis)) for axis in (1, 0))
    own_rows, own_columns = (np.flatnonzero(spot.cells.any(axis=axis)) for axis in (1, 0))
    near = 3
    return sum(
        [
            own_rows[0] <= rows[0] + near,
            own_rows[-1] >= rows[-1] - near,
            own_columns[0] <= columns[0] + near,
            own_columns[-1] >= columns[-1] - near,
        ]
    )


def _strokes(spot: Spot) -> dict[str, float]:
    """How thick it is, in how many pieces, how well it fills its cells and its outline."""
    marked = _trimmed(spot.marked).astype(np.uint8)
    inside = cv2.distanceTransform(np.pad(marked, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    ridge = inside[(inside >= cv2.dilate(inside, np.ones((3, 3), np.uint8))) & (marked > 0)]
    _, _, stats, _ = cv2.connectedComponentsWithStats(marked)
    areas = np.sort(stats[1:, cv2.CC_STAT_AREA])[::-1]
    row, column = np.nonzero(marked)
    hull = cv2.contourArea(cv2.convexHull(np.column_stack([column, row]).astype(np.int32))) + len(row) ** 0.5
    closed = cv2.morphologyEx(marked, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9)))
    return {
        "stroke": float(np.log(np.median(ridge) + 0.5)),
        "thickest": float(np.log(inside.max() + 0.5)),
        "even_stroke": float(np.std(ridge) / (ridge.mean() + 0.5)),
        "thick_for_area": float(np.log((inside.max() + 0.5) / np.sqrt(len(row)))),
        "core": float((inside > 4).sum() / len(row)),
        "fill": float(marked.sum() / (CELL**2 * spot.cells.sum())),
        "hull": float(len(row) / hull),
        "closed": float(np.log(closed.sum() / marked.sum())),
        "pieces": float(np.log((areas > 6).sum() + 1)),
        "largest": float(areas[0] / areas.sum()),
    }


def _tones(spot: Spot) -> dict[str, float]:
    """How light and how even it is, and whether the picture shows through."""
    side, marked = spot.side, spot.marked
    dark, middle, light = side.tones
    span = light - dark + 10
    own, left, (detail, theirs) = side.mine[marked].astype(np.float32), side.left_over[marked], side.details
    core = cv2.erode(marked.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    core = core if core.sum() >= 12 else marked
    low, high = np.percentile(own, [10, 90])
    return {
        "paper_like": float(abs(light - np.median(own)) / span < 0.12),
        "dark": max(0.0, float(middle - np.median(own)) / span),
        "one_tone": log_gap(float(np.percentile(own, 75) - np.percentile(own, 25)) / span, 0.02),
        "lightness": float((np.median(own) - middle) / span),
        "to_paper": float((light - np.median(own)) / span),
        "to_black": float((np.median(own) - dark) / span),
        "signed": float(np.mean(np.sign(left))),
        "strength": log_gap(float(np.median(np.abs(left))) / span, 0.02),
        "uneven": float((high - low) / span),
        "grained": log_gap(float(np.std(detail[core])) / side.usual_detail, 0.1),
        "seen_through": _correlation(detail[core], theirs[core]),
        "two_toned": float(min((left > 0).mean(), (left < 0).mean())),
    }


def _trimmed(mask: Bools) -> Bools:
    """The smallest part of a mask that holds all of it."""
    rows, columns = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    return mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def _detail(grey: Grey) -> Floats:
    values = grey.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(values, (0, 0), 0.8) - cv2.GaussianBlur(values, (0, 0), BROAD_PX), np.float32)


def _correlation(first: Floats, second: Floats) -> float:
    spread = float(first.std() * second.std())
    return float(((first - first.mean()) * (second - second.mean())).mean() / spread) if spread > 1e-3 else 0.0


def _blurred(values: Floats) -> Floats:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), NEAR_PX / CELL), np.float32)
