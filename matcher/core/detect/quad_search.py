"""The search in the reduced picture: a pool of quads, scored alike, thinned to one a card, with a runner-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.choice_settings import ChoiceSettings
from matcher.core.detect.first_look import first_look
from matcher.core.detect.geometry import Array, area, height, inside, slant, true_slant
from matcher.core.detect.no_card import no_card, of_nominal_shape, off_shape, on_border
from matcher.core.detect.proposals import LineQuads, propose_quads, seen_quads
from matcher.core.detect.quad_classifier import classify_quads
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.region_proposals import coarse_quads, region_quads
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.suppression import suppress_overlaps
from matcher.core.shared_settings import FaceSize

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]


@dataclass(frozen=True)
class RankedQuads:
    """quads: (n, 4, 2) in reduced pixels, portrait order, one a card, best first; scores: (n,) 0 to 1.

    runner_up: for each, the next best outline of the same card, or None where there is no doubt.
    small: (k, 4, 2) what is no more than a part of the picture, one a place, whether or not it lies in another quad.
    """

    quads: Quads
    scores: Scores
    runner_up: tuple[Quads | None, ...]
    small: Quads = field(default_factory=lambda: np.empty((0, 4, 2), np.float32))

    @classmethod
    def none(cls) -> RankedQuads:
        """Where nothing is seen."""
        return cls(np.empty((0, 4, 2), np.float32), np.empty(0, np.float32), ())

    @property
    def best(self) -> float:
        """The highest score; 0 without quads."""
        return float(self.scores[0]) if len(self.scores) else 0.0


def search_quads(
    picture: ReducedImage,
    sizes: FaceSize | Sequence[FaceSize],
    px_per_mm: float | None = None,
    settings: DetectSettings = DetectSettings(),
    lines: LineQuads | None = None,
) -> RankedQuads:
    """Look for cards.

    sizes: of the cards, as portrait. px_per_mm: of the reduced picture, where a scan's resolution tells it.
    lines: the picture's, where they are looked at elsewhere as well.
    """
    lines = lines or LineQuads(picture, settings)
    sizes = [sizes] if isinstance(sizes, FaceSize) else sizes
    shapes = np.array(sorted({size.aspect for size in sizes}))
    # A scan tells mm, by which outlines are set against each other; so are those of several formats.
    one_look = len(shapes) == 1 and not px_per_mm
    clear = one_look and first_look(picture, shapes, _at_first_sight(picture, shapes, settings), settings)
    if clear:
        return RankedQuads(*clear, (None,))
    of_regions = region_quads(picture, shapes, settings.proposals.regions)
    clear = one_look and first_look(picture, shapes, of_regions, settings)
    if clear:
        return RankedQuads(*clear, (None,))
    quads = propose_quads(picture, shapes, settings, lines, of_regions)
    scores, log_odds, own = _scored(picture, quads, sizes, px_per_mm, settings)
    kept = suppress_overlaps(quads, scores, least=0.0, log_odds=log_odds)
    # With the network's word several outlines of one place are as good as certain by themselves: odds tell them apart.
    doubtful = log_odds if picture.sees_card else np.zeros_like(log_odds)
    runner_up = tuple(_runner_up(quads, scores, doubtful, int(i), settings.choice) for i in kept)
    there = np.maximum(scores[kept], in_one_place(quads, own, kept, settings.choice))
    return RankedQuads(quads[kept], there, runner_up, small_places(picture, quads, scores, settings))


def _at_first_sight(picture: ReducedImage, shapes: NDArray[np.floating], settings: DetectSettings) -> Quads:
    """(n, 4, 2) what two quick ways propose: colours other than the ground's, and the network where it sees a card."""
    coarse = coarse_quads(picture, shapes, settings.proposals.regions)
    return np.concatenate([coarse, seen_quads(picture, settings.proposals)]) if picture.sees_card else coarse


def in_one_place(quads: Quads, own: Scores, kept: NDArray[np.intp], choice: ChoiceSettings) -> Scores:
    """(k,) how likely a card is in the place of each quad that was kept, whichever of the outlines there is its own.

    The classifier divides the odds between the outlines of a pool: two that are nearly alike may each have less than
    half though one of them is right beyond doubt. own: (n,) what each has by itself.
    """
    odds = own / np.maximum(1 - own, 1e-6)
    near = [[overlap(quads[k], other) > choice.one_place for other in quads] for k in kept]
    total = np.array([float(odds[one].sum()) for one in np.array(near, bool).reshape(len(kept), len(quads))])
    return np.asarray(total / (1 + total), np.float32)


