"""Cards of several worlds, for fitting the pose and for telling how it does in each: pictures in, `Pairing`s out.

A world is one way in which two cards of one negative differ: plain ageing, prints of their own tone, one damage a
card, small pictures, or all together. Every card goes the whole way: printed, aged, worn, photographed or scanned,
flattened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_box
from matcher.core.flatten import Face
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import Caption, Card, Crop, make_copy
from matcher.lab.synthesis.chance import another_crop, random_age, random_crop
from matcher.lab.synthesis.face_pairs import CELL
from matcher.lab.synthesis.materials import hurt, toned
from matcher.lab.synthesis.movement import another_moment
from matcher.lab.synthesis.observer import Twin, detectability
from matcher.lab.synthesis.prints import Field, random_look, render_print, retouched
from matcher.lab.synthesis.trials import photographed, scanned
from matcher.lab.synthesis.visible import MOVED, change_level, detail_level, differs
from matcher.lab.synthesis.wear import KINDS
from matcher.lab.synthesis.words import random_caption

Picture = NDArray[np.uint8]

WORLDS = ("plain", "toned", "worn", "small", "all")
"""What a query differs in from its reference, besides age and camera."""

FACE_WIDTH = 368
"""Pixels of a face, in which a print's softness and a movement's reach are counted."""

VISIBLE_CELLS = 40
"""Cells that differ clearly, some six square millimetres of a card, from which a person visibly moved."""

VISIBLE_CHANGE = 3 / 255
"""Change of a print's greys, root mean square over a spot, that an eye sees beside paper and grain; our own choice."""

LEGIBLE = 0.7
"""Share of what a neutral, fresh print shows in detail that a print worth enrolling shows; our own choice."""

ENOUGH_TONES, MOSTLY = 60, 0.85
"""Grey levels between a picture's darkest and lightest twentieth that a collector asks of what is enrolled, and how
often there is such a card to be had; our own choices."""

MOST_TRIES = 12

Hurt = Callable[[Card, str, float, np.random.Generator], Card]
"""Lays one kind of wear on a card, so far off the print's own colour."""


def rendered(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """A plate's view, (h, w) 0..1 of any size, in tones of one print's own; no edge of it moves."""
    if rng.random() < 0.1 * strength:
        view = retouched(view, rng)
    look = random_look(rng, strength)
    return render_print(view, replace(look, softness=look.softness * view.shape[1] / FACE_WIDTH), rng)


@dataclass(frozen=True)
class Hand:
    """Whoever draws: what wear a card may bear, and how that, a print's tones and another exposure are drawn.

    Each hand has its own code, so that what is learnt from several is what they have in common. name: for tables.
    """

    name: str
    kinds: Sequence[str]
    hurt: Hurt
    rendered: Callable[[Field, float, np.random.Generator], Field]
    another_moment: Callable[[Field, np.random.Generator], Field]


OWN_HAND = Hand("own", (*KINDS, *4 * ("own_tones",)), hurt, rendered, another_moment)
"""Flat patches in the print's own tones come as often as five other kinds: nothing is taken for movement more."""

ASKED = ("same", "same", "crop", "moment", "moment")
"""What is set against each reference in each world, besides another pose there and strangers."""

STRANGERS = ("backdrop", "other")
"""Another sitter before the reference's own backdrop, and another picture altogether: asked in two of the worlds."""

WORN_REFERENCES = 0.2
"""Share of references that are worn themselves; own choice."""


@dataclass(frozen=True)
class WorldPair:
    """One pair of faces. relation: same, crop, moment (another exposure), room (another pose there), backdrop
    (another sitter before it) or other.

    hand: by whom both are drawn. tone: strength of the query's own rendering; wear: its kind, "" for none; colour: how
    far, 0..1, that is from the print's own; contrast: what the query's fading has left. levels: tones of the
    reference's picture, in levels of 255. seen: how far an eye could tell that something has moved
    (`observer.detectability`), NaN but for a moment.
    """

    world: str
    relation: str
    hand: str
    tone: float
    wear: str
    colour: float
    contrast: float
    levels: float
    seen: float
    query: Face
    reference: Face

    @property
    def same(self) -> bool:
        """Whether both show one negative."""
        return self.relation in ("same", "crop")


@dataclass(frozen=True)
class Printing:
    """How one card is made of whatever its plate shows: the same each time it is asked.

    crop, caption: its window and words. plate: seed of the plate's own flaws; seed: of the print, its age and wear.
    contrast: what its fading leaves. tone: strength of its own rendering. wear: what lies upon it, "" for nothing;
    colour: how far that is from the print's own. hand: by whom it is drawn.
    """

    crop: Crop
    caption: Caption
    plate: int
    seed: int
    contrast: float
    tone: float
    wear: str = ""
    colour: float = 0.0
    hand: Hand = OWN_HAND

    def card(self, negative: Picture) -> Card:
        """The card, as it lies flat."""
        rng = np.random.default_rng(self.seed)
        if self.tone > 0:
            view = self.hand.rendered(negative.astype(np.float32) / np.float32(255), self.tone, rng)
            negative = np.rint(255 * view).astype(np.uint8)
        copy = int(rng.integers(1 << 30))
        age = random_age(rng, self.contrast)
        card = toned(make_copy(negative, self.crop, self.caption, age, seed=copy, plate=self.plate), rng)
        return self.hand.hurt(card, self.wear, self.colour, rng) if self.wear else card

    def view(self, negative: Picture) -> Field:
        """(h, w) float32 0..1, the card's greys at a face's scale, as no camera has yet seen them."""
        grey = to_grey(self.card(negative).pixels)
        size = (FACE_WIDTH, round(grey.shape[0] * FACE_WIDTH / grey.shape[1]))
        return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32) / np.float32(255)


