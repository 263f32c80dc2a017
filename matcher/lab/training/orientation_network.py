"""The network that tells which way up a card is, and front from back, and how it is trained. Needs PyTorch."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE
from matcher.lab.synthesis.sides import Side
from matcher.lab.training.orientation_sides import PARTS, batches


class OrientationNetwork(nn.Module):
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


class Sides(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """`batches` as tensors: whole, head and foot, then upright, back, has_up; drawn in processes of its own."""

    def __init__(self, drawn: Sequence[Side], seed: int) -> None:
        self.drawn, self.seed = drawn, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        for batch in batches(self.drawn, np.random.default_rng([self.seed, worker.id if worker else 0])):
            parts, *flags = batch
            yield [torch.from_numpy(one) for one in (*parts, *flags)]


def loss_of(odds: torch.Tensor, upright: torch.Tensor, back: torch.Tensor, has_up: torch.Tensor) -> torch.Tensor:
    """odds: (2 n, 2), of n cards and of the same upside down, set against each other as in use."""
    as_is, turned = odds.chunk(2)
    up = nn.functional.binary_cross_entropy_with_logits(as_is[:, 0] - turned[:, 0], upright, reduction="none")
    side = nn.functional.binary_cross_entropy_with_logits((as_is[:, 1] + turned[:, 1]) / 2, back)
    return (up * has_up).sum() / has_up.sum().clamp(min=1) + side


def train(drawn: Sequence[Side], steps: int, seed: int) -> OrientationNetwork:
    network = OrientationNetwork()
    network.to(memory_format=torch.channels_last)  # four times quicker on a processor
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=1e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, steps)
    shown_next = iter(torch.utils.data.DataLoader(Sides(drawn, seed), batch_size=None, num_workers=2))
    recent: list[float] = []
    for step in range(steps):
        *shown, upright, back, has_up = next(shown_next)
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


def export(network: OrientationNetwork, path: Path) -> None:
    """Write the ONNX file that `matcher.core.detect.orientation` reads: two cards at once, both ways up."""
    network.eval()
    strip = torch.zeros(2, 2, STRIP, SHAPE[1])
    names = {"input_names": list(PARTS), "output_names": ["odds"]}
    torch.onnx.export(
        network, (torch.zeros(2, 2, *WHOLE), strip, strip), str(path), dynamo=False, opset_version=13, **names
    )
