"""The network that tells where two registered pictures show different things, and how it is trained. Needs PyTorch."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn

from matcher.core.ladder.change_detector import Kind
from matcher.lab.synthesis.training_pairs import UNKNOWN, Pair
from matcher.lab.training.change_windows import LITTLE, batches

RARE = 2.0
"""Weight of a spot that differs: they are few."""

SLIGHT = 0.5
"""Weight of a spot of another exposure that differs a little: it does differ, but few prints show it."""


Loss = Callable[[torch.Tensor, torch.Tensor], torch.Tensor]


class ChangeNetwork(nn.Module):
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
            self.up.bias.zero_()

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        seen = torch.relu(self.down(seen))
        for layer in self.around:
            seen = torch.relu(layer(seen)) + seen
        return nn.functional.interpolate(self.up(seen), scale_factor=2.0, mode="nearest")


class Windows(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """`batches` as tensors, drawn in a process of its own."""

    def __init__(self, drawn: Sequence[Pair], kind: Kind, seed: int) -> None:
        self.drawn, self.kind, self.seed = drawn, kind, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        cv2.setNumThreads(1)
        for shown in batches(self.drawn, self.kind, self.seed):
            yield [torch.from_numpy(np.array(part)) for part in zip(*shown, strict=True)]


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    other, little = (truth == 1).float(), (truth == LITTLE).float()
    weight = (truth == 0).float() + RARE * other + SLIGHT * little
    each = nn.functional.binary_cross_entropy_with_logits(odds, other + little, reduction="none")
    return (each * weight).sum() / (truth != UNKNOWN).sum().clamp(min=1)


@dataclass(frozen=True)
class Course:
    """How long and how fast is trained; name stands before each report."""

    steps: int
    rate: float
    name: str = ""


def train(drawn: Sequence[Pair], kind: Kind, steps: int, seed: int, network: ChangeNetwork) -> ChangeNetwork:
    """Train on windows of one kind."""
    shown = iter(torch.utils.data.DataLoader(Windows(drawn, kind, seed), batch_size=None, num_workers=1))
    descend(network, shown, loss_of, Course(steps, 2.5e-3, f"{kind} "))
    return network


def descend(network: nn.Module, shown: Iterator[Sequence[torch.Tensor]], loss_of: Loss, course: Course) -> None:
    """Train on batches of pairs, their noise and the truth; it tells the loss every two hundred steps."""
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=1e-4)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, course.rate, course.steps)
    for step in range(course.steps):
        pair, noise, truth = next(shown)
        loss = loss_of(network(pair, noise), truth)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        pace.step()
        if step % 200 == 199:
            print(f"{course.name}{step + 1}", round(float(loss.detach()), 4), flush=True)


def export(network: nn.Module, path: Path) -> None:
    """Write the ONNX file that the ladder reads, log odds of a pair and its noise; height and width stay free."""
    network.eval()
    free = {"pair": {2: "height", 3: "width"}, "log_odds": {1: "rows", 2: "columns"}}
    example = (torch.zeros(1, 2, 640, 368), torch.zeros(1, 2))
    names = {"input_names": ["pair", "noise"], "output_names": ["log_odds"]}
    torch.onnx.export(network, example, str(path), dynamic_axes=free, dynamo=False, opset_version=13, **names)
