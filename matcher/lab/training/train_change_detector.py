"""Train the network that tells where two registered pictures show different things (`ladder/change_detector.py`).

    scripts/train_change_detector FOLDER... --work FOLDER --output matcher/core/ladder

Each photograph in the folders is a negative; with --groups, files that share the pattern's first group but not its
second are poses of one sitter in one room. Pairs with the truth of every spot known are drawn first and kept in --work,
so that training can be repeated. Pictures of a demo, a test or a report have no place here. Needs the extra `train`.
"""

from __future__ import annotations

import argparse
import json
import pickle
import re
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from matcher.core.align.view import picture_box, picture_zone
from matcher.core.ladder.change_detector import STEP, Kind, prepared
from matcher.core.ladder.pose import well_inside
from matcher.core.parallel.processes import process_pool
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.training_pairs import UNKNOWN, Pair, Patch, pairs

FONTS = Path(__file__).parents[3] / "reference_demo" / "fonts"
WINDOWS = {"picture": (192, 192), "strips": (88, 144)}
"""Height and width of what the network is shown at once while it learns."""

PAIRS_A_STEP, WINDOWS_A_PAIR = 8, 2
RARE = 2.0
"""Weight of a spot that differs: they are few."""

SLIGHT = 0.5
"""Weight of a spot of another exposure that differs a little: it does differ, but few prints show it."""


class Comparator(nn.Module):
    """Two pictures in, log odds at a quarter of their size out; their noise shifts what counts as a difference.

    context: whether a coarser look over some 10 mm is added: a stain's or a fold's course tells it from a moved hand.
    """

    def __init__(self, context: bool, first: int = 16, inner: int = 32, outer: int = 48) -> None:
        super().__init__()
        self.edges = nn.Conv2d(2, first, 5, 2, 2)
        self.parts = nn.Conv2d(first, inner, 3, 2, 1)
        self.noise = nn.Linear(2, inner)
        self.near = nn.Conv2d(inner, inner, 3, 1, 1)
        self.far = _Context(inner, outer) if context else None
        self.wide = nn.Conv2d(inner, inner, 3, 1, 2, 2)
        self.last = nn.Conv2d(inner, inner, 3, 1, 1)
        self.odds = nn.Conv2d(inner, 1, 1)
        with torch.no_grad():  # it starts as a detector of plain differences, which are rare
            self.edges.weight[:, 1] = -self.edges.weight[:, 0]
            self.odds.bias.fill_(-3.0)

    def forward(self, pair: torch.Tensor, noise: torch.Tensor) -> torch.Tensor:
        seen = torch.relu(self.edges(pair))
        seen = torch.relu(self.parts(seen) + self.noise(noise)[:, :, None, None])
        seen = torch.relu(self.near(seen)) + seen
        if self.far is not None:
            seen = seen + self.far(seen)
        seen = torch.relu(self.wide(seen)) + seen
        odds: torch.Tensor = self.odds(torch.relu(self.last(seen)))
        return odds[:, 0]


class _Context(nn.Module):
    """What lies around, at half the resolution; it starts by adding nothing."""

    def __init__(self, inner: int, outer: int) -> None:
        super().__init__()
        self.down = nn.Conv2d(inner, outer, 3, 2, 1)
        self.around = nn.ModuleList(nn.Conv2d(outer, outer, 3, 1, gap, gap) for gap in (1, 2, 4))
        self.up = nn.Conv2d(outer, inner, 1)
        with torch.no_grad():
            self.up.weight.zero_()
            self.up.bias.zero_()  # type: ignore[union-attr]

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        seen = torch.relu(self.down(seen))
        for layer in self.around:
            seen = torch.relu(layer(seen)) + seen
        return nn.functional.interpolate(self.up(seen), scale_factor=2.0, mode="nearest")


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
    fonts = ("", *(str(font) for font in sorted(FONTS.glob("*.ttf"))))
    return list(pairs(negative_of(path), [negative_of(p) for p in siblings], seed, fonts))


Shown = tuple[NDArray[np.float32], tuple[float, float], NDArray[np.uint8]]
"""(2, h, w) prepared pair, the noise of both, (h / STEP, w / STEP) truth: 0, 1, `UNKNOWN` or `LITTLE`."""

LITTLE = 2
"""Truth of a spot of another exposure that differs, but only a little."""


