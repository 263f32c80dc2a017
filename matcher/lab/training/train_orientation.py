"""Train the network that tells which way up a card is, and front from back (`matcher/core/detect/orientation.py`).

    scripts/train_orientation FOLDER... --work FOLDER --output matcher/weights

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

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE, prepared
from matcher.lab.synthesis.backs import KINDS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.sides import MARGIN, Levels, Side, aged, back, front

FONTS = Path(__file__).parents[3] / "reference_demo" / "fonts"
BATCH = 24
PARTS = ("whole", "head", "foot")
BORDER = np.array([[0, 0], [SHAPE[1], 0], [SHAPE[1], SHAPE[0]], [0, SHAPE[0]]], np.float32)
DOWN, ACROSS = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j].astype(np.float32)


class Bearing(nn.Module):
    """(n, 2, *WHOLE), twice (n, 2, STRIP, width) in, (n, 2) out: log odds of upright, up to the same of the card
    upside down, and the log odds of a back."""

    def __init__(self) -> None:
        super().__init__()
        self.whole = _convolutions((2, 8, 16, 24, 32, 32), (2, 2, 2, 2, 2))
        self.strip = _convolutions((2, 8, 16, 24, 32, 32), (2, 2, 2, 1, 2))
        self.read = nn.Linear(32 * 4, 24)
        self.hidden, self.last = nn.Linear(32 * 5 + 24 * 2, 48), nn.Linear(48, 2)

    def forward(self, whole: torch.Tensor, head: torch.Tensor, foot: torch.Tensor) -> torch.Tensor:
        # What stands where from head to foot; across hardly tells anything.
        rows = self.whole(whole).mean(dim=3).flatten(1)
        words = [torch.relu(self.read(self.strip(part).mean(dim=3).flatten(1))) for part in (head, foot)]
        seen = nn.functional.dropout(torch.cat([rows, *words], dim=1), 0.1, self.training)
        odds: torch.Tensor = self.last(torch.relu(self.hidden(seen)))
        return odds


def _convolutions(widths: Sequence[int], strides: Sequence[int]) -> nn.Sequential:
    layers: list[nn.Module] = []
    for number, ((a, b), stride) in enumerate(zip(pairwise(widths), strides, strict=True)):
        layers += [nn.Conv2d(a, b, 3 if number else 5, stride, 1 if number else 2), nn.ReLU()]
    return nn.Sequential(*layers)


def draw_sides(sources: Sequence[str], seed: int) -> list[Side]:
    """Fronts of all photographs, and a quarter as many backs."""
    fonts = ("", *(str(font) for font in sorted(FONTS.glob("*.ttf"))))
    drawn: list[Side] = []
    for source in sources:
        named, _, times = source.partition("*")
        folder, _, step = named.partition(":")
        for path in sorted(Path(folder).glob("*.jpg"))[:: int(step or 1)]:
            negative = negative_of(path, 420)
            rng = np.random.default_rng([seed, *path.stem.encode()])
            drawn += [front(negative, rng, fonts) for _ in range(int(times or 1))]
    rng = np.random.default_rng([seed, len(drawn)])
    return drawn + [back(KINDS[n % len(KINDS)], rng, fonts) for n in range(len(drawn) // 4)]


def seen_otherwise(grey: Levels, rng: np.random.Generator) -> NDArray[np.uint8]:
    """SHAPE: a card on its ground as an outline a little off and some camera might have given it."""
    off = rng.normal(0, float(rng.choice([1.3, 3.0])), (4, 2)).astype(np.float32)
    if rng.random() < 0.15:  # trimmed, or the outline missed the mount's edge or a strip
        inwards = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], np.float32)
        off += rng.uniform(0, 16, (4, 2)).astype(np.float32) * inwards
    move = cv2.getPerspectiveTransform(BORDER + MARGIN + off, BORDER)
    grey = np.asarray(cv2.warpPerspective(grey, move, SHAPE[::-1], borderMode=cv2.BORDER_REPLICATE), np.float32)
    grey = _lit(grey, rng)
    # Taken at any resolution, from 2 to more pixels a mm than are asked for; noise belongs to the pixels taken.
    share = float(np.exp(rng.uniform(np.log(0.33), np.log(1.6))))
    if share < 1:
        taken = (round(SHAPE[1] * share), round(SHAPE[0] * share))
        grey = np.asarray(cv2.resize(grey, taken, interpolation=cv2.INTER_AREA), np.float32)
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.3, 1.5))), np.float32)
    grey = 255 * (np.clip(grey, 1, 255) / 255) ** np.float32(np.exp(rng.normal(0, 0.25)))
    grey = grey + rng.standard_normal(grey.shape, dtype=np.float32) * np.float32(rng.uniform(0.2, 3.5))
    seen = np.asarray(np.clip(grey, 0, 255), np.uint8)
    if rng.random() < 0.6:
        code = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])[1]
        seen = np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.uint8)
    return np.asarray(cv2.resize(seen, SHAPE[::-1], interpolation=cv2.INTER_LINEAR), np.uint8) if share < 1 else seen


def _lit(grey: Levels, rng: np.random.Generator) -> Levels:
    """A slope of light, a spot of glare, a finger over a corner."""
    if rng.random() < 0.6:
        turn, depth = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 0.35))
        grey = grey * (1 + np.float32(depth) * (np.float32(np.cos(turn)) * ACROSS + np.float32(np.sin(turn)) * DOWN))
    if rng.random() < 0.15:
        x, y, size = rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.5, 3)
        spot = np.exp(-((ACROSS - x) ** 2 / 0.3 + (DOWN - y) ** 2 / 0.1) * size).astype(np.float32)
        grey = grey + (255 - grey) * np.float32(rng.uniform(0.3, 1.0)) * spot
    if rng.random() < 0.06:
        x, y = rng.choice([-1, 1], 2)
        finger = ((ACROSS - x) / rng.uniform(0.2, 0.7)) ** 2 + ((DOWN - y) / rng.uniform(0.15, 0.45)) ** 2 < 1
        grey = np.where(finger, np.float32(rng.uniform(60, 220)), grey).astype(np.float32)
    return np.asarray(grey, np.float32)


class Sides(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """Endless batches, varied anew each time: whole, head and foot of every card, then the same upside down, upright
    or not, back or not, whether up can be told."""

    def __init__(self, drawn: Sequence[Side], seed: int) -> None:
        self.drawn, self.seed = drawn, seed
        self.boards = [side for side in drawn if side.blank]

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        cv2.setNumThreads(1)
        while True:
            sides = [self.drawn[int(n)] for n in rng.integers(0, len(self.drawn), BATCH)]
            boards = [self.boards[int(n)] for n in rng.integers(0, len(self.boards), BATCH)]
            upright = rng.random(BATCH) < 0.5
            as_is = []
            for side, board, up in zip(sides, boards, upright, strict=True):
                grey = seen_otherwise(aged(side, board, rng), rng)
                as_is.append(prepared(grey if up else np.ascontiguousarray(grey[::-1, ::-1])))
            shown = as_is + [one.turned() for one in as_is]
            parts = [np.stack([getattr(one, name) for one in shown]) for name in PARTS]
            flags = (upright, [side.back for side in sides], [not side.blank for side in sides])
            yield [torch.from_numpy(part) for part in parts] + [
                torch.tensor(np.array(flag, np.float32)) for flag in flags
            ]


def loss_of(odds: torch.Tensor, upright: torch.Tensor, back: torch.Tensor, has_up: torch.Tensor) -> torch.Tensor:
    """odds: (2 n, 2), of n cards and of the same upside down, set against each other as in use."""
    as_is, turned = odds.chunk(2)
    up = nn.functional.binary_cross_entropy_with_logits(as_is[:, 0] - turned[:, 0], upright, reduction="none")
    side = nn.functional.binary_cross_entropy_with_logits((as_is[:, 1] + turned[:, 1]) / 2, back)
    return (up * has_up).sum() / has_up.sum().clamp(min=1) + side


def train(drawn: Sequence[Side], steps: int, seed: int) -> Bearing:
    network = Bearing().to(memory_format=torch.channels_last)  # four times quicker on a processor
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=1e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, steps)
    batches = iter(torch.utils.data.DataLoader(Sides(drawn, seed), batch_size=None, num_workers=2))
    recent: list[float] = []
    for step in range(steps):
        *shown, upright, back, has_up = next(batches)
        shown = [part.contiguous(memory_format=torch.channels_last) for part in shown]
        loss = loss_of(network(*shown), upright, back, has_up)
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
    """Write the ONNX file that `matcher.core.detect.orientation` reads: two cards at once, both ways up."""
    network.eval()
    strip = torch.zeros(2, 2, STRIP, SHAPE[1])
    names = {"input_names": list(PARTS), "output_names": ["odds"]}
    torch.onnx.export(
        network, (torch.zeros(2, 2, *WHOLE), strip, strip), str(path), dynamo=False, opset_version=13, **names
    )


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