def world_pairs(
    negative: Picture,
    siblings: Sequence[Picture],
    stranger: Picture,
    rng: np.random.Generator,
    worlds: Sequence[str] = WORLDS,
    hand: Hand = OWN_HAND,
    asked: Sequence[str] = ASKED,
) -> Iterator[WorldPair]:
    """One reference of a negative against cards of each world: the same, another window, other exposures, others.

    hand: by whom cards are drawn. asked: the relations of each world. Exposures of which hardly anything can be seen to
    have moved on both prints are left out.
    """
    enrolled = enrolled_print(negative, rng, hand)
    if rng.random() < WORN_REFERENCES:
        enrolled = replace(enrolled, **_worn(hand, rng))
    as_scanned = deepcopy(rng)
    reference = scanned(enrolled.card(negative), rng)
    box = picture_box(reference.size)
    levels = tones_of(reference.grey[box])
    for world in worlds:
        wanted = list(asked) + ["room"] * bool(siblings) + list(STRANGERS) * (world in ("plain", "all"))
        for relation in wanted:
            made = _query_print(enrolled, world, relation, rng, hand)
            content: Picture | None = negative
            if relation == "moment":
                content = moment_of(negative, (enrolled, made), rng)
            elif relation in ("room", "other"):
                content = siblings[int(rng.integers(len(siblings)))] if relation == "room" else stranger
            elif relation == "backdrop":
                content = before_backdrop(negative, stranger, rng)
            if content is None:
                continue
            small = world == "small" or (world == "all" and rng.random() < 0.25)
            as_taken = deepcopy(rng)
            face = taken(made.card(content), small, rng)
            seen = float("nan")
            if relation == "moment":
                there = Twin(face.grey[box], taken(made.card(negative), small, as_taken).grey[box])
                known = Twin(reference.grey[box], scanned(enrolled.card(content), deepcopy(as_scanned)).grey[box])
                seen = detectability(there, known)
            about = (hand.name, made.tone, made.wear, made.colour, made.contrast, levels, seen)
            yield WorldPair(world, relation, *about, face, reference)


def enrolled_print(negative: Picture, rng: np.random.Generator, hand: Hand = OWN_HAND) -> Printing:
    """A print as a researcher enrols it: faded and toned as it comes, but it shows most of what the plate does, and
    mostly has tones enough; a neutral, fresh one where the plate has not."""
    crop, caption, plate = random_crop(rng), random_caption(rng, ("",)), int(rng.integers(1 << 30))
    neutral = Printing(crop, caption, plate, int(rng.integers(1 << 30)), 1.0, 0.0, hand=hand)
    least = ENOUGH_TONES / 255 if rng.random() < MOSTLY else 0.0
    wanted = LEGIBLE * detailed_share(neutral.view(negative))
    for _ in range(MOST_TRIES):
        best, tone = float(rng.choice([1.0, 0.8, 0.5, 0.3])), float(rng.uniform(0, 1))
        made = Printing(crop, caption, plate, int(rng.integers(1 << 30)), best, tone, hand=hand)
        view = made.view(negative)
        if detailed_share(view) >= wanted and tones_of(view[picture_box(FaceSize())]) >= least:
            return made
    return neutral


