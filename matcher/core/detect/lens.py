"""How a lens bows the straight sides of a card: a picture and an outline in, a `LensError` out, or a card's `Bow`.

Cards are cut straight, so what bends their sides alike is the lens (the plumb-line method, Brown 1971): points are
moved along the radius from the middle of the picture, by a share that grows with its square. One number for all four
sides, weighed by what each of them can say of it. Where the sides do not agree on it, as on a card that is warped, on a
part cut out of a larger picture, or on a scan, which bows nothing, there is no lens error to take out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, height, intersect, lines_through
from matcher.core.detect.sampling import across_sides, outward, side_points
from matcher.core.detect.settings import LensSettings

Points = NDArray[np.float64]

ON_BOTH = np.array([0.5 - 0.5 / np.sqrt(3), 0.5 + 0.5 / np.sqrt(3)])
"""Where along a side a straight line fitted through a bowed one crosses it: the nodes of Gauss and Legendre."""

CELL = 16
"""Pixels of a face, each way, that count as one place where a homography is fitted."""

LEAST_SAY = 1e-4
"""Share of the most telling place's weight that every one has: on a bare picture all count alike."""


@dataclass(frozen=True)
class LensError:
    """share: of the radius, by which a straight line's points at the picture's corner lie too near to its middle.

    size: width and height of the picture, pixels; (0, 0) is the outer corner of the first one.
    """

    share: float
    size: tuple[int, int]

    def straightened(self, seen: Array) -> Points:
        """(..., 2) where points of the picture would lie without the error."""
        aside = np.asarray(seen, np.float64) - self._middle
        return np.asarray(self._middle + aside * self._stretch(aside))

    def seen(self, straight: Array) -> Points:
        """(..., 2) where points lie in the picture; the other way round."""
        ideal = np.asarray(straight, np.float64) - self._middle
        aside = ideal
        for _ in range(4):
            aside = ideal / self._stretch(aside)
        return np.asarray(self._middle + aside)

    def straight_corners(self, corners: Array) -> Points:
        """(4, 2) the corners of an outline whose bowed sides were found as straight lines, without the error."""
        on_sides = self.straightened(side_points(np.asarray(corners, np.float64)[None], ON_BOTH)[0])
        lines = lines_through(on_sides[:, 0], on_sides[:, 1])
        return np.asarray(intersect(np.roll(lines, 1, axis=0), lines))

    @property
    def _middle(self) -> Points:
        return np.array(self.size) / 2

    def _stretch(self, aside: Points) -> Points:
        return np.asarray(1 + self.share * (aside**2).sum(axis=-1, keepdims=True) / (np.hypot(*self.size) / 2) ** 2)


