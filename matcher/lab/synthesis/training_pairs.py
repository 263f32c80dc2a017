"""Registered pairs of faces with the truth of every spot known: does it show the same thing on both, or not?

Negatives in, `Pair`s out: what the change detector (`core.ladder.change_detector`) is trained on. Both faces go through
printing, ageing, camera, flattening and registration as in use; the truth comes from printing each fresh card twice,
once with its own content and once with the other's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption_strips import register_strips
from matcher.core.ladder.registered import Registered
from matcher.core.photo import Photo, to_grey
from matcher.lab.synthesis import Age, Caption, Crop, make_copy, photograph, print_card, scan
from matcher.lab.synthesis.chance import another_crop, random_age, random_crop, random_scene
from matcher.lab.synthesis.negatives import another_exposure
from matcher.lab.synthesis.trials import CORNER_JITTER_MM
from matcher.lab.synthesis.words import another_caption, random_caption

Picture = NDArray[np.uint8]

UNKNOWN = 255
"""Label of a spot that differs a little: neither the same nor clearly something else."""

SAME = (1.5, 0.03)
OTHER = (4.0, 0.35)
"""Of a fresh print's local difference: grey levels, and share of the local detail. Below both of SAME it is the same
thing, above both of OTHER another."""

POOR_START = 0.2
"""Registered worse than this (ECC correlation), a pair teaches nothing."""


@dataclass(frozen=True)
class Patch:
    """Two registered greys of one shape, where both are seen (bool), and the truth: 0 same, 1 other, or `UNKNOWN`."""

    mine: Picture
    theirs: Picture
    seen: NDArray[np.bool_]
    truth: Picture


@dataclass(frozen=True)
class Pair:
    """One query face with a reference laid over it.

    kind:     same, exposure (a spot has changed) or sibling (another pose before one backdrop).
    contrast: the query's residual contrast.
    words:    whether both bear the same words; crop: whether both show the same window.
    picture:  the whole face; strips: its foot and head, registered on their own.
    """

    kind: str
    contrast: float
    words: bool
    crop: bool
    picture: Patch
    strips: tuple[Patch, Patch]


@dataclass(frozen=True)
class _Print:
    """All that decides what one card shows and how it was cut and pasted."""

    negative: Picture
    crop: Crop
    caption: Caption
    seed: int
    plate: int


def pairs(negative: Picture, siblings: Sequence[Picture], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[Pair]:
    """One reference against two more copies of its negative, two other exposures, and each sibling."""
    rng = np.random.default_rng(seed)
    reference_print = _Print(negative, random_crop(rng), random_caption(rng, fonts), int(rng.integers(1 << 30)), seed)
    age = random_age(rng, float(rng.choice([1.0, 0.7, 0.45, 0.3, 0.2])))
    face, _ = _face(reference_print, age, rng, scanned=True)
    reference = View(face)
    others = [("exposure", another_exposure(negative, rng)) for _ in range(2)] + [("sibling", s) for s in siblings]
    for kind, content in [("same", negative), ("same", negative), *others]:
        pair = _pair(kind, content, reference_print, reference, rng)
        if pair is not None:
            yield pair


def _pair(
    kind: str, content: Picture, reference_print: _Print, reference: View, rng: np.random.Generator
) -> Pair | None:
    caption = reference_print.caption if rng.random() < 0.4 else another_caption(reference_print.caption, rng)
    crop = reference_print.crop if rng.random() < 0.7 else another_crop(reference_print.crop, rng)
    plate = reference_print.plate if kind == "same" else reference_print.plate + 1
    shown = _Print(content, crop, caption, int(rng.integers(1 << 30)), plate)
    contrast = float(np.exp(rng.uniform(np.log(0.10), np.log(0.9))))
    query, to_face = _face(shown, random_age(rng, contrast), rng, scanned=rng.random() < 0.3)
    found = align(View(query), reference)
    if not found or found.correlation < POOR_START:
        return None
    would_be = _Print(reference_print.negative, crop, reference_print.caption, shown.seed, plate)
    truth = _truth(_fresh(would_be, to_face, query), _fresh(shown, to_face, query))
    registered = Registered.of(query, reference.face, found)
    strips = register_strips(registered)
    foot, head = (Patch(s.query, s.reference, s.shown, truth[s.rows, s.columns]) for s in strips)
    picture = Patch(query.grey, registered.warped, query.trusted & registered.covered, truth)
    return Pair(kind, contrast, caption == reference_print.caption, crop == reference_print.crop, picture, (foot, head))


def _face(shown: _Print, age: Age, rng: np.random.Generator, scanned: bool) -> tuple[Face, NDArray[np.float64]]:
    """One copy flattened, and (3, 3) from its card's pixels to the face's, both counted from outer corners."""
    card = make_copy(shown.negative, shown.crop, shown.caption, age, seed=shown.seed, plate=shown.plate)
    shot = scan(card, rng) if scanned else photograph(card, random_scene(rng), rng)
    side = float(np.linalg.norm(shot.corners[3] - shot.corners[0]))
    corners = (shot.corners + rng.normal(0, CORNER_JITTER_MM * side / 63.5, (4, 2))).astype(np.float32)
    face = flatten(Photo.from_pixels(shot.pixels), CardQuad(corners, 1.0))
    height, width = card.cover.shape
    to_photo = cv2.getPerspectiveTransform(_rectangle(width, height), shot.corners.astype(np.float32))
    to_face = cv2.getPerspectiveTransform(corners, _rectangle(face.size.width, face.size.height))
    return face, np.asarray(to_face @ to_photo, np.float64)


def _rectangle(width: int, height: int) -> NDArray[np.float32]:
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)


def _fresh(shown: _Print, to_face: NDArray[np.float64], face: Face) -> NDArray[np.float32]:
    """The fresh card, neither aged nor photographed, in the face's frame."""
    rng = np.random.default_rng([shown.seed, 1])  # as `make_copy` prints it
    card = print_card(shown.negative, shown.crop, shown.caption, rng, plate=shown.plate)
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    move = np.linalg.inv(half) @ to_face @ half
    size = (face.size.width, face.size.height)
    grey = cv2.warpPerspective(to_grey(card.pixels), move, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grey, np.float32)


def _truth(expected: NDArray[np.float32], shown: NDArray[np.float32]) -> Picture:
    """(height, width) uint8: 0 where two fresh prints show the same, 1 where not, `UNKNOWN` between."""

    def detail(grey: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0) - cv2.GaussianBlur(grey, (0, 0), 6.0), np.float32)

    def near(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), 4.0), np.float32)

    first, second = detail(expected), detail(shown)
    gone = near((first - second) ** 2)
    levels, share = np.sqrt(gone), gone / (near(first**2) + near(second**2) + 1e-3)
    truth = np.full(expected.shape, UNKNOWN, np.uint8)
    truth[(levels < SAME[0]) | (share < SAME[1])] = 0
    truth[(levels > OTHER[0]) & (share > OTHER[1])] = 1
    return truth
