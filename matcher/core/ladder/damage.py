"""What lies upon a card or is lost from it, named: two registered greys and their `MovementMap` in, `Damage`s out.

A fact for people, and no evidence about the exposure. The map says of every spot on which of the two cards something is
laid over or lost; here spots that belong together become one finding, and its kind follows from the physics of its
shape. A crease is long, thin and straight, and runs from edge to edge; lost paper is flat and light with a ragged rim;
a sticker is solid, with straight sides, and hides the picture; ink comes in strokes of one width; a stain lets the
picture through. The coefficients were fitted on drawn wear (`lab/training/fit_damage.py`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any, Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import RungModel, sigmoid
from matcher.core.ladder.damage_shape import HurtSide, Spot, shape_features
from matcher.core.ladder.movement import CELL, ON_QUERY, ON_REFERENCE, MovementMap, in_cells
from matcher.core.ladder.picture_settings import DamageSettings
from matcher.core.nets import check_weights, weight_file
from matcher.core.shared_settings import FaceSize

Grey = NDArray[np.uint8]
Bools = NDArray[np.bool_]

DamageKind = Literal["crease", "loss", "sticker", "writing", "stain", "unclear"]
DAMAGE_KINDS: tuple[DamageKind, ...] = get_args(DamageKind)
"""The last where the shape does not tell."""

NOTHING: Literal["nothing"] = "nothing"
"""What the fit calls a spot that only looked damaged."""

Side = Literal["query", "reference"]
DamageSide = Literal["query", "reference", "either"]
SIDES: Mapping[Side, int] = {"query": ON_QUERY, "reference": ON_REFERENCE}
"""The two cards, by their classes of the map."""

NAMES: Mapping[DamageKind, str] = {
    "crease": "a crease or crack",
    "loss": "paper or picture lost",
    "sticker": "a sticker, label or tape",
    "writing": "writing, a stamp or strokes of a pen",
    "stain": "a stain or spots",
    "unclear": "something laid over or lost, its shape does not tell what,",
}


@dataclass(frozen=True)
class Damage:
    """One thing laid over, or lost from, a card's picture.

    kind, probability: what it is, and how likely that is by its shape; of "unclear", how likely its likeliest kind.
    on:                the query or the reference; "either" where that cannot be told.
    box_mm:            left, top, right, bottom on the query's card, mm.
    area_mm2:          what of the picture it takes.
    """

    kind: DamageKind
    probability: float
    on: DamageSide
    box_mm: tuple[float, float, float, float]
    area_mm2: float
    size: FaceSize = field(default_factory=FaceSize)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of its box."""
        left, top, right, bottom = self.box_mm
        return round(right - left, 1), round(bottom - top, 1)

    @property
    def place(self) -> str:
        """Where on the face, in words."""
        left, top, right, bottom = self.box_mm
        wide, high = self.size.card_mm
        return place_words(left / wide, top / high, right / wide, bottom / high)

    @property
    def words(self) -> str:
        width, height = self.size_mm
        big = f"about {float(np.hypot(width, height)):.0f} mm long" if self.kind == "crease" else ""
        big = big or f"about {max(width, 1):.0f} x {max(height, 1):.0f} mm"
        return f"{NAMES[self.kind]} {self.place}, {big}"


def find_damage(
    query: Grey,
    reference: Grey,
    movement: MovementMap,
    size: FaceSize,
    corner: tuple[int, int] = (0, 0),
    beside_shine: Bools | None = None,
) -> tuple[Damage, ...]:
    """What is damaged, the largest first.

    query, reference: (height, width) uint8, registered, of which `movement` is. corner: row and column of the face
    where they begin. beside_shine: their shape, where a lamp's shine may lie, which is no damage.
    """
    said: list[_Named] = []
    shine = None if beside_shine is None else in_cells(beside_shine)
    for spot in damaged_spots(query, reference, movement):
        if shine is not None and shine[spot.cells].mean() > 0.5:
            continue
        named = name_spot(spot.side_features, {side: spot.features(side) for side in SIDES}, damage_models())
        if named is not None:
            said.append(_Named(*named, spot.cells))
    found = []
    for one in _pieces_joined(said):
        area = round(float(one.cells.sum()) * (CELL * size.enlarged / size.px_per_mm) ** 2, 1)
        found.append(Damage(one.kind, one.probability, one.on, _box_mm(one.cells, corner, size), area, size))
    return tuple(sorted(found, key=lambda one: one.area_mm2, reverse=True))


