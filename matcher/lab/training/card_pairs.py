"""Pictures in, pairs of cards that went the whole way out, registered: what the judges of the movement network
learn from.

Sets of faces (`movement_sets`) come with the truth of every spot, cards with that of the pair alone; but these are
printed, worn, photographed, flattened and registered as a collector's are, and it is told how far an eye could see that
something has moved. Everything is numpy: `odds_network` makes tensors of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View, picture_box
from matcher.core.ladder.movement import in_cells
from matcher.core.ladder.pose import STEADY, pose_rung, well_inside
from matcher.core.ladder.registered import Registered
from matcher.core.parallel.processes import process_pool
from matcher.lab.synthesis.hands import HANDS
from matcher.lab.synthesis.observer import BARELY, LIMIT
from matcher.lab.synthesis.worlds import WORLDS, WorldPair, world_pairs
from matcher.lab.training.fit_pose import negative

ASKED = ("same", "same", "crop", "moment", "moment", "moment")
"""What is set against a reference in each world: more exposures than `fit_pose` asks, since an eye tells but half of
them."""

WORLDS_EACH = 2
"""Worlds that a reference is set against: other references say more than more cards against one."""

SEEN_HALF, STRANGER, BADLY_LAID = 0.5, 0.7, 0.3
"""How much a pair counts beside others: two exposures that an eye seldom tells apart, another picture altogether, and
prints that hardly a feature ties together and that agree in nothing. Own choice."""

AGREES = 0.5
"""Correlation below which prints that few features tie together may lie wrongly upon each other; own choice."""


@dataclass(frozen=True)
class CardPairs:
    """Registered pairs.

    greys: (n, 2, height, width) uint8, query and reference over the picture box. shown: (n, rows, columns) bool, cells
    that both show. same: (n,) bool, of one negative. weight: (n,) float32, how much each counts.
    hand: (n,) str, who drew each, by the names of `synthesis.hands`.
    """

    greys: NDArray[np.uint8]
    shown: NDArray[np.bool_]
    same: NDArray[np.bool_]
    weight: NDArray[np.float32]
    hand: NDArray[np.str_]

    @classmethod
    def joined(cls, parts: Sequence[CardPairs]) -> CardPairs:
        """All of them."""
        return cls(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(cls)))

    def drawn_by(self, hands: Sequence[str]) -> CardPairs:
        """Those that these hands drew."""
        theirs = np.isin(self.hand, list(hands))
        return CardPairs(*(getattr(self, one.name)[theirs] for one in fields(self)))


@dataclass(frozen=True)
class Cards:
    """Some cards of one negative: which of a seed's, of what picture, and of what its stranger is."""

    number: int
    own: Path
    stranger: Path
    seed: int


def drawn_cards(paths: Sequence[Path], seed: int, references: int, processes: int) -> CardPairs:
    """The pairs of all these pictures, so many references of each; each picture is the stranger of another one."""
    strangers = [paths[(n + len(paths) // 2) % len(paths)] for n in range(len(paths))]
    each = [*zip(paths, strangers, strict=True)] * references
    tasks = [Cards(n, *both, seed) for n, both in enumerate(each)]
    with process_pool(processes) as pool:
        return CardPairs.joined([one for some in pool.map(cards_of, tasks) for one in some])


def cards_of(task: Cards) -> list[CardPairs]:
    """The pairs of one reference that could be registered."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([task.seed, task.number])
    hand = HANDS[str(rng.choice(list(HANDS)))]
    worlds = [str(one) for one in rng.choice(WORLDS, WORLDS_EACH, replace=False)]
    pairs = world_pairs(negative(task.own), [], negative(task.stranger), rng, worlds, hand, ASKED)
    return [one for pair in pairs if (one := registered(pair)) is not None]


def registered(pair: WorldPair) -> CardPairs | None:
    """One pair, as `compare_pictures` sees it; None where it cannot be laid over each other."""
    found = align(View(pair.query), View(pair.reference))
    if not found:
        return None
    both = Registered.of(pair.query, pair.reference, found)
    box = picture_box(pair.query.size)
    on_query, on_reference = both.foreign
    mask = well_inside(both.both_picture & ~on_query & ~on_reference, both.settings.pose)[box]
    greys = np.stack([pair.query.grey[box], both.warped[box]])
    weight = np.array([counted(pair, found)], np.float32)
    return CardPairs(greys[None], in_cells(mask)[None], np.array([pair.same]), weight, np.array([pair.hand]))


def counted(pair: WorldPair, found: Alignment) -> float:
    """How much a pair counts: not at all where no eye sees that something has moved."""
    weight = 1.0
    if pair.relation == "moment":
        weight = 0.0 if pair.seen < BARELY else SEEN_HALF if pair.seen < LIMIT else 1.0
    elif pair.relation == "other":
        weight = STRANGER
    badly_laid = pose_rung(found) != STEADY and found.correlation < AGREES
    return weight * (BADLY_LAID if badly_laid else 1.0)
