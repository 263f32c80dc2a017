"""What a card has lost: to folds, stress, nails, rubbing, insects and tearing, or with the plate it was printed from.

Each kind yields the layers that it lays, from below to above; `wear` lays them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator as Rng

from matcher.lab.synthesis.forces.fields import (
    ALL,
    Layers,
    along_and_across,
    any_place,
    bare_paper,
    clipped,
    diffused,
    drawn_lines,
    drifting_path,
    mist,
    pixels_per_mm,
    shifted,
    size_between,
    window_around,
    windows,
)
from matcher.lab.synthesis.prints import Field


def creases(picture: Field, rng: Rng, strength: float) -> Layers:
    """Folds as ridges in a height field: lit from a side, with cast shadow, coating lost where they bend sharply."""
    mm, shape, height = pixels_per_mm(picture), picture.shape, np.zeros_like(picture)
    sway, way = mist(shape, 9 * mm, rng), int(rng.choice([-1, 1])) * max(1, round(mm * 0.2))
    for _ in range(1 + min(4, rng.poisson(0.6 + 2 * strength))):
        _, dy, dx = window_around(shape, any_place(shape, rng), 9999)
        along, across = along_and_across(dy, dx, rng.normal(0, 0.3) + rng.integers(2) * np.pi / 2)
        across = np.abs(across + rng.normal(0, 0.5) * mm * sway) / np.float32(mm * size_between(rng, 0.15, 1.2))
        ends = np.clip(3 - np.abs(along) / np.float32(size_between(rng, 1, 50) * mm), 0, 1)
        height += np.float32(rng.choice([-1, 1]) * rng.uniform(0.4, 1)) * np.exp(-across) * ends
    cast = np.maximum(shifted(height, 3 * way, 3 * way) - height - 0.45, 0)
    yield ALL, 0.3 * cast - (0.1 + 0.2 * strength) * (height - shifted(height, way, way)), None
    bend = np.abs(height - diffused(height, 0.18 * mm)) * (1 + 0.9 * mist(shape, 0.4 * mm, rng))
    yield ALL, (bend - 0.2 + 0.13 * strength) * 14, bare_paper(shape, rng) * (1 - 0.6 * cast)


def lost_surface(picture: Field, rng: Rng, strength: float) -> Layers:
    """Flakes fall where stress passes a limit: down to paper, deeper down to board, with a lit and a dark rim."""
    mm, shape = pixels_per_mm(picture), picture.shape
    grain = size_between(rng, 0.8, 16) * mm
    stress = mist(shape, grain, rng, size_between(rng, 0.4, 2.5)) + 0.35 * mist(shape, grain / 3, rng)
    stress += rng.uniform(0, 0.2) * mist(shape, 0.4 * mm, rng)
    for _ in range(rng.integers(1, 4)):
        _, dy, dx = window_around(shape, any_place(shape, rng), 9999)
        stress += 3 / (1 + (dx * dx + dy * dy) / np.float32((size_between(rng, 3, 18) * mm) ** 2))
    area = min(0.3, size_between(rng, 0.004, 0.12) * (0.3 + 1.4 * strength))
    limits = np.quantile(stress[::5, ::5], [1 - area, 1 - area * rng.uniform(0.02, 0.6)])
    gone, deep = (clipped((stress - limit) * np.float32(size_between(rng, 6, 40))) for limit in limits)
    yield ALL, gone, bare_paper(shape, rng) - deep * np.float32(rng.uniform(0, 0.45))
    rim = diffused(gone, 0.12 * mm)
    yield ALL, (rim - shifted(rim, 1, 1)) * np.float32(rng.choice([-1, 1]) * rng.uniform(0.2, 0.8)), None


def holes(picture: Field, rng: Rng, strength: float) -> Layers:
    """Holes of worms, pins and nails: what lies behind shows, the rim is pushed up and torn, iron leaves rust."""
    behind = float(rng.choice([0.03, 0.1, 0.5, 0.95]))
    rust, most = max(0, rng.uniform(-0.6, 0.6)), rng.choice([1, 3, 12])
    for box, dy, dx, size in windows(picture, rng, 1 + rng.poisson(1 + 9 * strength * rng.random()), 0.5, most):
        far = np.sqrt(dx * dx + dy * dy * np.float32(size_between(rng, 0.5, 2))) / np.float32(0.45 * size)
        far += 0.12 * mist(far.shape, 0.3 * size, rng)
        dent = np.exp(-((far - 1.3) ** 2) * 6) * (dx + dy) / (size * (far + 0.3)) * rng.uniform(0, 0.4)
        yield box, dent + rust * np.exp(-np.maximum(far - 1, 0) * 1.3) * np.clip(3.3 - far, 0, 1), None
        yield box, np.clip((rng.uniform(1, 1.5) - far) * size / 2, 0, 0.8), rng.uniform(0.6, 0.95)
        yield box, (1 - far) * size / 2, behind


def rubbing(picture: Field, rng: Rng, strength: float) -> Layers:
    """Many short strokes take off what stands high in the grain; a few hard points score long scratches."""
    mm, shape = pixels_per_mm(picture), picture.shape
    reach = size_between(rng, 3, 30) * mm
    starts = np.array(any_place(shape, rng)) + rng.normal(0, reach / 2, (int(20 + 150 * strength), 2))
    angles = rng.uniform(0, np.pi) + rng.normal(0, 0.25, len(starts))
    ends = starts + np.stack([np.sin(angles), np.cos(angles)], 1) * rng.gamma(2, 0.2 * reach, (len(starts), 1))
    paths, tone = list(np.stack([starts, ends], 1)), rng.uniform(0.6, 1)
    press = diffused(drawn_lines(shape, paths, 0.25 * mm), 0.15 * mm)
    press = press + diffused(drawn_lines(shape, paths, 1.5 * mm), mm)
    high = 0.3 * mist(shape, 0.25 * mm, rng) + 0.2 * mist(shape, 2 * mm, rng)
    yield ALL, clipped(3 * press * (0.5 + 0.6 * strength) + 3 * high * (press > 0.05) - 1.5) * rng.uniform(0.5, 1), tone
    for _ in range(1 + rng.poisson(6 * strength)):
        start, steps = any_place(shape, rng), int(size_between(rng, 4, 200))
        path = drifting_path(rng, start, steps, 0.5 * mm, 0.01 * size_between(rng, 0.2, 5))
        yield ALL, drawn_lines(shape, [path], size_between(rng, 0.05, 0.4) * mm), tone if rng.random() < 0.7 else 0.1


def grazing(picture: Field, rng: Rng, strength: float) -> Layers:
    """An insect grazes bite by bite and turns from ground already eaten; it takes the surface, now and then all."""
    mm, shape, eaten, hole = pixels_per_mm(picture), picture.shape, np.zeros_like(picture), np.zeros_like(picture)
    bite, place, heading = size_between(rng, 0.25, 1.6) * mm, np.array(any_place(shape, rng)), rng.uniform(0, 6.3)
    for n in range(int(30 + 350 * strength * rng.random())):
        ways = heading + rng.normal(0, 0.6, 4)
        ahead = (place + 1.8 * bite * np.stack([np.sin(ways), np.cos(ways)], 1)).astype(int)
        beyond = ((ahead < 0) | (ahead >= shape)).any(1)
        ground = eaten[tuple(ahead.clip(0, np.array(shape) - 1).T)] + 2 * beyond
        heading = ways[int(np.argmin(ground))] + (2.5 if beyond.all() else 0)
        place = place + bite * rng.uniform(0.4, 0.9) * np.array([np.sin(heading), np.cos(heading)])
        spot = np.round(place[::-1] * 16 + rng.normal(0, 4 * bite, 2)).astype(int).tolist()
        cv2.circle(eaten, spot, int(bite * rng.uniform(8, 17)), 1.0, -1, cv2.LINE_8, 4)
        cv2.circle(hole, spot, int(bite * 8), float(n % 40 < 7 * strength), -1, cv2.LINE_8, 4)
    skin = diffused(eaten, 0.6) * clipped(1 - 0.2 * np.maximum(0, mist(shape, 0.4 * mm, rng)))
    yield ALL, skin, bare_paper(shape, rng)
    yield ALL, diffused(hole, 0.6), float(rng.choice([0.04, 0.3, 0.95]))


def torn(picture: Field, rng: Rng, strength: float) -> Layers:
    """Corners and sides torn off along a rough path; the paper's split core shows as a pale, fibrous rim."""
    mm, shape, core = pixels_per_mm(picture), picture.shape, bare_paper(picture.shape, rng, 0.7)
    behind = float(rng.choice([0.02, 0.08, 0.5, 0.9, 1.0]))
    for _ in range(1 + min(2, rng.poisson(1.2 * strength))):
        _, dy, dx = window_around(shape, (shape[0] / 2, shape[1] / 2), 9999)
        skew = rng.normal(0, 0.06) if rng.random() < 0.4 else rng.uniform(0.3, 1.3)
        side, _ = along_and_across(dy, dx, rng.integers(4) * np.pi / 2 + skew)
        rough = rng.uniform(0.3, 2.5) * mist(shape, 12 * mm, rng) + 0.3 * mist(shape, 1.5 * mm, rng)
        inward = float(side.max()) - size_between(rng, 0.8, 8 + 14 * strength) * mm - side + rough * np.float32(mm)
        rim = 1 + 0.6 * mist(shape, 4 * mm, rng) + 0.2 * mist(shape, 0.4 * mm, rng)
        yield ALL, rim * (size_between(rng, 0.1, 2) * mm) - inward, core
        yield ALL, 0.5 - inward, behind