@dataclass(frozen=True)
class Bow:
    """How what a lens bowed lies on a card's face, which was cut out by its corners alone.

    corners: (4, 2) TL TR BR BL of its outline, pixels of the picture. size: width and height of the face.
    """

    lens: LensError
    corners: Points
    size: tuple[int, int]

    def seen(self, straight: Array) -> Points:
        """(n, 2) where on the face there lies what the card has at places (n, 2); face pixels, (0, 0) the middle of the
        first one."""
        places = np.asarray(straight, np.float64)[None] + 0.5
        straight_picture = self._to(self.lens.straight_corners(self.corners))
        ideal = np.asarray(cv2.perspectiveTransform(places, straight_picture), np.float64)
        back = np.linalg.inv(self._to(self.corners))
        return np.asarray(cv2.perspectiveTransform(self.lens.seen(ideal), back)[0] - 0.5)

    def homography(self, weight: NDArray[np.float32]) -> NDArray[np.float64]:
        """(3, 3) the nearest to `seen`, which is none.

        weight: (h, w) of the face, 0 and more: how much each of its pixels counts. A registration, which finds a
        homography itself, has taken for the card's own what the lens did where the picture has its lines.
        """
        wide, high = self.size
        columns, rows = max(2, wide // CELL), max(2, high // CELL)
        told = cv2.resize(weight, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float64).ravel()
        across, down = ((np.arange(n) + 0.5) / n * side - 0.5 for n, side in ((columns, wide), (rows, high)))
        places = np.dstack(np.meshgrid(across, down)).reshape(-1, 2)
        return _nearest_homography(places, self.seen(places), told + LEAST_SAY * (told.max() or 1.0))

    @property
    def half_turned(self) -> Bow:
        """Of the face upside down."""
        return replace(self, corners=np.roll(self.corners, 2, axis=0))

    def _to(self, corners: Points) -> NDArray[np.float64]:
        """(3, 3) from the face to a picture in which its corners lie so."""
        wide, high = self.size
        face = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
        return np.asarray(cv2.getPerspectiveTransform(face, np.asarray(corners, np.float32)), np.float64)


def bow_of(pixels: NDArray[np.uint8], corners: Array, size: tuple[int, int], height_mm: float) -> Bow | None:
    """Of a card within (4, 2) corners of a picture, on its face of `size`; None where nothing bows it. height_mm: the
    card's."""
    found = lens_error(pixels, corners, height_mm)
    return Bow(found, np.asarray(corners, np.float64), size) if found else None


def lens_error(
    pixels: NDArray[np.uint8], corners: Array, height_mm: float, settings: LensSettings = LensSettings()
) -> LensError | None:
    """What bows the sides of a card; None where nothing does, or nobody can tell.

    pixels: (h, w, 3) uint8 RGB. corners: (4, 2) TL TR BR BL, pixels. height_mm: the card's, which gives the scale.
    """
    size = (pixels.shape[1], pixels.shape[0])
    quad = np.asarray(corners, np.float64)[None]
    scale = float(height(quad)[0]) / height_mm
    if scale < settings.least_px_per_mm:
        return None
    said, weight = _said_by_sides(pixels, quad, scale, settings)
    telling = int((weight > 0).sum())
    if telling < settings.least_sides:
        return None
    share = float((weight * said).sum() / weight.sum())
    apart = np.sqrt(float((weight * (said - share) ** 2).sum() / weight.sum()) / (telling - 1))
    sigma = float(np.hypot(apart, scale * settings.edge_mm / np.sqrt(weight.sum())))
    share *= settings.usual**2 / (settings.usual**2 + sigma**2)
    if abs(share) < max(settings.least, settings.sure * sigma) or abs(share) > settings.most:
        return None
    return LensError(share, size)


def _said_by_sides(
    pixels: NDArray[np.uint8], quad: Points, scale: float, settings: LensSettings
) -> tuple[Points, Points]:
    """(4,) what share each side tells of, and its weight, pixels squared."""
    at = np.linspace(settings.past_corner, 1 - settings.past_corner, settings.stations)
    bows = _told_by_lens(quad[0], at, (pixels.shape[1], pixels.shape[0]))
    found, counts = _edges(pixels, quad, at, scale, settings)
    sides = [_one_side(at, *side, settings) for side in zip(found, bows, counts, strict=True)]
    said, weight = (np.array(column) for column in zip(*sides, strict=True))
    return said, weight


def _told_by_lens(quad: Points, at: Array, size: tuple[int, int]) -> Points:
    """(4, s) pixels outwards by which a share of 1 would move the points of straight sides."""
    points, middle = side_points(quad[None], at)[0], np.array(size) / 2
    aside = points - middle
    along = np.einsum("spc,sc->sp", aside, outward(quad[None])[0])
    return np.asarray(-along * (aside**2).sum(axis=-1) / (np.hypot(*size) / 2) ** 2)


def _edges(
    pixels: NDArray[np.uint8], quad: Points, at: Array, scale: float, settings: LensSettings
) -> tuple[Points, NDArray[np.bool_]]:
    """(4, s) pixels outwards at which the colours change most across a side, and where they do so as along the whole
    of it."""
    step = max(settings.step_mm * scale, 0.25)
    far, half = round(settings.across_mm * scale / step), max(1, round(settings.smooth_mm * scale / step))
    colours = across_sides(pixels, quad, at, np.arange(-far, far + 1) * step)[0]
    running = np.cumsum(np.pad(colours, ((0, 0), (0, 0), (1, 0), (0, 0))), axis=2, dtype=np.float64)
    count = colours.shape[2]
    middle = np.arange(half, count - half)
    change = (2 * running[:, :, middle] - running[:, :, middle - half] - running[:, :, middle + half]) / half
    usual = np.median(change[:, :, np.abs(middle - far) <= half], axis=(1, 2))
    strength = np.maximum(np.linalg.norm(usual, axis=1), 1e-6)
    along = np.einsum("spoc,sc->spo", change, usual / strength[:, None])
    top = np.clip(along.argmax(axis=2), 1, along.shape[2] - 2)
    left, here, right = (np.take_along_axis(along, top[..., None] + way, axis=2)[..., 0] for way in (-1, 0, 1))
    bend = np.minimum(left - 2 * here + right, -1e-6)
    place = middle[top] - far + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    inside = (top > 1) & (top < along.shape[2] - 2)
    return place * step, inside & (here > 0.5 * strength[:, None]) & (strength > settings.least_change)[:, None]


def _one_side(
    at: Array, found: Points, bow: Points, counts: NDArray[np.bool_], settings: LensSettings
) -> tuple[float, float]:
    """What share one side tells of, and its weight, pixels squared; nothing where too little of it can be seen."""
    if counts.mean() < settings.least_seen:
        return 0.0, 0.0
    basis, doubt = np.column_stack([np.ones_like(at), at, bow]), counts.astype(np.float64)
    said = np.zeros(3)
    for _ in range(6):
        said = _fitted(basis, found, doubt)
        left = found - basis @ said
        spread = 1.4826 * float(np.median(np.abs(left[counts]))) + 0.05
        doubt = counts / (1 + np.square(left / (2 * spread)))
    own = bow - basis[:, :2] @ _fitted(basis[:, :2], bow, doubt)
    # Neighbouring stations say the same: a worn edge is off by stretches.
    return float(said[2]), float((doubt * own**2).sum()) * settings.independent / len(at)


def _nearest_homography(places: Points, lie: Points, weight: Points) -> NDArray[np.float64]:
    """(3, 3) from places (n, 2) to where they lie (n, 2), by weighted least squares of its eight numbers; the two are
    nearly the same, so that what is left is counted in pixels."""
    middle, half = places.mean(axis=0), float(np.abs(places - places.mean(axis=0)).max())
    into = np.array([[1 / half, 0, -middle[0] / half], [0, 1 / half, -middle[1] / half], [0, 0, 1.0]])
    (x, y), (u, v) = ((points - middle).T / half for points in (places, lie))
    one, none = np.ones_like(x), np.zeros_like(x)
    basis = np.concatenate(
        [
            np.column_stack([x, y, one, none, none, none, -x * u, -y * u]),
            np.column_stack([none, none, none, x, y, one, -x * v, -y * v]),
        ]
    )
    numbers = _fitted(basis, np.concatenate([u, v]), np.tile(weight, 2))
    found = np.linalg.inv(into) @ np.append(numbers, 1.0).reshape(3, 3) @ into
    return np.asarray(found / found[2, 2])


def _fitted(basis: Points, values: Points, weight: Points) -> Points:
    """(k,) coefficients of weighted least squares."""
    weighted = basis.T * weight
    return np.asarray(np.linalg.lstsq(weighted @ basis, weighted @ values, rcond=None)[0])