@dataclass(frozen=True)
class _Named:
    """A spot's cells, and what was said of it."""

    kind: DamageKind
    probability: float
    on: DamageSide
    cells: Bools


def _pieces_joined(said: Sequence[_Named]) -> list[_Named]:
    """Pieces of one broken crease, which lie in one narrow line, made one."""
    joined: list[_Named] = []
    for one in sorted(said, key=lambda named: (named.kind != "crease", -int(named.cells.sum()))):
        for place, other in enumerate(joined):
            both = one.cells | other.cells
            if other.kind == "crease" and one.kind in ("crease", "unclear") and _narrow(both):
                joined[place] = replace(other, probability=max(one.probability, other.probability), cells=both)
                break
        else:
            joined.append(one)
    return joined


def _narrow(cells: Bools) -> bool:
    """Whether cells keep to one line."""
    row, column = np.nonzero(cells)
    _, sides, _ = cv2.minAreaRect(np.column_stack([column, row]).astype(np.float32))
    return min(sides) <= NARROW_CELLS and min(sides) < NARROW_SHARE * max(sides)


NARROW_CELLS, NARROW_SHARE = 8.0, 0.15
"""Within so broad a strip, about 3 mm, and so slender, lie the pieces of one crease; our own choice."""


def name_spot(
    sides: Mapping[str, float], on: Mapping[Side, Mapping[str, float]], models: DamageModels
) -> tuple[DamageKind, float, DamageSide] | None:
    """The kind of a spot, how likely it is, and which card bears it, by its features; None where it is no damage."""
    bears = sigmoid(models.side.logit(sides))
    side: Side = "query" if bears >= 0.5 else "reference"
    odds = {kind: model.logit(on[side]) for kind, model in models.kinds.items()}
    most = max(odds.values())
    weights = {kind: math.exp(max(value - most, -50.0)) for kind, value in odds.items()}
    shares = {kind: round(weight / sum(weights.values()), 3) for kind, weight in weights.items()}
    if shares[NOTHING] > MOST_NOTHING:
        return None
    kind = max((one for one in DAMAGE_KINDS if one in shares), key=lambda one: shares[one])
    borne: DamageSide = side if max(bears, 1 - bears) >= SURE_SIDE else "either"
    return (kind if shares[kind] >= SURE_KIND else "unclear"), shares[kind], borne


MOST_NOTHING = 0.15
"""A spot that is nothing with more than this probability is not told; our own choice."""

SURE_KIND = 0.6
"""How likely a kind must be to be named: so sure, five of six were right on the pictures it was fitted on."""

SURE_SIDE = 0.65
"""How likely it must be that a certain one of the two bears a damage for that to be said; our own choice."""


