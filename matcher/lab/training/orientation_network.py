"""The network that tells which way up a card is, and front from back, and how it is trained. Needs PyTorch."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE
from matcher.lab.training.orientation_sides import PARTS, Batch, batches, new_sides


class OrientationNetwork(nn.Module):
    """(n, 2, *WHOLE), twice (n, 2, STRIP, width) in, (n, 2) out: log odds of upright, up to the same of the card
    upside down, and the log odds of a back."""

    def __init__(self) -> None:
        super().__init__()
        self.whole = _convolutions((2, 16, 32, 48, 64, 64), (2, 2, 2, 2, 2))
        self.strip = _convolutions((2, 16, 32, 48, 64, 64), (2, 2, 2, 1, 2))
        self.read = nn.Linear(64 * 4, 48)
        self.hidden, self.last = nn.Linear(64 * 5 + 48 * 2, 96), nn.Linear(96, 2)

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


class Sides(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """`batches` as tensors: whole, head and foot, then upright, back, has_up; drawn in processes of its own."""

    def __init__(self, sources: Sequence[tuple[Path, int]], seed: int) -> None:
        self.sources, self.seed = sources, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        for batch in batches(new_sides(self.sources, rng), rng):
            parts, *flags = batch
            yield [torch.from_numpy(one) for one in (*parts, *flags)]


def loss_of(odds: torch.Tensor, upright: torch.Tensor, back: torch.Tensor, has_up: torch.Tensor) -> torch.Tensor:
    """odds: (2 n, 2), of n cards and of the same upside down, set against each other as in use."""
    as_is, turned = odds.chunk(2)
    up = nn.functional.binary_cross_entropy_with_logits(as_is[:, 0] - turned[:, 0], upright, reduction="none")
    side = nn.functional.binary_cross_entropy_with_logits((as_is[:, 1] + turned[:, 1]) / 2, back)
    return (up * has_up).sum() / has_up.sum().clamp(min=1) + side


@dataclass(frozen=True)
class Course:
    """minutes, rate; tell: seconds between two reports, of so many judged batches; workers: processes that draw."""

    minutes: float
    rate: float
    tell: float
    workers: int
    seed: int
    device: str
    judged: int = 16


def train(
    sources: Sequence[tuple[Path, int]], held_out: Sequence[tuple[Path, int]], course: Course
) -> OrientationNetwork:
    """Learn for so many minutes while sides are drawn; tells on held-out ones as it goes."""
    ended = time.monotonic() + 60 * course.minutes
    torch.manual_seed(course.seed)
    cv2.setNumThreads(1)  # the drawing processes are forks of this one
    sides = Sides(sources, course.seed)
    source = iter(torch.utils.data.DataLoader(sides, batch_size=None, num_workers=course.workers))
    rng = np.random.default_rng([course.seed, 977])
    judged = list(islice(batches(new_sides(held_out, rng), rng), course.judged))
    network = OrientationNetwork()
    network.to(course.device, memory_format=torch.channels_last)  # four times quicker on a processor
    optimiser = torch.optim.AdamW(network.parameters(), course.rate, weight_decay=1e-2)
    started = told = time.monotonic()
    step, recent = 0, [0.0]
    while time.monotonic() < ended:
        share = min((time.monotonic() - started) / max(ended - started, 1e-6), 1.0)
        for group in optimiser.param_groups:
            group["lr"] = course.rate * min(1.0, (step + 1) / 300) * (0.5 + 0.5 * float(np.cos(np.pi * share)))
        recent = [*recent[-99:], _step(network, optimiser, next(source), course.device)]
        step += 1
        if time.monotonic() - told > course.tell or step == 1:
            told = time.monotonic()
            said = f"{told - started:5.0f} s, step {step}, loss {np.mean(recent):.4f}:"
            print(said, report(network, judged), flush=True)
    print(f"at the end, step {step}: {report(network, judged)}", flush=True)
    return network


def _step(
    network: OrientationNetwork, optimiser: torch.optim.Optimizer, drawn: list[torch.Tensor], device: str
) -> float:
    *shown, upright, back, has_up = (part.to(device) for part in drawn)
    shown = [part.contiguous(memory_format=torch.channels_last) for part in shown]
    loss = loss_of(network(*shown), upright, back, has_up)
    optimiser.zero_grad()
    loss.backward()
    nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()
    return float(loss.detach())


def report(network: OrientationNetwork, judged: Sequence[Batch]) -> str:
    """How many of held-out sides are told the right way up, of those that have one, and front from back."""
    network.eval()
    device = next(network.parameters()).device
    up, side = [], []
    for batch in judged:
        with torch.no_grad():
            odds = network(*(torch.from_numpy(part).to(device) for part in batch.parts)).cpu().numpy()
        as_is, turned = np.split(odds, 2)
        up += list(((as_is[:, 0] > turned[:, 0]) == (batch.upright > 0.5))[batch.has_up > 0.5])
        side += list((as_is[:, 1] + turned[:, 1] > 0) == (batch.back > 0.5))
    network.train()
    return f"upright {np.mean(up):.4f} of {len(up)} side {np.mean(side):.4f}"


def export(network: OrientationNetwork, path: Path) -> None:
    """Write the ONNX file that `matcher.core.detect.orientation` reads: two cards at once, both ways up."""
    network = network.float().cpu().eval()
    strip = torch.zeros(2, 2, STRIP, SHAPE[1])
    names = {"input_names": list(PARTS), "output_names": ["odds"]}
    torch.onnx.export(
        network, (torch.zeros(2, 2, *WHOLE), strip, strip), str(path), dynamo=False, opset_version=13, **names
    )