def small_places(picture: ReducedImage, quads: Quads, scores: Scores, settings: DetectSettings) -> Quads:
    """(k, 4, 2) of quads (n, 4, 2) with their scores (n,) those that are worth a look from nearer, the best first: they
    are small, may be cards, and are no part of something likelier."""
    looking = settings.closer_look
    part = np.nonzero(np.ptp(quads, axis=1).max(axis=-1) < looking.most_share * max(picture.width, picture.height))[0]
    kept = suppress_overlaps(quads[part], scores[part], least=looking.least, limit=looking.places)
    size = area(quads)
    whole = (size < settings.choice.full * picture.width * picture.height) & (scores >= looking.around)

    def is_part(i: int) -> bool:
        larger = np.nonzero(whole & (scores >= scores[i]) & (size > looking.larger * size[i]))[0]
        return any(inside(quads[i].mean(axis=0), quads[k]) for k in larger)

    return quads[[i for i in part[kept] if not is_part(i)]]


def _scored(
    picture: ReducedImage,
    quads: Quads,
    sizes: Sequence[FaceSize],
    scan_px_per_mm: float | None,
    settings: DetectSettings,
) -> tuple[Scores, Scores, Scores]:
    """How likely each quad is a card, of whichever format is nearest; the log odds of those that nothing
    contradicts: they still differ where two scores are as good as 1; and what each has without others that say the
    same."""
    choice = settings.choice
    shapes = np.array(sorted({size.aspect for size in sizes}))
    alone = classify_quads(picture, quads, shapes)
    likely, log_odds = _together(quads, alone, choice)
    fits = np.zeros(len(quads), bool)
    for size in sizes if scan_px_per_mm else ():
        fits |= of_nominal_size(quads, size, scan_px_per_mm * size.enlarged, choice)  # type: ignore[operator]
    none = no_card(picture, quads, likely, shapes, settings)
    scores = np.where(none, choice.unlikely * likely, likely).astype(np.float32)
    scores = _inside_first(picture, quads, scores, alone, shapes, choice)
    scores = likely_first(picture, quads, scores, shapes, choice, alone)
    scores = _true_to_size(scores, fits, choice)
    kept = scores >= likely
    return scores, np.where(kept, log_odds, 0).astype(np.float32), np.where(kept, alone, 0).astype(np.float32)


def _inside_first(
    picture: ReducedImage, quads: Quads, scores: Scores, alone: Scores, shapes: Array, choice: ChoiceSettings
) -> Scores:
    """The full picture is the card only where no card is seen in it: a scan shows a rim of the lid, a viewer its page.

    alone: what the classifier says of each quad by itself; of a print that shows its mount all around it is never sure.
    """
    if not len(quads):
        return scores
    share = area(quads) / (picture.width * picture.height)
    far = np.array([picture.width, picture.height]) - quads
    # A viewer's page with a bar above it is as good as the full picture.
    ends = (np.minimum(quads, far).reshape(len(quads), -1) < choice.border_px).sum(axis=1)
    full = (share > choice.full) | ((share > choice.nearly_full) & (ends >= choice.ends))
    if not full.any():
        return scores
    rim = np.minimum(quads, far).min(axis=(1, 2)) / max(picture.width, picture.height)
    off = off_shape(picture, quads, shapes)
    rimmed = (
        (alone >= choice.rimmed)
        & (share > choice.rimmed_least)
        & (share < choice.rimmed_most)
        & (rim > choice.rim)
        & (off < choice.shape_tolerance)
    )
    lying = (share > choice.lying_least) & (share < choice.rimmed_most) & (rim > choice.lid) & (off < choice.hand_cut)
    seen = (rimmed | lying) & (scores >= choice.rival)
    return np.where(full & seen.any(), choice.unlikely * scores, scores).astype(np.float32)


