"""The network that tells where the letters of one line differ on two cards, and how it is trained. Needs PyTorch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import nn

from matcher.lab.training.change_network import Course, descend
from matcher.lab.training.letter_pairs import LinePatch, batches

A_STEP = 16
RARE, CELLS, WHOLE = 2.0, 4.0, 0.3
"""Weights of a cell that differs, of all cells, and of whether anything in a window differs."""


class LetterNetwork(nn.Module):
    """Two greys of one line in, log odds at half their size out; it looks at twice their size, and their noise shifts
    what counts as a difference."""

    def __init__(self, first: int = 20, inner: int = 32) -> None:
        super().__init__()
        self.edges = nn.Conv2d(2, first, 5, 2, 2)
        self.parts = nn.Conv2d(first, inner, 3, 2, 1)
        self.noise = nn.Linear(2, inner)
        self.around = nn.ModuleList(nn.Conv2d(inner, inner, 3, 1, gap, gap) for gap in (1, 2, 4))
        self.last = nn.Conv2d(inner, inner, 3, 1, 1)
        self.odds = nn.Conv2d(inner, 1, 1)
        with torch.no_grad():  # it starts as a detector of plain differences, which are rare
            self.edges.weight[:, 1] = -self.edges.weight[:, 0]
            self.odds.bias.fill_(-3.0)

    def forward(self, pair: torch.Tensor, noise: torch.Tensor) -> torch.Tensor:
        large = nn.functional.interpolate(pair, scale_factor=2.0, mode="bilinear", align_corners=False)
        seen = torch.relu(self.edges(large))
        seen = torch.relu(self.parts(seen) + self.noise(noise)[:, :, None, None])
        for layer in self.around:
            seen = torch.relu(layer(seen)) + seen
        odds: torch.Tensor = self.odds(torch.relu(self.last(seen)))
        return odds[:, 0]


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Of every cell that can be told, and of each window as a whole."""
    cross = nn.functional.binary_cross_entropy_with_logits
    other, untold = (truth == 1).float(), truth == 2
    weight = (truth == 0).float() + RARE * other
    cells = (cross(odds, other, reduction="none") * weight).sum() / (~untold).sum().clamp(min=1)
    surest = nn.functional.avg_pool2d(odds[:, None], 3, 1, 1).flatten(1).max(1).values
    any_other = other.flatten(1).any(1)
    known = (any_other | ~untold.flatten(1).any(1)).float()
    whole = (cross(surest, any_other.float(), reduction="none") * known).sum() / known.sum().clamp(min=1)
    return CELLS * cells + WHOLE * whole


def train(lines: Sequence[LinePatch], steps: int, seed: int) -> LetterNetwork:
    """Train on windows of the lines."""
    torch.manual_seed(seed)
    network = LetterNetwork()
    drawn = batches(lines, A_STEP, seed)
    shown = ([torch.from_numpy(np.stack(part)) for part in zip(*some, strict=True)] for some in drawn)
    descend(network, shown, loss_of, Course(steps, 3e-3))
    return network
