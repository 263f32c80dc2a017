"""Registered pairs of faces drawn as faces, a hundred times as fast as printing, photographing and registering cards.

The truth of every spot and of the pair is known. A negative and, for a pair that differs, another moment or another
picture in; two greys out, each with a print, a wear and a picture of its own, laid over each other but for what
registering leaves. What the movement network learns from.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.ladder.picture_settings import PoseSettings
from matcher.lab.synthesis.picture_history import pictured, random_history
from matcher.lab.synthesis.prints import Field, random_look, render_print, retouched, smooth_field
from matcher.lab.synthesis.visible import IGNORED, MOVED, SAME, clearness, seen_to_differ
from matcher.lab.synthesis.wear import KINDS, worn

CELL = 4
"""Pixels of a face that share one label."""

ON_QUERY, ON_REFERENCE = 2, 3
"""Labels of a cell besides those of `visible`: laid over or lost on one of the two."""

TELLING_CELLS = 10
"""A pair of two exposures is told apart only if so many cells that differ can be seen: some 1.5 square millimetres."""


@dataclass(frozen=True)
class DrawnFace:
    """One picture of one card, flattened.

    grey: (h, w) uint8. content: number of the exposure that it shows. opaque: (h, w) float32, what of it is laid over;
    told: what of that its colour gives away, 0..1, so that nobody is asked about it.
    """

    grey: NDArray[np.uint8]
    content: int
    opaque: Field
    told: Field


@dataclass(frozen=True)
class FacePair:
    """Two faces laid over each other, and the truth.

    shown: (h / CELL, w / CELL) bool, where both are. labels: its shape, uint8.
    same:  whether both come from one negative; None where they do not, but hardly a spot that tells it can be seen.
    """

    query: DrawnFace
    reference: DrawnFace
    shown: NDArray[np.bool_]
    labels: NDArray[np.uint8]
    same: bool | None


def windows_of(negatives: Sequence[NDArray[np.uint8]], size: tuple[int, int], rng: np.random.Generator) -> list[Field]:
    """One window of pictures of one frame, each (h, w) float32 0..1.

    Some zoom, either way round, and a plate's grain of its own each.
    """
    height, width = size
    rows, columns = negatives[0].shape
    scale = min(columns / width, rows / height) / np.exp(rng.uniform(0, 0.5))
    x = rng.uniform(0, columns - width * scale)
    y = rng.uniform(0, rows - height * scale) * rng.uniform(0, 1)
    move = np.array([[scale, 0, x], [0, scale, y]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    flip, coarse, strong = rng.random() < 0.5, float(rng.uniform(0.5, 1.1)), rng.uniform(0, 0.06)
    views = []
    for negative in negatives:
        view = cv2.warpAffine(negative, move, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
        grain = cv2.GaussianBlur(rng.standard_normal(size, dtype=np.float32), (0, 0), coarse)
        grained = np.clip((view[:, ::-1] if flip else view) / 255 + grain * strong, 0, 1)
        views.append(np.ascontiguousarray(grained, np.float32))
    return views


def faces_of(
    contents: Sequence[tuple[int, Field]], rng: np.random.Generator, tone: float, wear: float
) -> list[DrawnFace]:
    """Each content printed, worn and pictured by itself; the first as references mostly are: scanned, kept better."""
    faces = []
    for place, (number, view) in enumerate(contents):
        milder = rng.uniform(0, 1) if place == 0 else 1.0
        card, opaque, told = _card(view, rng, tone * milder, wear * milder)
        kind = rng.random() if place else 0.0
        grey = pictured(card, random_history(rng, scanned=kind < 0.25, small=kind > 0.75), rng)
        by = _residual(view.shape, rng)
        shown = np.rint(255 * _warped(grey, by)).astype(np.uint8)
        faces.append(DrawnFace(shown, number, _warped(opaque, by), _warped(told, by)))
    return faces


def face_pairs(contents: Sequence[Field], faces: Sequence[DrawnFace], rng: np.random.Generator) -> Iterator[FacePair]:
    """Every pair of `faces`; contents: the clean views by their numbers.

    What has moved counts only where both pictures show it: a faded or a blocked print tells nobody.
    """
    clear = [clearness(contents[face.content], face.grey) for face in faces]
    for one, other in combinations(range(len(faces)), 2):
        reference, query = faces[one], faces[other]
        first, second = contents[reference.content], contents[query.content]
        same = first is second
        shown = _shown(query.grey.shape, rng) & ~_given_away(query) & ~_given_away(reference)
        differing = np.full(first.shape, SAME) if same else seen_to_differ(first, second, clear[one], clear[other])
        labels = _labels(differing, query.opaque, reference.opaque, shown)
        told = same or int((labels == MOVED).sum()) >= TELLING_CELLS
        yield FacePair(query, reference, shown, labels, same if told else None)


def _card(view: Field, rng: np.random.Generator, tone: float, wear: float) -> tuple[Field, Field, Field]:
    """One print of a view, worn: its reflectance, what of it is laid over or lost, and what of that colour tells."""
    if tone > 0 and rng.random() < 0.12 * tone:
        view = retouched(view, rng)
    card = render_print(view, random_look(rng, tone), rng)
    opaque, told = np.zeros_like(card), np.zeros_like(card)
    if rng.random() >= wear:
        return card, opaque, told
    strength = float(rng.uniform(0.1, 1))
    for name in rng.choice(WEAR, 1 + int(rng.poisson(0.7)), replace=False):
        card, share = worn(card, [str(name)], rng, strength)
        opaque = np.maximum(opaque, share)
        if rng.random() < TOLD:
            told = np.maximum(told, share)
    return card, opaque, told


WEAR = [*KINDS, "surface_loss", "surface_loss", "sticker"]
"""Kinds to choose from. Flat patches of a sharp outline, in tones that the picture has, are taken for movement most."""

TOLD = 0.4
"""How often broad wear is told by its colour in use: of patches 16 levels and more off, two in three are, and a third
of pictures or of wear has no such colour. By hand, after `measure_colour`."""


def _given_away(face: DrawnFace) -> NDArray[np.bool_]:
    """Cells that `core.ladder.foreign_colour` hides, and round them the seam that `core.ladder.pose` leaves out.

    It sees colour in cells, and calls nothing narrower than two of them foreign.
    """
    size = (face.told.shape[1] // CELL, face.told.shape[0] // CELL)
    covered = (cv2.resize(face.told, size, interpolation=cv2.INTER_AREA) > 0.8).astype(np.uint8)
    broad = cv2.morphologyEx(covered, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    seam = 2 * -(-PoseSettings().seam_px // CELL) + 1
    return np.asarray(cv2.dilate(broad, np.ones((seam, seam), np.uint8)) > 0)


def _residual(shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float32]:
    """(2, h, w) pixels: what registering leaves, mostly under half a pixel, smooth over the face."""
    far = float(min(np.exp(rng.normal(np.log(0.35), 0.65)), 1.8))
    return np.stack([far * smooth_field(shape, rng, int(rng.integers(1, 4))) for _ in range(2)])


def _warped(field: Field, by: NDArray[np.float32]) -> Field:
    rows, columns = np.mgrid[0 : field.shape[0], 0 : field.shape[1]].astype(np.float32)
    return np.asarray(
        cv2.remap(field, columns + by[0], rows + by[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def _shown(shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.bool_]:
    """Cells where both are shown: all of them, or what two windows of one negative have in common."""
    height, width = (side // CELL for side in shape)
    shown = np.ones((height, width), bool)
    if rng.random() < 0.35:
        top, bottom = (rng.random() < 0.5) * rng.uniform(0, 0.3, 2)
        left, right = (rng.random() < 0.5) * rng.uniform(0, 0.2, 2)
        shown[:] = False
        shown[round(top * height) : round((1 - bottom) * height), round(left * width) : round((1 - right) * width)] = (
            True
        )
    return shown


def _labels(
    differs: NDArray[np.uint8], on_query: Field, on_reference: Field, shown: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    height, width = (side // CELL for side in differs.shape)

    def cells(values: NDArray[np.floating]) -> NDArray[np.float32]:
        return np.asarray(
            cv2.resize(values.astype(np.float32), (width, height), interpolation=cv2.INTER_AREA), np.float32
        )

    moved, open_ = cells(differs == MOVED), cells(differs == IGNORED)
    labels = np.full((height, width), SAME, np.uint8)
    labels[(open_ > 0.5) | ((moved > 0.1) & (moved < 0.5))] = IGNORED
    labels[moved >= 0.5] = MOVED
    for label, opaque in ((ON_REFERENCE, cells(on_reference)), (ON_QUERY, cells(on_query))):
        labels[(opaque > 0.08) & (opaque <= 0.3)] = IGNORED
        labels[opaque > 0.3] = label
    labels[~shown] = IGNORED
    return labels