def likely_first(
    picture: ReducedImage,
    quads: Quads,
    scores: Scores,
    shapes: Array,
    choice: ChoiceSettings = ChoiceSettings(),
    alone: Scores | None = None,
) -> Scores:
    """(n,) the scores, less for quads (n, 4, 2), in reduced pixels, that contradict what is as good as certain.

    Where a quad of the nominal shape, all sides within the picture, is as good as certain, another in its place is
    unlikely that is no rectangle, or whose side is the picture's own border: a side of it has followed another line.
    alone: what the classifier says of each quad by itself; only what is sure so speaks against the full picture.
    """
    if not len(quads):
        return scores
    leaning = true_slant(quads, picture.width, picture.height)
    bordered = on_border(picture, quads, choice.border_px)
    good = (leaning < choice.rectangle) & ~bordered & (scores >= choice.settled)
    good &= of_nominal_shape(picture, quads, shapes, choice)
    centre, reach = quads.mean(axis=1), choice.near * height(quads)
    near = np.abs(centre[:, None] - centre[None, good]).max(axis=-1) < reach[:, None]
    larger = area(quads)[good] > choice.as_large * area(quads)[:, None]
    against = near & larger
    # A card may well reach the border: what is surer still of one that does is not contradicted.
    full = area(quads) > choice.full * picture.width * picture.height
    against &= full[:, None] | (leaning > choice.no_rectangle)[:, None] | (scores[good] >= scores[:, None])
    if alone is not None:
        against[full] &= alone[good] >= choice.rimmed
        if picture.sees_card:  # then it is known what lies around a print: its mount, or a lid
            against[full] &= alone[good] >= alone[full, None]
    astray = ((leaning > choice.no_rectangle) | bordered) & against.any(axis=1)
    return np.where(astray, choice.unlikely * scores, scores).astype(np.float32)


def of_nominal_size(
    quads: Quads, size: FaceSize, px_per_mm: float | None, choice: ChoiceSettings = ChoiceSettings()
) -> NDArray[np.bool_]:
    """(n,): which quads have the nominal size, both ways, and square corners; none where no scan's resolution tells."""
    if not len(quads) or not px_per_mm:
        return np.zeros(len(quads), bool)
    wide = 0.5 * (np.linalg.norm(quads[:, 1] - quads[:, 0], axis=1) + np.linalg.norm(quads[:, 2] - quads[:, 3], axis=1))
    fits = np.abs(np.log(wide / (size.width_mm * px_per_mm))) < choice.size_tolerance
    fits &= np.abs(np.log(height(quads) / (size.height_mm * px_per_mm))) < choice.size_tolerance
    return np.asarray(fits & (slant(quads) < choice.square))


def _true_to_size(scores: Scores, fits: NDArray[np.bool_], choice: ChoiceSettings) -> Scores:
    """Where some quad has the nominal size on a scan, it is likelier and others are unlikely; cards of another size
    than the nominal have no such rival, and a telephone's meaningless resolution fits nothing."""
    best = float(scores[fits].max(initial=0.0))
    if best < choice.rival_of_size:
        return scores
    if best < choice.settled:
        odds = choice.fitting_odds * scores / (1 - np.minimum(scores, choice.settled))
        return np.where(fits, odds / (1 + odds), choice.unlikely * scores).astype(np.float32)
    return np.where(fits, scores, choice.unlikely * scores).astype(np.float32)


def _together(quads: Quads, scores: Scores, choice: ChoiceSettings) -> tuple[Scores, Scores]:
    """The odds of quads that say the same, added up: the classifier divides them between such quads. As probabilities,
    and as log odds."""
    if not len(quads):
        return scores, scores
    odds = scores / np.maximum(1 - scores, 1e-6)
    near = np.abs(quads[:, None] - quads[None]).max(axis=(2, 3)) < choice.same * height(quads)[:, None]
    total = near @ odds
    # The likeliest of a group speaks for it.
    probability = np.asarray(total / (1 + total) + 1e-4 * (scores - 1), np.float32)
    return probability, np.log(np.maximum(total, 1e-6)).astype(np.float32)


def _runner_up(quads: Quads, scores: Scores, log_odds: Scores, best: int, choice: ChoiceSettings) -> Quads | None:
    for i in np.argsort(-scores):
        if scores[i] < scores[best] - choice.nearly:
            return None
        near = log_odds[i] > log_odds[best] - choice.nearly_odds
        if near and 0.3 < overlap(quads[best], quads[i]) < choice.another:
            return np.asarray(quads[i], np.float32)
    return None


def overlap(one: Array, other: Array) -> float:
    """Intersection over union of two convex quads (4, 2)."""
    shared, _ = cv2.intersectConvexConvex(np.asarray(one, np.float32), np.asarray(other, np.float32))
    union = abs(float(area(one))) + abs(float(area(other))) - float(shared)
    return float(shared) / max(union, 1e-6)
