"""Cards hurt in one known way beside whole ones: pictures in, damaged spots with their true kind out.

What the kinds of damage (`core.ladder.damage`) are learnt from and reported on. Faces are drawn as faces: two prints of
one view, each with a history of its own; one of the two is worn in one way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.ladder.damage import DamagedSpot, DamageKind, Side, damaged_spots
from matcher.core.ladder.movement import CELL, compare_movement
from matcher.core.parallel.processes import process_pool
from matcher.lab.evaluation.other_wear import OTHER_KINDS
from matcher.lab.synthesis.face_pairs import windows_of
from matcher.lab.synthesis.negatives import grey_picture
from matcher.lab.synthesis.picture_history import pictured, random_history
from matcher.lab.synthesis.prints import Field, random_look, render_print, smooth_field
from matcher.lab.synthesis.wear import KINDS, Kind
from matcher.lab.training.movement_sets import SIZE

Hands = Mapping[str, Kind]
HANDS: Mapping[str, Hands] = {"own": KINDS, "other": OTHER_KINDS}
"""Who draws the wear: the code that the networks learnt from, or code of another kind."""

NAMED: Mapping[str, DamageKind] = {
    "crease": "crease", "cracked_plate": "crease", "fold": "crease", "bend": "crease",
    "surface_loss": "loss", "holes": "loss", "torn": "loss", "grazed": "loss", "abrasion": "loss", "flaked": "loss",
    "nail_hole": "loss", "corner_gone": "loss", "pinned": "loss",
    "own_tones": "loss", "scraped": "loss", "painted_out": "loss",
    "sticker": "sticker", "tape": "sticker", "label": "sticker", "round_label": "sticker",
    "ink": "writing", "pencil": "writing", "stamp": "writing", "lettering": "writing", "signature": "writing",
    "crossed_out": "writing", "postmark": "writing",
    "water": "stain", "spots": "stain", "coloured": "stain",
}  # fmt: skip
"""What a drawn kind is to be called."""

BOTH: tuple[Side, Side] = ("query", "reference")

CHANGED, LAID = 0.04, 0.15
"""A pixel is hurt where its tone has changed so far, or so much of it is laid over."""

VISIBLE_CELLS = 12
"""Hurt cells, some two square millimetres, from which a damage can be asked to be named."""


@dataclass(frozen=True)
class HurtCard:
    """One pair of faces of which one is hurt.

    kind: as drawn, "" for none. side: which of the two bears it. visible: cells of it that are laid over.
    spots: what was found, the largest first.
    """

    kind: str
    side: Side
    visible: int
    contrast: float
    spots: tuple[FoundSpot, ...]


@dataclass(frozen=True)
class FoundSpot:
    """A spot's features, as of `DamagedSpot`. cells: how many. true: whether it lies on what was drawn."""

    sides: dict[str, float]
    on: Mapping[Side, dict[str, float]]
    cells: int
    true: bool


def hurt_cards(paths: Sequence[Path], hand: str, seed: int) -> list[HurtCard]:
    """Each kind of a hand once on each picture, and one card of it that is whole."""
    tasks = [(path, hand, seed, number) for number, path in enumerate(paths)]
    with process_pool(2) as pool:
        return [card for cards in pool.map(_of_picture, tasks) for card in cards]


def _of_picture(task: tuple[Path, str, int, int]) -> list[HurtCard]:
    path, hand, seed, number = task
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, number, 22])
    (view,) = windows_of([grey_picture(path)], SIZE, rng)
    return [hurt_card(drawn_pair(view, kind, rng, HANDS[hand])) for kind in ("", *HANDS[hand])]


@dataclass(frozen=True)
class DrawnPair:
    """Two faces of one view, (h, w) uint8, one of them hurt. hurt: (h, w) bool, where. visible: cells laid over."""

    kind: str
    side: Side
    query: NDArray[np.uint8]
    reference: NDArray[np.uint8]
    hurt: NDArray[np.bool_]
    visible: int
    contrast: float


def drawn_pair(view: Field, kind: str, rng: np.random.Generator, hand: Hands = KINDS) -> DrawnPair:
    """Two pictures of a view, (h, w) 0..1, one of them hurt in one way, each with a history of its own."""
    sides, hurt, laid, contrasts = [], np.zeros(view.shape, bool), np.zeros(view.shape, np.float32), []
    bearer: Side = "query" if rng.random() < 0.6 else "reference"
    for name in BOTH:
        card = render_print(view, random_look(rng, float(rng.uniform(0, 0.8))), rng)
        if kind and name == bearer:
            whole = card
            card, laid = hand[kind](card, rng, float(rng.uniform(0.2, 1)))
            hurt = (np.abs(card - whole) > CHANGED) | (laid > LAID)
        history = random_history(rng, scanned=name == "reference" or rng.random() < 0.3)
        contrasts.append(history.contrast)
        sides.append(_shifted(pictured(card, history, rng), rng))
    query, reference = (np.rint(255 * np.clip(side, 0, 1)).astype(np.uint8) for side in sides)
    size = (view.shape[1] // CELL, view.shape[0] // CELL)
    visible = int((cv2.resize(laid, size, interpolation=cv2.INTER_AREA) > 0.3).sum())
    return DrawnPair(kind, bearer, query, reference, hurt, visible, min(contrasts))


def hurt_card(drawn: DrawnPair) -> HurtCard:
    """The spots that are found on a drawn pair."""
    movement = compare_movement(drawn.query, drawn.reference, np.ones(drawn.query.shape, bool))
    found = [
        FoundSpot(
            spot.side_features,
            {name: spot.features(name) for name in BOTH},
            int(spot.cells.sum()),
            _is(spot, drawn.hurt),
        )
        for spot in damaged_spots(drawn.query, drawn.reference, movement)
    ]
    found.sort(key=lambda one: one.cells, reverse=True)
    return HurtCard(drawn.kind, drawn.side, drawn.visible, drawn.contrast, tuple(found))


def _is(spot: DamagedSpot, hurt: NDArray[np.bool_]) -> bool:
    """Whether a spot lies on what was drawn."""
    cells = spot.on_query.side.pixels(spot.cells)
    near = cv2.dilate(hurt.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    return bool(near[cells].mean() > 0.3)


def _shifted(picture: Field, rng: np.random.Generator) -> Field:
    """What registering leaves: a smooth third of a pixel."""
    far = float(min(np.exp(rng.normal(np.log(0.3), 0.5)), 1.2))
    rows, columns = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]].astype(np.float32)
    by = [far * smooth_field(picture.shape, rng, 3) for _ in range(2)]
    found = cv2.remap(picture, columns + by[0], rows + by[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float32)
