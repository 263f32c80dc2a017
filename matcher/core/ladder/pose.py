"""Rung 1, pose: do the two faces come from one negative, or from two exposures?

A `Registered` pair in, a `PoseFinding` out. Inliers and a good fit are no evidence: backdrop, props and mount are
shared between negatives. Nor is every difference: two prints of one negative have tones of their own, and creases,
stickers and ink lie upon one card alone. What decides is whether the picture has moved: edges that go on elsewhere, a
hand that is gone here and there again. `movement` sees it; correlation and its map are for people to look at.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment
from matcher.core.align.view import picture_box
from matcher.core.calibration import Calibration, log_gap
from matcher.core.ladder.change_detector import DifferenceMap, compare, difference_features, network_input
from matcher.core.ladder.damage import Damage, damage_words, find_damage
from matcher.core.ladder.local_ncc import STEP, CorrelationMap, correlation_map, pooled
from matcher.core.ladder.movement import CELL, MovementMap, compare_movement, in_cells, movement_features
from matcher.core.ladder.picture_settings import PoseSettings
from matcher.core.ladder.registered import Registered, beside_shine
from matcher.core.ladder.words_settings import StripSettings
from matcher.core.parallel.side_by_side import both
from matcher.core.shared_settings import FaceSize, Thresholds

Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class PoseFinding:
    """Whether the picture has moved.

    probability: that both faces come from one negative.
    agreement:   weighted mean correlation at the fine scale, and what one negative would give (expected).
    judged:      share of the face that could be judged.
    damaged:     share of the picture that is laid over or lost on one of the cards, and says nothing.
    map:         (height, width) / 2 float32 over the query face, 1 the same, 0 moved, NaN cannot be judged.
    features:    what the probability was computed from.
    compared:    the pictures as they were compared.
    """

    probability: float
    agreement: float
    expected: float
    judged: float
    map: NDArray[np.float32]
    features: dict[str, float]
    damaged: float = 0.0
    compared: PictureComparison | None = field(default=None, repr=False, compare=False)

    @property
    def parts(self) -> tuple[DifferenceMap, ...]:
        """The pictures as rivals are compared by."""
        return (self.compared.difference,) if self.compared else ()

    @property
    def share(self) -> float:
        """Share of the spots that can be judged where the pictures show the same."""
        judged = self.map[~np.isnan(self.map)]
        return float((judged > 0.5).mean()) if judged.size else 0.0

    @property
    def words(self) -> str:
        said = self._damage_words
        if self.probability >= 0.5:
            where = f"the {100 * self.judged:.0f} % of the picture that can be judged"
            spots = self.compared.spots_words if self.compared else ""
            return f"same negative: nothing has moved in {where}{spots}{said}"
        return f"another exposure: {self._moved_words}{said}"

    def words_of(self, stated: float, settled: float = Thresholds().pose) -> str:
        """The same once all else about the two cards was counted in, which may say more than the pictures do alone, or
        less.

        stated: probability that both come from one negative. settled: from which on that is said without reserve.
        """
        if self.probability >= 0.5 and stated < settled:
            return f"looks like the {self.words}"
        if 1 - settled < stated < 0.5:
            return f"may be {self.words}"
        if self.probability >= 0.5 or stated < 0.5:
            return self.words
        return (
            "most likely the same negative: much agrees, and it lies on the card as it does there; what may have moved "
            f"may also be damage ({self._moved_words}){self._damage_words}"
        )

    @property
    def _moved_words(self) -> str:
        return self.compared.moved_words if self.compared else "the picture has moved"

    @property
    def damage(self) -> tuple[Damage, ...]:
        """What is damaged on one of the two cards, the largest first. Of two exposures nothing is told: what has moved
        can look as if it were laid over."""
        return self.compared.damage if self.compared and self.probability >= 0.5 else ()

    @property
    def _damage_words(self) -> str:
        named = damage_words(self.damage)
        share = f"{100 * self.damaged:.0f} % of it is damaged or covered on one card and does not count"
        told = [share] if self.damaged >= LEAST_DAMAGE else []
        told += ["lettering and mount do not count"] if self.compared and self.compared.bare else []
        return "".join(f"; {part}" for part in [*told, *([f"damage, no difference: {named}"] if named else [])])


LEAST_DAMAGE = 0.01
"""Share of the picture from which damage is told; our own choice."""


def judge_pose(pair: Registered, calibration: Calibration) -> PoseFinding | None:
    """Compare the registered pictures; None where too little of them can be judged."""
    compared = compare_pictures(pair)
    if compared is None:
        return None
    features, rung = pose_features(compared), pose_rung(pair.alignment, pair.settings.pose)
    probability, limits = calibration.probability(rung, features), pair.settings.pose
    if rung != STEADY and pair.alignment.correlation < limits.untied_correlation:
        probability = min(probability, limits.most_untied)
    fine = compared.fine
    return PoseFinding(
        probability=probability,
        agreement=fine.mean(fine.correlation),
        expected=fine.mean(fine.expected),
        judged=compared.judged,
        map=_evidence_map(compared),
        features=features,
        damaged=compared.damaged,
        compared=compared,
    )


@dataclass(frozen=True)
class PictureComparison:
    """Two registered pictures, compared over the query's picture box.

    query, reference: (height, width) uint8, the box of both.
    mask:             (height, width) bool, what of it both show.
    fine:             agreement at the fine scale.
    movement:         what has moved, and what is damaged.
    difference:       where they show different things at all: by it two poses that both may fit are told apart.
    size, box:        the face, and the rows and columns of it that were compared.
    alignment:        by which they were registered.
    burnt, strips:    where query and reference are burnt out, and how a lamp's shine round that is told.
    bare:             whether lettering in the picture, and the mount round it, were left out.
    """

    query: Grey
    reference: Grey
    mask: NDArray[np.bool_]
    fine: CorrelationMap
    movement: MovementMap
    difference: DifferenceMap
    size: FaceSize
    box: tuple[slice, slice]
    alignment: Alignment
    burnt: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    strips: StripSettings
    bare: bool = False

    @property
    def judged(self) -> float:
        """Share of the face that could be judged."""
        return (
            float((self.movement.shown * (self.movement.damaged < 0.5)).sum())
            * CELL**2
            / (self.size.height * self.size.width)
        )

    @property
    def damaged(self) -> float:
        """Share of what both show that is laid over or lost on one of the two."""
        movement = self.movement
        return float((movement.damaged > 0.5).sum() / max(float(movement.shown.sum()), 1.0))

    @cached_property
    def damage(self) -> tuple[Damage, ...]:
        """What is laid over or lost, named."""
        corner = (self.box[0].start, self.box[1].start)
        shine = beside_shine(self.query, self.reference, self.burnt, self.strips)
        return find_damage(self.query, self.reference, self.movement, self.size, corner, shine)

    @cached_property
    def moved_words(self) -> str:
        """Where on the face most has moved, and by how much; or that nearly everything is something else."""
        moved = self.movement.moved
        share = float((moved > 0.5).sum() / max(float(self.movement.shown.sum()), 1.0))
        if share > ELSEWHERE:
            return f"something else is shown over {100 * share:.0f} % of what can be judged"
        far = _displacement(self.query, self.reference, moved) / self.size.px_per_mm
        by = f", by about {far * self.size.enlarged:.1f} mm" if 0.1 <= far <= MOST_FOLLOWED_MM else ""
        return f"the picture has moved at the {self._most_moved}{by}"

    @property
    def spots_words(self) -> str:
        """What looks moved all the same, where the whole says that nothing has; empty where nothing does."""
        cell_mm = CELL * self.size.enlarged / self.size.px_per_mm
        looks_moved = float((self.movement.moved > 0.5).sum()) * cell_mm**2
        if looks_moved < TOLD_MM2:
            return ""
        return f", apart from {looks_moved:.1f} square mm that look different, mostly at the {self._most_moved}"

    @property
    def _most_moved(self) -> str:
        """Where on the face most has moved, in words: of what is counted, which the map shows red, not of its haze."""
        moved = self.movement.moved
        spot = cv2.GaussianBlur(np.where(moved > 0.5, moved, 0) if (moved > 0.5).any() else moved, (0, 0), SPOT_CELLS)
        row, column = np.unravel_index(int(spot.argmax()), spot.shape)
        top, left = (part.start // CELL for part in self.box)
        down = ("upper", "middle", "lower")[min(2, int(3 * CELL * (row + top) / self.size.height))]
        across = ("left", "centre", "right")[min(2, int(3 * CELL * (column + left) / self.size.width))]
        return f"{down} {across}"


ELSEWHERE = 0.4
"""Share of the picture from which nobody would speak of a movement any more: another pose or sitter. Our own choice."""


TOLD_MM2 = 0.3
"""What looks moved on one negative is told from so much on; the map shows it red. Our own choice."""

SPOT_CELLS = 4.0
"""Gaussian sigma, cells, of the spot that is named: about a hand."""

MOST_FOLLOWED_MM = 3.0
"""A larger displacement is none that flow can follow: something else stands there. Our own choice."""


def _displacement(query: Grey, reference: Grey, moved: NDArray[np.float32]) -> float:
    """Median length, pixels, of the flow (Kroeger et al. 2016) between the two where it has moved."""
    sides = [np.ascontiguousarray(grey) for grey in (query, reference)]
    # Without a flow to start from, which OpenCV's type information does not know.
    follower: Any = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    flow = follower.calc(*sides, None)
    cells = cv2.resize(np.linalg.norm(flow, axis=2), moved.shape[::-1], interpolation=cv2.INTER_AREA)
    where = moved > 0.5 * float(moved.max(initial=0.0))
    return float(np.median(cells[where])) if where.any() else 0.0


def compare_pictures(pair: Registered) -> PictureComparison | None:
    """None where too little is shown on both."""
    settings, size = pair.settings, pair.query.face.size
    box = picture_box(size)
    on_query, on_reference = pair.foreign
    # What has not the print's colour lies upon the picture: it is damage, and whatever is compared leaves it out.
    mask = well_inside(pair.bare, settings.pose)[box]
    query, reference = pair.query.face.grey[box], pair.warped[box]
    greys = query.astype(np.float32), reference.astype(np.float32)
    fine = correlation_map(*greys, mask, settings.pose.fine, settings.correlation)
    if fine is None:
        return None
    inputs = network_input(query), network_input(reference)
    movement, difference = both(
        lambda: compare_movement(query, reference, mask, inputs),
        lambda: compare("pictures", query, reference, mask, inputs),
    )
    movement = movement.with_damage(in_cells(on_query[box]), in_cells(on_reference[box]))
    if movement.comparable < settings.pose.least_comparable:
        return None
    return PictureComparison(
        query, reference, mask, fine, movement, difference, size, box, pair.alignment,
        (pair.burnt[0][box], pair.burnt[1][box]), settings.strips, pair.aside is not None,
    )  # fmt: skip


def well_inside(mask: NDArray[np.bool_], settings: PoseSettings | None = None) -> NDArray[np.bool_]:
    """A (height, width) mask without a seam along its edge: mounts, cut edges and glare end there, and would look like
    a difference."""
    side = 2 * (settings or PoseSettings()).seam_px + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    seamless = cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(seamless, np.bool_)


def pose_rung(alignment: Alignment, settings: PoseSettings | None = None) -> str:
    """The calibration's model for a pair that was registered so.

    Two pictures that hardly a feature ties together may lie wrongly upon each other: then everything seems to have
    moved, and says little. `UNSTEADY` weighs that.
    """
    least = (settings or PoseSettings()).steady_inliers
    return STEADY if alignment.method == "given" or alignment.inliers >= least else UNSTEADY


STEADY, UNSTEADY = "pose", "pose_unsteady"


def pose_features(compared: PictureComparison) -> dict[str, float]:
    """What the probability is computed from: what has moved, what differs at all, and how far the two correlate beside
    what their noise allows. Movement decides; the others tell how much it is to be believed."""
    fine, difference = compared.fine, difference_features([compared.difference])
    mean, expected = fine.mean(fine.correlation), fine.mean(fine.expected)
    return {
        **movement_features(compared.movement),
        "correlation": log_gap(1 - compared.alignment.correlation, 0.02),
        "fine_shortfall": log_gap(expected - mean, 0.05),
        "fine_mean": log_gap(1 - mean, 0.02),
        "fine_expected": log_gap(1 - expected, 0.02),
        **{name: value for name, value in difference.items() if name not in SUMMED},
    }


SUMMED = ("differs_sum", "differs_all")
"""Of the differences only the largest count: what is spread over the whole face is fading and grain."""


def _evidence_map(compared: PictureComparison) -> NDArray[np.float32]:
    """1 where the spot shows the same, 0 where it has moved, NaN where that cannot be told: no detail, or damage."""
    part, (rows, columns) = compared.fine, compared.box
    moved, damaged = (
        cv2.resize(one, part.weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
        for one in (compared.movement.moved, compared.movement.damaged)
    )
    judged = (part.weight > 0) & (damaged < 0.5) & ((pooled(part.weight, 4.0) > 0.08) | (moved > 0.5))
    whole = np.full((compared.size.height // STEP, compared.size.width // STEP), np.nan, np.float32)
    top, left = rows.start // STEP, columns.start // STEP
    height, width = judged.shape
    whole[top : top + height, left : left + width] = np.where(judged, 1 - moved, np.nan)
    return whole
