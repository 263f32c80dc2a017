"""Quads from regions: whatever stands out from the colour along the photo's border, or is walled off by edges.

This source finds many cards at once (a flatbed page) and cards whose sides are too worn or short for long lines.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from math import log

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import BEFORE, area, clockwise_portrait, is_convex, ratio, sides
from matcher.core.detect.ground import border_surface, unlike_ground
from matcher.core.detect.proposal_settings import RegionSettings
from matcher.core.detect.reduced_image import ReducedImage, halved

Shapes = NDArray[np.floating]

LEVELS = 8.0
"""Levels of a byte for each spread that something is unlike the ground, where one threshold is looked for."""


def region_quads(
    picture: ReducedImage, shapes: Shapes, settings: RegionSettings = RegionSettings()
) -> NDArray[np.float32]:
    """(n, 4, 2) quads in reduced pixels, the largest first, at most `settings.quads`.

    shapes: (k,) the cards' widths over heights.
    """
    small = halved(picture)
    larger = np.array(picture.scale) / np.array(small.scale)
    outlines = [
        *_outlines([*_of_other_colour(picture, settings), *_of_other_edges(picture, settings)], settings),
        *(quad * larger for quad in _outlines(_of_other_weave(small, settings), settings)),
    ]
    return _quads_of(picture, outlines, shapes, settings)


def coarse_quads(
    picture: ReducedImage, shapes: Shapes, settings: RegionSettings = RegionSettings()
) -> NDArray[np.float32]:
    """The same of colours alone, at half the size: a quarter of the work, and rougher."""
    small = halved(picture)
    quads = _quads_of(small, _outlines(_of_other_colour(small, settings), settings), shapes, settings)
    return np.asarray(quads * (np.array(picture.scale) / np.array(small.scale)), np.float32)


def _outlines(masks: Iterable[NDArray[np.uint8]], settings: RegionSettings) -> list[NDArray[np.float32]]:
    return [quad for mask in masks for quad in _outlines_of(mask, settings)]


def _quads_of(
    picture: ReducedImage, quads: Sequence[NDArray[np.floating]], shapes: Shapes, settings: RegionSettings
) -> NDArray[np.float32]:
    if not quads:
        return np.empty((0, 4, 2), np.float32)
    single = _distinct(clockwise_portrait(np.array(quads, np.float32)), settings)
    shape = 1 / np.maximum(ratio(single), 1e-3)
    # Three in a row look like one card, which is far likelier.
    several = [(i, one) for one in shapes.tolist() for i in np.nonzero(np.abs(np.log(shape * one)) >= 0.2)[0]]
    parts = [part for i, one in several for part in _split(single[i], float(shape[i]), one, settings.most_touching)]
    found = np.concatenate([single, clockwise_portrait(np.array(parts, np.float32))]) if parts else single
    stout = ratio(found)
    smallest = settings.shortest_side * max(picture.width, picture.height)
    good = (
        is_convex(found)
        & (stout > settings.slenderest)
        & (stout < settings.stoutest)
        & (sides(found).min(axis=1) > smallest)
    )
    return np.asarray(found[good][: settings.quads], dtype=np.float32)


def _split(quad: NDArray[np.float32], shape: float, nominal: float, most: int) -> list[NDArray[np.float32]]:
    """The parts of a region `shape` times as long as wide in which two to `most` cards touch, in a column or a row."""
    quad = quad[BEFORE]  # portrait corners: the long way now runs from corner 0 to corner 1
    parts = []
    for count in range(2, most + 1):
        if min(abs(log(shape / (count / nominal))), abs(log(shape / (count * nominal)))) > 0.12:
            continue
        at = np.linspace(0, 1, count + 1, dtype=np.float32)[:, None]
        top, foot = quad[0] + (quad[1] - quad[0]) * at, quad[3] + (quad[2] - quad[3]) * at
        parts += [np.stack([top[i], top[i + 1], foot[i + 1], foot[i]]) for i in range(count)]
    return parts


def _distinct(quads: NDArray[np.float32], settings: RegionSettings) -> NDArray[np.float32]:
    """Without those that lie close to an earlier one; the masks often agree."""
    quads = quads[np.argsort(-np.abs(area(quads)))]
    flat = quads.reshape(-1, 8)
    apart = np.abs(flat[:, None] - flat[None]).max(axis=2) > settings.alike_px
    kept: list[int] = []
    for i in range(len(quads)):
        if len(kept) >= settings.quads:
            break
        if apart[i, kept[-30:]].all():
            kept.append(i)
    return np.asarray(quads[kept])


def _of_other_colour(picture: ReducedImage, settings: RegionSettings) -> Iterator[NDArray[np.uint8]]:
    """Masks of what has another colour than what lies along the border."""
    distance = _from_border(picture.lab)
    for threshold in settings.thresholds:
        yield (distance > threshold).astype(np.uint8)
    side = (max(picture.width, picture.height) // 60) | 1
    smooth = np.asarray(cv2.blur(picture.lab, (side, side)), dtype=np.uint8)
    blurred = np.asarray(cv2.blur(_from_border(smooth), (3, 3)), dtype=np.uint8)
    level, _ = cv2.threshold(blurred, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    yield (blurred > level).astype(np.uint8)


def _of_other_edges(picture: ReducedImage, settings: RegionSettings) -> Iterator[NDArray[np.uint8]]:
    """Masks of what edges wall off, and of what has fewer of them than the ground."""
    yield _walled_off(picture)
    calm = _calm(picture, settings)
    if calm is not None:
        yield calm


def _of_other_weave(picture: ReducedImage, settings: RegionSettings) -> Iterator[NDArray[np.uint8]]:
    """Masks of what is unlike the ground, window by window."""
    unlike = unlike_ground(picture, settings.ground)
    levels = np.clip(unlike * LEVELS, 0, 255).astype(np.uint8)
    parting, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    for threshold in (*settings.unlike, parting / LEVELS):
        yield (unlike > threshold).astype(np.uint8)


def _from_border(lab: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(h, w) colour distance to a smooth surface through the border."""
    surface = np.clip(border_surface(lab, 2), 0, 255)
    light, a, b = cv2.split(cv2.absdiff(lab, surface.astype(np.uint8)))
    chroma = cv2.max(a, b)
    return np.asarray(cv2.max(light, cv2.add(chroma, chroma)), dtype=np.uint8)


