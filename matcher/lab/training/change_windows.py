"""Pairs of registered pictures in, endless batches of varied windows out: what the change detector learns from.

Everything is numpy: `change_network` makes tensors of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_box, picture_zone
from matcher.core.ladder.change_detector import STEP, Kind, network_input
from matcher.core.ladder.pose import well_inside
from matcher.core.parallel.processes import process_pool
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.training_pairs import UNKNOWN, Pair, Patch, pairs

WINDOWS = {"picture": (192, 192), "strips": (88, 144)}
"""Height and width of what the network is shown at once while it learns."""

PAIRS_A_STEP, WINDOWS_A_PAIR = 8, 2

Shown = tuple[NDArray[np.float32], tuple[np.float32, np.float32], NDArray[np.uint8]]
"""(2, h, w) prepared pair, the noise of both, (h / STEP, w / STEP) truth: 0, 1, `UNKNOWN` or `LITTLE`."""

LITTLE = 2
"""Truth of a spot of another exposure that differs, but only a little."""


def draw_pairs(paths: Sequence[Path], pattern: str, seed: int) -> list[Pair]:
    """All pairs of all photographs, on two processes."""
    rng = np.random.default_rng(seed)
    named = {path: re.search(pattern, path.name) for path in paths}
    tasks = []
    for number, path in enumerate(paths):
        own = named[path]
        others = [p for p, m in named.items() if own and m and m[1] == own[1] and m[2] != own[2]]
        sibling = [others[int(rng.integers(len(others)))]] if others else []
        tasks.append((path, sibling, seed * 100_000 + number))
    with process_pool(2) as pool:
        return list(chain.from_iterable(pool.map(_session, tasks, chunksize=4)))


def _session(task: tuple[Path, list[Path], int]) -> list[Pair]:
    path, siblings, seed = task
    return list(pairs(negative_of(path), [negative_of(p) for p in siblings], seed, FONTS))


def batches(drawn: Sequence[Pair], kind: Kind, seed: int) -> Iterator[list[Shown]]:
    """Endless batches of windows of pictures, or of strips, varied anew each time."""
    rng = np.random.default_rng(seed)
    while True:
        shown: list[Shown] = []
        for number in rng.integers(0, len(drawn), PAIRS_A_STEP):
            pair = drawn[int(number)]
            if kind == "pictures":
                shown += windows(boxed(pair), WINDOWS["picture"], rng)
            else:
                shown += windows(pair.strips[int(rng.random() < 0.3)], WINDOWS["strips"], rng)
        yield shown


def boxed(pair: Pair) -> Patch:
    """The pair's picture box, as the pose is judged: only what lies well inside what both show counts."""
    whole, box, zone = pair.picture, picture_box(FaceSize()), picture_zone(FaceSize())
    seen = well_inside(whole.seen & zone)
    truth = np.where(whole.truth == UNKNOWN, LITTLE, whole.truth) if pair.kind != "same" else whole.truth
    return Patch(whole.mine[box], whole.theirs[box], seen[box], truth.astype(np.uint8)[box])


def windows(patch: Patch, size: tuple[int, int], rng: np.random.Generator) -> list[Shown]:
    """A few windows of one patch, most of them at spots that differ, if there are any."""
    mine, theirs = varied(patch.mine, patch.theirs, rng)
    (first, noise_1), (second, noise_2) = network_input(mine), network_input(theirs)
    truth = np.where(patch.seen, patch.truth, UNKNOWN).astype(np.uint8)
    grow = ((0, max(0, size[0] - mine.shape[0])), (0, 0))
    first, second = (np.pad(side, grow, mode="edge") for side in (first, second))
    truth = np.pad(truth, grow, constant_values=UNKNOWN)
    spots = np.argwhere((truth == 1) | (truth == LITTLE))
    found: list[Shown] = []
    for _ in range(WINDOWS_A_PAIR):
        spot = spots[rng.integers(len(spots))] if len(spots) and rng.random() < 0.7 else rng.integers(0, truth.shape)
        corner = spot - np.array(size) // 2 + rng.integers(-56, 57, 2)
        top, left = (
            int(np.clip(c, 0, n - s)) // STEP * STEP for c, n, s in zip(corner, truth.shape, size, strict=True)
        )
        window = np.s_[top : top + size[0], left : left + size[1]]
        # float32 throughout: the network computes in it.
        noise = (np.float32(noise_1), np.float32(noise_2))
        found.append(
            (np.stack([first[window], second[window]]), noise, truth[window][STEP // 2 :: STEP, STEP // 2 :: STEP])
        )
    return found


def varied(mine: NDArray[np.uint8], theirs: NDArray[np.uint8], rng: np.random.Generator) -> list[NDArray[np.float32]]:
    """The pair as other cameras, papers and registrations might have given it: drawn ones do not show all there is."""
    sides = [mine.astype(np.float32), theirs.astype(np.float32)]
    if rng.random() < 0.5:
        sides[1] = _nudged(sides[1], rng)
    if rng.random() < 0.2:
        sides.reverse()
    return [_seen_otherwise(side, rng) for side in sides]


def _nudged(grey: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    height, width = grey.shape
    move = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.normal(0, 0.06)), 1.0)
    move[:, 2] = move[:, 2] + rng.normal(0, 0.35, 2)
    return np.asarray(cv2.warpAffine(grey, move, (width, height), borderMode=cv2.BORDER_REPLICATE), np.float32)


def _seen_otherwise(grey: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    if rng.random() < 0.3:
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.3, 1.1))), np.float32)
    if rng.random() < 0.4:
        grey = np.asarray(255 * (np.clip(grey, 1, 255) / 255) ** np.float32(np.exp(rng.normal(0, 0.25))), np.float32)
    if rng.random() < 0.3:
        grey = grey.mean() + (grey - grey.mean()) * np.float32(np.exp(rng.uniform(-0.9, 0.1)))
    if rng.random() < 0.4:
        noise = rng.standard_normal(grey.shape, dtype=np.float32)
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), float(rng.choice([0.1, 0.6, 1.2]))), np.float32)
        grey = grey + noise / noise.std() * np.float32(np.exp(rng.uniform(np.log(0.4), np.log(4))))
    if rng.random() < 0.3:
        _, file = cv2.imencode(".jpg", np.clip(grey, 0, 255).astype(np.uint8), [1, int(rng.integers(60, 95))])
        grey = np.asarray(cv2.imdecode(file, cv2.IMREAD_GRAYSCALE), np.float32)
    return np.asarray(grey, np.float32)
