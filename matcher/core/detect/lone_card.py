"""One thing alone on one even ground, as on a scanner's lid: where its own sides run, whatever is printed on it.

A print's edge is often far stronger than that of its pale mount on a pale lid, and sides that are sought one by one may
take it for the card's. Set off from the lid as a whole, mount and print are one piece.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.flatbed_layout import Patch, lid_of, patches_on
from matcher.core.detect.geometry import (
    BEFORE,
    NEXT,
    OPPOSITE,
    area,
    clockwise_portrait,
    height,
    intersect,
    lines_through,
    nearest_shape,
    overlap,
    ratio,
)
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.settings import FlatbedSettings, LoneSettings

Quad = NDArray[np.float32]


def lone_piece(
    picture: ReducedImage, settings: LoneSettings | None = None, flatbed: FlatbedSettings | None = None
) -> Quad | None:
    """(4, 2) TL TR BR BL, reduced pixels: the rectangle that the one large piece fills which stands out from the
    picture's rim; None where the rim has no one colour, where there are more pieces, or where the one is no rectangle
    with lid on all sides."""
    settings, flatbed = settings or LoneSettings(), flatbed or FlatbedSettings()
    lid = lid_of(picture, flatbed)
    patches = patches_on(lid, flatbed) if lid else []
    if len(patches) != 1 or patches[0].mask.mean() < settings.filled:
        return None
    quad = np.asarray(clockwise_portrait(_rectangle(patches[0])), np.float32)
    rim = np.minimum(quad, np.array([picture.width, picture.height]) - quad).min()
    return quad if rim > settings.rim * max(picture.width, picture.height) else None


def _rectangle(patch: Patch) -> Quad:
    """(4, 2) where most of a patch's rows and columns begin and end: a thread or a speck at its side is none of it."""
    columns, rows = (np.nonzero(patch.mask.mean(axis=axis) > 0.5)[0] for axis in (0, 1))
    return patch.quad(float(columns[0]), float(rows[0]), float(columns[-1]) + 1, float(rows[-1]) + 1).astype(np.float32)


def whole_card(found: Quad, piece: Quad, shapes: NDArray[np.float64], settings: LoneSettings) -> Quad:
    """(4, 2) an outline that was found, with those sides of the piece around it that make it a whole card; itself where
    it is one, or does not lie in that piece.

    Not every side is the piece's: a shadow beside a card stands out from the lid as well, but never on two opposite
    sides. shapes: (k,) widths over heights, of cards as portrait, seen from straight above.
    """
    if not _lies_in(found, piece, settings.within):
        return found
    turned = min((np.roll(found, way, axis=0) for way in range(4)), key=lambda one: float(np.abs(one - piece).sum()))
    ways = np.array([*product((False, True), repeat=4)])
    lines = [lines_through(quad, quad[NEXT]) for quad in (turned, piece)]
    mixed = np.where(ways[..., None], lines[1], lines[0])
    quads = np.asarray(intersect(mixed[:, BEFORE], mixed), np.float32)
    ratios = ratio(quads)
    off = np.abs(np.log(ratios / nearest_shape(ratios, shapes)))
    best = int((off + settings.a_side * ways.sum(axis=1)).argmin())
    if off[best] > settings.shape or off[0] - off[best] < settings.nearer:
        return found  # a sleeve may well lie around it
    cut = _cut(turned, lines[1]) > settings.side * float(height(piece[None])[0])
    gained = int(np.flatnonzero((ways == cut).all(axis=1))[0])
    mount = (cut & cut[OPPOSITE]).any() and off[gained] < min(off[best] + settings.as_exact, settings.shape)
    return np.asarray(quads[gained if mount else best])


def _cut(quad: Quad, lines: NDArray[np.floating]) -> NDArray[np.floating]:
    """(4,) how far each side of a quad lies from the line (4, 3) beside it, pixels."""
    middle = (quad + quad[NEXT]) / 2
    return np.asarray(np.abs((lines[:, :2] * middle).sum(axis=1) - lines[:, 2]))


def _lies_in(found: Quad, piece: Quad, least: float) -> bool:
    """Whether this share of an outline, or more, lies within the piece, which is larger."""
    others, whole = (abs(float(one)) for one in area(np.stack([found, piece])))
    shared = overlap(found, piece)
    return others < whole and shared * (others + whole) / (1 + shared) > least * others