def _walled_off(picture: ReducedImage) -> NDArray[np.uint8]:
    """Pixels that cannot be reached from the border without crossing an edge."""
    wall = cv2.dilate(picture.edges.astype(np.uint8), np.ones((3, 3), np.uint8))
    room = np.pad(1 - wall, 1, constant_values=1)
    cv2.floodFill(room, None, (0, 0), 2)
    return np.asarray(room[1:-1, 1:-1] != 2, dtype=np.uint8)


def _calm(picture: ReducedImage, settings: RegionSettings) -> NDArray[np.uint8] | None:
    """Where far fewer edges are than along the border: a card on a page of small print, or on a weave, whose own sides
    are lost among the ground's lines. None where the ground itself has few."""
    side = (max(picture.width, picture.height) // settings.windows_along) | 1
    density = cv2.blur(picture.edges.astype(np.float32), (side, side))
    ring = np.concatenate([density[side], density[-side - 1], density[:, side], density[:, -side - 1]])
    ground = float(np.median(ring))
    return (density < 0.5 * ground).astype(np.uint8) if ground > settings.dense else None


def _outlines_of(mask: NDArray[np.uint8], settings: RegionSettings) -> Iterator[NDArray[np.float32]]:
    """Quads around each large connected part."""
    kernel = np.ones((3, 3), np.uint8)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel, iterations=2)
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    least = 0.5 * (settings.shortest_side * max(mask.shape)) ** 2
    for contour in contours:
        if cv2.contourArea(contour) < least:
            continue
        hull = np.asarray(cv2.convexHull(contour), dtype=np.int32)
        filled = cv2.contourArea(contour) / max(cv2.contourArea(hull), 1)
        if filled < settings.filled:
            continue
        box = cv2.boxPoints(cv2.minAreaRect(hull))
        yield np.asarray(box + 0.5, dtype=np.float32)
        corners = _four_corners(hull, settings.tolerances)
        if corners is not None:
            yield corners


def _four_corners(hull: NDArray[np.int32], tolerances: tuple[float, ...]) -> NDArray[np.float32] | None:
    length = cv2.arcLength(hull, True)
    for tolerance in tolerances:
        corners = cv2.approxPolyDP(hull, tolerance * length, True)
        if len(corners) == 4:
            return np.asarray(corners.reshape(4, 2) + 0.5, dtype=np.float32)
        if len(corners) < 4:
            break
    return None
