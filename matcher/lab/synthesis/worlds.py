"""Cards of several worlds, for fitting the pose and for telling how it does in each: pictures in, `Pairing`s out.

A world is one way in which two cards of one negative differ: plain ageing, prints of their own tone, one damage a
card, small pictures, or all together. Every card goes the whole way: printed, aged, worn, photographed or scanned,
flattened.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_corners
from matcher.core.flatten import Face
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import Caption, Card, Crop, make_copy
from matcher.lab.synthesis.chance import another_crop, random_age, random_crop
from matcher.lab.synthesis.face_pairs import visibly_moved
from matcher.lab.synthesis.movement import another_moment
from matcher.lab.synthesis.printing import where_printed
from matcher.lab.synthesis.prints import random_look, render_print, retouched
from matcher.lab.synthesis.trials import photographed, scanned
from matcher.lab.synthesis.wear import KINDS, worn
from matcher.lab.synthesis.words import random_caption

Picture = NDArray[np.uint8]

WORLDS = ("plain", "toned", "worn", "small", "all")
"""What a query differs in from its reference, besides age and camera."""

FACE_WIDTH = 368
"""Pixels of a face, in which a print's softness and a movement's reach are counted."""

VISIBLE_CELLS = 40
"""Cells that differ clearly, some six square millimetres of a card, from which a person visibly moved."""


@dataclass(frozen=True)
class WorldPair:
    """One pair of faces. relation: same, crop, moment (another exposure), room (another pose there) or other.

    tone: strength of the query's own rendering; wear: its kind, "" for none; contrast: what its fading has left.
    """

    world: str
    relation: str
    tone: float
    wear: str
    contrast: float
    query: Face
    reference: Face

    @property
    def same(self) -> bool:
        """Whether both show one negative."""
        return self.relation in ("same", "crop")


def world_pairs(
    negative: Picture,
    siblings: Sequence[Picture],
    stranger: Picture,
    rng: np.random.Generator,
    worlds: Sequence[str] = WORLDS,
) -> Iterator[WorldPair]:
    """One reference of a negative against cards of each world: the same, another window, other exposures, others."""
    crop, caption, plate = random_crop(rng), random_caption(rng, ("",)), int(rng.integers(1 << 30))
    best = float(rng.choice([1.0, 0.8, 0.5, 0.3]))
    reference = scanned(_card(negative, crop, caption, plate, rng, best, float(rng.uniform(0, 1)), ""), rng)
    for world in worlds:
        wanted = (
            ["same", "same", "crop", "moment", "moment"]
            + ["room"] * bool(siblings)
            + ["other"] * (world in ("plain", "all"))
        )
        for relation in wanted:
            tone = float(rng.uniform(0.3, 1.2)) if world in ("toned", "all") else 0.0
            wear = str(rng.choice(list(KINDS))) if world == "worn" or (world == "all" and rng.random() < 0.7) else ""
            contrast = float(np.exp(rng.uniform(np.log(0.12), np.log(0.95))))
            window = another_crop(crop, rng) if relation == "crop" else crop
            content = negative
            if relation == "moment":
                content = moment_of(negative, shown_of(negative, window, caption), rng)
            elif relation != "same" and relation != "crop":
                content = siblings[int(rng.integers(len(siblings)))] if relation == "room" else stranger
            own = plate if relation in ("same", "crop") else plate + 1
            card = _card(content, window, caption, own, rng, contrast, tone, wear)
            small = world == "small" or (world == "all" and rng.random() < 0.25)
            face = shrunk(photographed(card, rng), rng) if small else taken(card, rng)
            yield WorldPair(world, relation, tone, wear, contrast, face, reference)


def taken(card: Card, rng: np.random.Generator) -> Face:
    return scanned(card, rng) if rng.random() < 0.25 else photographed(card, rng)


def moment_of(negative: Picture, shown: tuple[slice, slice], rng: np.random.Generator) -> Picture:
    """Another exposure of a negative of any size, in which something has visibly moved where it is shown."""
    size = (FACE_WIDTH, round(negative.shape[0] * FACE_WIDTH / negative.shape[1]))
    view = cv2.resize(negative, size, interpolation=cv2.INTER_AREA).astype(np.float32) / np.float32(255)
    moved = another_moment(view, rng)
    while visibly_moved(view[shown], moved[shown]) < VISIBLE_CELLS:
        moved = another_moment(moved, rng)
    return np.rint(255 * moved).astype(np.uint8)


def shown_of(negative: Picture, crop: Crop, caption: Caption) -> tuple[slice, slice]:
    """Rows and columns of the view that `moment_of` works on that are compared on a card: its picture zone."""
    corners = picture_corners(FaceSize()) / FaceSize().px_per_mm
    to_negative = where_printed(negative.shape, crop, caption, None)
    scale = FACE_WIDTH / negative.shape[1]
    x, y = (cv2.perspectiveTransform(corners[None], to_negative)[0] * scale).T
    return slice(max(0, int(y.min())), int(y.max())), slice(max(0, int(x.min())), int(x.max()))


def shrunk(face: Face, rng: np.random.Generator) -> Face:
    """The face as a picture of 240 to 600 pixels' height shows it, saved once more."""
    height, width = face.grey.shape
    scale = float(rng.uniform(240, 600)) / height
    small = cv2.resize(face.grey, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)
    _, file = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(55, 90))])
    seen = np.asarray(cv2.imdecode(file, cv2.IMREAD_GRAYSCALE), np.uint8)
    grey = np.asarray(cv2.resize(seen, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)
    return Face.from_pixels(np.repeat(grey[..., None], 3, axis=2))


def _card(
    negative: Picture,
    crop: Crop,
    caption: Caption,
    plate: int,
    rng: np.random.Generator,
    contrast: float,
    tone: float,
    wear: str,
) -> Card:
    """One print of a negative with a rendering of its own, aged, and worn in one way."""
    if tone > 0:
        view = negative.astype(np.float32) / np.float32(255)
        if rng.random() < 0.1 * tone:
            view = retouched(view, rng)
        look = random_look(rng, tone)
        finer = replace(look, softness=look.softness * negative.shape[1] / FACE_WIDTH)
        negative = np.rint(255 * render_print(view, finer, rng)).astype(np.uint8)
    card = make_copy(negative, crop, caption, random_age(rng, contrast), seed=int(rng.integers(1 << 30)), plate=plate)
    return hurt(card, [wear], rng) if wear else card


def hurt(card: Card, kinds: Sequence[str], rng: np.random.Generator) -> Card:
    """The card with wear laid upon it, in its own colours."""
    before = to_grey(card.pixels).astype(np.float32) / np.float32(255)
    after, _ = worn(before, list(kinds), rng, float(rng.uniform(0.2, 1)))
    factor = ((after + 0.02) / (before + 0.02))[..., None]
    return replace(card, pixels=np.clip(card.pixels * factor, 0, 255).astype(np.uint8))