def cracked_plate(picture: Field, rng: Rng, strength: float) -> Layers:
    """A blow on the glass: cracks run out, branch and keep their way; splinters beside them may be gone."""
    mm, shape, blow, chip = pixels_per_mm(picture), picture.shape, any_place(picture.shape, rng), np.zeros_like(picture)
    runs = [
        drifting_path(rng, blow, int(size_between(rng, 20, 250)), 0.8 * mm, 0.006)
        for _ in range(2 + rng.poisson(1 + 2 * strength))
    ]
    for run in runs[: rng.poisson(3 * strength)]:
        fork = tuple(run[rng.integers(len(run))])
        runs.append(drifting_path(rng, fork, int(size_between(rng, 8, 90)), 0.8 * mm, 0.01))
    for _ in range(rng.poisson(2.5 * strength)):
        run, length = runs[rng.integers(len(runs))], int(size_between(rng, 2, 25))
        ridge = run[int(rng.integers(len(run))) :][:length]
        burst = np.concatenate([ridge, ridge[-1:] + rng.normal(0, 0.35 * length * mm, (2, 2))])
        cv2.fillPoly(chip, [np.round(burst[:, ::-1]).astype(np.int32)], 1.0)
    crack = drawn_lines(shape, runs, size_between(rng, 0.06, 0.4) * mm)
    tones = rng.permutation([rng.uniform(0, 0.3), 0.9])
    yield ALL, shifted(crack, 1, -1) * 0.5, tones[0]
    yield ALL, np.maximum(crack, chip), tones[1]
