"""Train the network that tells which way up a card is, and front from back (`matcher/outlines/bearing.py`).

    scripts/train_bearing FOLDER... --work FOLDER --output matcher/weights

Each photograph in the folders is a negative (`FOLDER:2` takes every second of them, `FOLDER*5` draws five cards of
each). Cards are drawn first and kept in --work, so that training can be repeated. Pictures of a demo, a test or a
report have no place here. Needs the extra `train`.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from matcher.outlines.bearing import SHAPE, prepared
from matcher.rehearsal.backs import KINDS
from matcher.rehearsal.negatives import negative_of
from matcher.rehearsal.sides import MARGIN, Side, aged, back, front

FONTS = Path(__file__).parent.parent / "reference_demo" / "fonts"
BATCH = 32
BORDER = np.array([[0, 0], [SHAPE[1], 0], [SHAPE[1], SHAPE[0]], [0, SHAPE[0]]], np.float32)
DOWN, ACROSS = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j].astype(np.float32)


class Bearing(nn.Module):
    """(n, 2, 144, 84) in, (n, 2) out: half the log odds of upright, and the log odds of a back."""

    def __init__(self) -> None:
        super().__init__()
        widths = (2, 10, 14, 20, 28, 32)
        self.layers = nn.ModuleList(
            nn.Conv2d(a, b, 3 if i else 5, 2, 1 if i else 2) for i, (a, b) in enumerate(pairwise(widths))
        )
        self.hidden, self.last = nn.Linear(32 * 5, 32), nn.Linear(32, 2)

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        for layer in self.layers:
            seen = torch.relu(layer(seen))
        rows = seen.mean(dim=3).flatten(1)  # what stands where from head to foot; across hardly tells anything
        odds: torch.Tensor = self.last(torch.relu(self.hidden(nn.functional.dropout(rows, 0.15, self.training))))
        return odds


def draw_sides(sources: Sequence[str], seed: int) -> list[Side]:
    """Fronts of all photographs, and a quarter as many backs."""
    fonts = ("", *(str(font) for font in sorted(FONTS.glob("*.ttf"))))
    drawn: list[Side] = []
    for source in sources:
        named, _, times = source.partition("*")
        folder, _, step = named.partition(":")
        for path in sorted(Path(folder).glob("*.jpg"))[:: int(step or 1)]:
            negative = negative_of(path, 336)
            rng = np.random.default_rng([seed, *path.stem.encode()])
            drawn += [front(negative, rng, fonts) for _ in range(int(times or 1))]
    rng = np.random.default_rng([seed, len(drawn)])
    return drawn + [back(KINDS[n % len(KINDS)], rng, fonts) for n in range(len(drawn) // 4)]


def seen_otherwise(grey: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.uint8]:
    """SHAPE: a card on its ground as an outline a little off and some camera might have given it."""
    off = rng.normal(0, float(rng.choice([0.5, 1.2])), (4, 2)).astype(np.float32)
    if rng.random() < 0.15:  # trimmed, or the outline missed the mount's edge or a strip
        inwards = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], np.float32)
        off += rng.uniform(0, 6, (4, 2)).astype(np.float32) * inwards
    move = cv2.getPerspectiveTransform(BORDER + MARGIN + off, BORDER)
    grey = np.asarray(cv2.warpPerspective(grey, move, SHAPE[::-1], borderMode=cv2.BORDER_REPLICATE), np.float32)
    if rng.random() < 0.6:
        turn, depth = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 0.35))
        grey = grey * (1 + np.float32(depth) * (np.float32(np.cos(turn)) * ACROSS + np.float32(np.sin(turn)) * DOWN))
    if rng.random() < 0.12:
        x, y, size = rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.5, 3)
        spot = np.exp(-((ACROSS - x) ** 2 / 0.3 + (DOWN - y) ** 2 / 0.1) * size).astype(np.float32)
        grey = grey + (255 - grey) * np.float32(rng.uniform(0.3, 1.0)) * spot
    if rng.random() < 0.5:
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.3, 1.0))), np.float32)
    grey = 255 * (np.clip(grey, 1, 255) / 255) ** np.float32(np.exp(rng.normal(0, 0.25)))
    grey = grey + rng.standard_normal(grey.shape, dtype=np.float32) * np.float32(rng.uniform(0.2, 2.5))
    return np.asarray(np.clip(grey, 0, 255), np.uint8)


class Sides(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """Endless batches, varied anew each time: pictures, upright or not, back or not, whether up can be told."""

    def __init__(self, drawn: Sequence[Side], seed: int) -> None:
        self.drawn, self.seed = drawn, seed
        self.boards = [side for side in drawn if side.blank]

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        rng = np.random.default_rng(self.seed)
        cv2.setNumThreads(1)
        while True:
            sides = [self.drawn[int(n)] for n in rng.integers(0, len(self.drawn), BATCH)]
            boards = [self.boards[int(n)] for n in rng.integers(0, len(self.boards), BATCH)]
            upright = rng.random(BATCH) < 0.5
            shown = []
            for side, board, up in zip(sides, boards, upright, strict=True):
                grey = seen_otherwise(aged(side, board, rng), rng)
                shown.append(prepared(grey if up else grey[::-1, ::-1]))
            flags = (upright, [side.back for side in sides], [not side.blank for side in sides])
            yield [torch.from_numpy(np.stack(shown)), *(torch.tensor(np.array(flag, np.float32)) for flag in flags)]


def loss_of(odds: torch.Tensor, upright: torch.Tensor, back: torch.Tensor, has_up: torch.Tensor) -> torch.Tensor:
    up = nn.functional.binary_cross_entropy_with_logits(2 * odds[:, 0], upright, reduction="none")
    side = nn.functional.binary_cross_entropy_with_logits(odds[:, 1], back)
    return (up * has_up).sum() / has_up.sum().clamp(min=1) + side


def train(drawn: Sequence[Side], steps: int, seed: int) -> Bearing:
    network = Bearing()
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=1e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, steps)
    batches = iter(torch.utils.data.DataLoader(Sides(drawn, seed), batch_size=None, num_workers=1))
    recent: list[float] = []
    for step in range(steps):
        shown, *truth = next(batches)
        loss = loss_of(network(shown), *truth)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        pace.step()
        recent.append(float(loss.detach()))
        if step % 100 == 99:
            print(step + 1, round(float(np.mean(recent[-100:])), 4), flush=True)
    return network


def export(network: Bearing, path: Path) -> None:
    """Write the ONNX file that `matcher.outlines.bearing` reads: two pictures at once, both ways up."""
    network.eval()
    names = {"input_names": ["shown"], "output_names": ["odds"]}
    torch.onnx.export(network, (torch.zeros(2, 2, *SHAPE),), str(path), dynamo=False, opset_version=13, **names)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sources", nargs="+", help="FOLDER or FOLDER:STEP, either with *TIMES")
    parser.add_argument("--work", type=Path, required=True, help="where the drawn cards are kept")
    parser.add_argument("--steps", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--source", default="", help="what the photographs are; stored with the network")
    parser.add_argument("--output", type=Path, required=True, help="folder of bearing.onnx")
    chosen = parser.parse_args()
    kept = chosen.work / f"sides-{chosen.seed}.pickle"
    if not kept.exists():
        chosen.work.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(draw_sides(chosen.sources, chosen.seed)))
    drawn: list[Side] = pickle.loads(kept.read_bytes())
    print(f"{len(drawn)} sides", flush=True)
    torch.set_num_threads(1)
    torch.manual_seed(chosen.seed)
    export(train(drawn, chosen.steps, chosen.seed), chosen.output / "bearing.onnx")
    provenance = {
        "made": date.today().isoformat(),
        "sides": len(drawn),
        "steps": chosen.steps,
        "seed": chosen.seed,
        "pictures": chosen.source or chosen.sources,
    }
    (chosen.output / "bearing.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