def _box_mm(cells: Bools, corner: tuple[int, int], size: FaceSize) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of cells, mm on the card."""
    (top, bottom), (left, right) = (
        (int(found[0]) * CELL + start, (int(found[-1]) + 1) * CELL + start)
        for found, start in zip((np.flatnonzero(cells.any(axis=axis)) for axis in (1, 0)), corner, strict=True)
    )
    across, down, far, low = (round(edge * size.enlarged / size.px_per_mm, 1) for edge in (left, top, right, bottom))
    return across, down, far, low


@dataclass(frozen=True)
class DamagedSpot:
    """Cells that are one thing, as if it were on the one card and as if it were on the other.

    leaning: log of how much more the map lays it to the query.
    """

    on_query: Spot
    on_reference: Spot
    leaning: float

    @property
    def cells(self) -> Bools:
        return self.on_query.cells

    def features(self, side: Side) -> dict[str, float]:
        """What kind it is by, were it on this side."""
        return self.both[0 if side == "query" else 1]

    @cached_property
    def both(self) -> tuple[dict[str, float], dict[str, float]]:
        return shape_features(self.on_query), shape_features(self.on_reference)

    @cached_property
    def side_features(self) -> dict[str, float]:
        """Which card bears it is by these; they change sign where the cards change places."""
        first, second = self.both
        return {"leaning": self.leaning, **{name: first[name] - second[name] for name in TELL_SIDES}}


TELL_SIDES = ("to_paper", "to_black", "uneven", "grained", "strength", "fill", "thickest", "stroke")


def damaged_spots(
    query: Grey, reference: Grey, movement: MovementMap, settings: DamageSettings | None = None
) -> Iterator[DamagedSpot]:
    """Spots that belong together, one after the other."""
    settings = settings or DamageSettings()
    shown = movement.shown > 0
    hurt = ((movement.damaged > settings.maybe) | (movement.moved > settings.surely)).astype(np.uint8)
    clean = np.asarray((cv2.dilate(hurt, np.ones((3, 3), np.uint8)) == 0) & shown)
    sides = HurtSide(query, reference, clean, shown), HurtSide(reference, query, clean, shown)
    for cells in _together(movement, settings):
        lain = [float(movement.classes[label][cells].sum()) + 0.1 for label in SIDES.values()]
        yield DamagedSpot(Spot(sides[0], cells), Spot(sides[1], cells), float(np.log(lain[0] / lain[1])))


def _together(movement: MovementMap, settings: DamageSettings) -> Iterator[Bools]:
    """(rows, columns) masks of cells that are one thing: those that lie near each other, with sure ones among them."""
    damaged, moved = movement.damaged, movement.moved
    # Within a large patch the map often cannot tell what was laid on from what has moved.
    maybe = (damaged > settings.maybe) | ((damaged > settings.at_least) & (damaged + moved > settings.changed))
    reach = 2 * settings.joined_cells + 1
    near = cv2.dilate(maybe.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    count, labels = cv2.connectedComponents(near)
    for label in range(1, count):
        cells = np.asarray((labels == label) & maybe)
        if (damaged[cells] > settings.surely).sum() >= settings.fewest_cells:
            yield cells


@dataclass(frozen=True)
class DamageModels:
    """side: that the query bears it. kinds: of each kind; the likeliest is the one with the highest logit."""

    side: RungModel
    kinds: Mapping[str, RungModel]


@cache
def damage_models() -> DamageModels:
    """The shipped coefficients. Raises PlatekinError damaged_part where the file is not what was shipped."""
    path = weight_file("damage.json")
    check_weights(path)
    stored = json.loads(path.read_text())
    return DamageModels(_model(stored["side"]), {name: _model(one) for name, one in stored["kinds"].items()})


def _model(stored: Mapping[str, Any]) -> RungModel:
    names, centres, scales, weights = (tuple(stored[part]) for part in ("names", "centres", "scales", "weights"))
    return RungModel(names, centres, scales, weights, float(stored["intercept"]))


def place_words(left: float, top: float, right: float, bottom: float) -> str:
    """A box in shares of the face, in words.

    >>> place_words(0.05, 0.7, 0.95, 0.75), place_words(0.1, 0.1, 0.3, 0.2), place_words(0.4, 0.4, 0.6, 0.6)
    ('across the lower third', 'at the upper left', 'in the middle')
    """
    down = ("upper", "middle", "lower")[min(2, int(3 * (top + bottom) / 2))]
    across = ("left", "centre", "right")[min(2, int(3 * (left + right) / 2))]
    if right - left > SPANS and bottom - top > SPANS:
        return "over most of the face"
    if right - left > SPANS:
        return f"across the {down} third"
    if bottom - top > SPANS:
        return f"down the {across}"
    if across == "centre":
        return "in the middle" if down == "middle" else f"at the {down} centre"
    return f"at the {across}" if down == "middle" else f"at the {down} {across}"


SPANS = 0.55
"""Share of a side from which a thing runs across it; our own choice."""


def damage_words(found: Sequence[Damage], most: int = 3) -> str:
    """The largest on either card, in a sentence for a person; empty where there is none."""
    told = []
    for side, card in (("query", "this card"), ("reference", "the reference"), ("either", "one of the two cards")):
        own = [one.words for one in found if one.on == side]
        more = f" and {len(own) - most} more" if len(own) > most else ""
        if own:
            told.append(f"on {card} {', '.join(own[:most])}{more}")
    return "; ".join(told)