def _query_print(enrolled: Printing, world: str, relation: str, rng: np.random.Generator, hand: Hand) -> Printing:
    """What a world does to another print of the enrolled card's plate, or of another plate with its words."""
    tone = float(rng.uniform(0.3, 1.2)) if world in ("toned", "all") else 0.0
    wear = _worn(hand, rng) if world == "worn" or (world == "all" and rng.random() < 0.7) else {}
    contrast = float(np.exp(rng.uniform(np.log(0.12), np.log(0.95))))
    crop = another_crop(enrolled.crop, rng) if relation == "crop" else enrolled.crop
    plate = enrolled.plate if relation in ("same", "crop") else enrolled.plate + 1
    return Printing(crop, enrolled.caption, plate, int(rng.integers(1 << 30)), contrast, tone, **wear, hand=hand)


def _worn(hand: Hand, rng: np.random.Generator) -> dict[str, Any]:
    """One wear of this hand's, as a `Printing` has it."""
    colour = float(rng.uniform(0.2, 1)) if rng.random() < COLOURED else 0.0
    return {"wear": str(rng.choice(list(hand.kinds))), "colour": colour}


COLOURED = 0.75
"""Share of worn cards whose wear has another colour than the print; on black and white pictures none has."""


def taken(card: Card, small: bool, rng: np.random.Generator) -> Face:
    """The card's face, as a sales page shows it, or from a scan or a telephone."""
    if small:
        return shrunk(photographed(card, rng), rng)
    return scanned(card, rng) if rng.random() < 0.25 else photographed(card, rng)


def moment_of(negative: Picture, prints: Sequence[Printing], rng: np.random.Generator) -> Picture | None:
    """Another exposure of a negative of any size, in which something has visibly moved on every one of the prints.

    None where so little is to be seen on one of them that it shows no movement.
    """
    size = (FACE_WIDTH, round(negative.shape[0] * FACE_WIDTH / negative.shape[1]))
    small = np.asarray(cv2.resize(negative, size, interpolation=cv2.INTER_AREA), np.uint8)
    moved, still = small.astype(np.float32) / np.float32(255), [made.view(small) for made in prints]
    for _ in range(MOST_TRIES):
        moved = prints[0].hand.another_moment(moved, rng)
        content = np.rint(255 * moved).astype(np.uint8)
        shown = (_visible_cells(one, made.view(content)) for one, made in zip(still, prints, strict=True))
        if all(cells >= VISIBLE_CELLS for cells in shown):
            return content
    return None


def before_backdrop(negative: Picture, stranger: Picture, rng: np.random.Generator) -> Picture:
    """Another sitter where this picture's sat: the stranger's middle, its rim soft, before the same backdrop.

    One studio photographed hundreds before one backdrop: that ties two pictures together and makes them no negative.
    """
    height, width = negative.shape[:2]
    sitter = cv2.resize(stranger, (width, height), interpolation=cv2.INTER_AREA)
    down, across = np.mgrid[0:height, 0:width].astype(np.float32)
    wide, tall = rng.uniform(0.2, 0.38) * width, rng.uniform(0.28, 0.5) * height
    x, y = rng.uniform(0.42, 0.58) * width, rng.uniform(0.5, 0.62) * height
    power = rng.uniform(1.6, 5)
    far = (np.abs(across - x) / wide) ** power + (np.abs(down - y) / tall) ** power
    inside = cv2.GaussianBlur((far < 1).astype(np.float32), (0, 0), float(rng.uniform(0.004, 0.02)) * width)
    inside = inside.reshape(inside.shape + (1,) * (negative.ndim - 2))
    return np.asarray(np.rint(negative + inside * (sitter.astype(np.float32) - negative)), np.uint8)


def detailed_share(view: Field) -> float:
    """Share of a print's view in which detail is to be seen."""
    return float((detail_level(view) > VISIBLE_CHANGE).mean())


def tones_of(picture: Picture | Field) -> float:
    """From a picture's darkest twentieth to its lightest, in its own units."""
    low, high = np.percentile(picture[::2, ::2], [5, 95])
    return float(high - low)


def _visible_cells(first: Field, second: Field) -> float:
    """Cells of two views of one print in which clearly something else is to be seen."""
    seen = (differs(first, second) == MOVED) & (change_level(first, second) > VISIBLE_CHANGE)
    return float(seen.sum()) / CELL**2


def shrunk(face: Face, rng: np.random.Generator) -> Face:
    """The face as a picture of 240 to 600 pixels' height shows it, saved once more."""
    height, width = face.grey.shape
    scale = float(rng.uniform(240, 600)) / height
    small = cv2.resize(face.grey, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)
    _, file = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(55, 90))])
    seen = np.asarray(cv2.imdecode(file, cv2.IMREAD_GRAYSCALE), np.uint8)
    grey = np.asarray(cv2.resize(seen, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)
    return Face.from_pixels(np.repeat(grey[..., None], 3, axis=2))