class Windows(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """Endless batches of windows of pictures, or of strips, varied anew each time."""

    def __init__(self, drawn: Sequence[Pair], kind: Kind, seed: int) -> None:
        self.drawn, self.kind, self.seed = drawn, kind, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        rng = np.random.default_rng(self.seed)
        cv2.setNumThreads(1)
        while True:
            shown: list[Shown] = []
            for number in rng.integers(0, len(self.drawn), PAIRS_A_STEP):
                pair = self.drawn[int(number)]
                if self.kind == "pictures":
                    shown += windows(boxed(pair), WINDOWS["picture"], rng)
                else:
                    shown += windows(pair.strips[int(rng.random() < 0.3)], WINDOWS["strips"], rng)
            yield batch(shown)


def batch(shown: Sequence[Shown]) -> list[torch.Tensor]:
    return [torch.from_numpy(np.array(part)) for part in zip(*shown, strict=True)]


def boxed(pair: Pair) -> Patch:
    """The pair's picture box, as the pose is judged: only what lies well inside what both show counts."""
    whole, box, zone = pair.picture, picture_box(FaceSize()), picture_zone(FaceSize())
    seen = well_inside(whole.seen & zone)
    truth = np.where(whole.truth == UNKNOWN, LITTLE, whole.truth) if pair.kind != "same" else whole.truth
    return Patch(whole.mine[box], whole.theirs[box], seen[box], truth.astype(np.uint8)[box])


def windows(patch: Patch, size: tuple[int, int], rng: np.random.Generator) -> list[Shown]:
    """A few windows of one patch, most of them at spots that differ, if there are any."""
    mine, theirs = varied(patch.mine, patch.theirs, rng)
    (first, noise_1), (second, noise_2) = prepared(mine), prepared(theirs)
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
    """The pair as other cameras, papers and registrations might have given it: rehearsals do not show all there is."""
    sides = [mine.astype(np.float32), theirs.astype(np.float32)]
    if rng.random() < 0.5:
        sides[1] = _nudged(sides[1], rng)
    if rng.random() < 0.2:
        sides.reverse()
    return [_seen_otherwise(side, rng) for side in sides]


def _nudged(grey: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    height, width = grey.shape
    move = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.normal(0, 0.06)), 1.0)
    move[:, 2] += rng.normal(0, 0.35, 2)
    return np.asarray(cv2.warpAffine(grey, move, (width, height), borderMode=cv2.BORDER_REPLICATE), np.float32)


def _seen_otherwise(grey: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    if rng.random() < 0.3:
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.3, 1.1))), np.float32)
    if rng.random() < 0.4:
        grey = 255 * (np.clip(grey, 1, 255) / 255) ** np.float32(np.exp(rng.normal(0, 0.25)))
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


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    other, little = (truth == 1).float(), (truth == LITTLE).float()
    weight = (truth == 0).float() + RARE * other + SLIGHT * little
    each = nn.functional.binary_cross_entropy_with_logits(odds, other + little, reduction="none")
    return (each * weight).sum() / (truth != UNKNOWN).sum().clamp(min=1)


def train(drawn: Sequence[Pair], kind: Kind, steps: int, seed: int, network: Comparator) -> Comparator:
    """Train on windows of one kind."""
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=1e-4)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, 2.5e-3, steps)
    batches = iter(torch.utils.data.DataLoader(Windows(drawn, kind, seed), batch_size=None, num_workers=1))
    for step in range(steps):
        shown, noise, truth = next(batches)
        loss = loss_of(network(shown, noise), truth)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        pace.step()
        if step % 200 == 199:
            print(kind, step + 1, round(float(loss.detach()), 4), flush=True)
    return network


def export(network: Comparator, path: Path) -> None:
    """Write the ONNX file that `matcher.core.ladder.change_detector` reads; height and width stay free."""
    network.eval()
    free = {"pair": {2: "height", 3: "width"}, "log_odds": {1: "rows", 2: "columns"}}
    example = (torch.zeros(1, 2, 640, 368), torch.zeros(1, 2))
    names = {"input_names": ["pair", "noise"], "output_names": ["log_odds"]}
    torch.onnx.export(network, example, str(path), dynamic_axes=free, dynamo=False, opset_version=13, **names)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--groups", default=r"^(p\d+)_([a-z]+)")
    parser.add_argument("--limit", type=int, default=400, help="photographs taken from each folder")
    parser.add_argument("--work", type=Path, required=True, help="where the drawn pairs are kept")
    parser.add_argument("--steps", type=int, nargs=2, default=[8000, 5000], help="on pictures, on words")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--source", default="", help="what the photographs are; stored with the network")
    parser.add_argument("--output", type=Path, required=True, help="folder of pictures.onnx and words.onnx")
    chosen = parser.parse_args()
    kept = chosen.work / f"pairs-{chosen.seed}.pickle"
    if not kept.exists():
        paths = list(chain.from_iterable(sorted(f.glob("*.jpg"))[: chosen.limit] for f in chosen.folders))
        chosen.work.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(draw_pairs(paths, chosen.groups, chosen.seed)))
    drawn: list[Pair] = pickle.loads(kept.read_bytes())
    print(f"{len(drawn)} pairs")
    torch.manual_seed(chosen.seed)
    kinds: tuple[Kind, ...] = ("pictures", "words")
    for kind, steps in zip(kinds, chosen.steps, strict=True):
        network = train(drawn, kind, steps, chosen.seed, Comparator(context=kind == "pictures"))
        export(network, chosen.output / f"{kind}.onnx")
    provenance = {
        "made": date.today().isoformat(),
        "pairs": len(drawn),
        "steps": chosen.steps,
        "seed": chosen.seed,
        "pictures": chosen.source or [folder.name for folder in chosen.folders],
    }
    (chosen.output / "comparator.json").write_text(json.dumps(provenance, indent=1) + "\n")


if __name__ == "__main__":
    main()
