"""The network that tells where the letters of one line differ on two cards, and how it is trained. Needs PyTorch.

Windows of lines lie on the device while others are drawn, and are varied each time they are shown.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from matcher.lab.training.drawn_store_network import Course, DrawnStore, pace
from matcher.lab.training.letter_pairs import Shown

RARE, CELLS, WHOLE = 2.0, 4.0, 1.0
"""Weights of a cell that differs, of all cells, and of whether anything in a window differs."""

ROLLS = 8
"""Parts of a batch, each moved by pixels of its own."""


class LetterNetwork(nn.Module):
    """Two greys of one line in, log odds at half their size out; their noise shifts what counts as a difference.

    It looks at strokes at the greys' own size, at letters at half of it, and at what lies round them at a quarter.
    """

    def __init__(self, strokes: int = 24, letters: int = 64, around: int = 96) -> None:
        super().__init__()
        self.strokes = nn.Conv2d(2, strokes, 3, 1, 1)
        self.letters = nn.Conv2d(strokes, letters, 4, 2, 1)
        self.noise = nn.Linear(2, letters)
        self.near = nn.ModuleList(nn.Conv2d(letters, letters, 3, 1, gap, gap) for gap in (1, 2))
        self.down = nn.Conv2d(letters, around, 4, 2, 1)
        self.around = nn.ModuleList(nn.Conv2d(around, around, 3, 1, gap, gap) for gap in (1, 2, 4))
        self.up = nn.Conv2d(around, letters, 1)
        self.last = nn.ModuleList(nn.Conv2d(letters, letters, 3, 1, 1) for _ in range(2))
        self.odds = nn.Conv2d(letters, 1, 1)
        with torch.no_grad():  # it starts as a detector of plain differences, which are rare
            self.strokes.weight[:, 1] = -self.strokes.weight[:, 0]
            self.odds.bias.fill_(-3.0)

    def forward(self, pair: torch.Tensor, noise: torch.Tensor) -> torch.Tensor:
        seen = torch.relu(self.strokes(pair))
        seen = torch.relu(self.letters(seen) + self.noise(noise)[:, :, None, None])
        for layer in self.near:
            seen = torch.relu(layer(seen)) + seen
        wide = torch.relu(self.down(seen))
        for layer in self.around:
            wide = torch.relu(layer(wide)) + wide
        size = (seen.shape[2], seen.shape[3])
        seen = seen + functional.interpolate(self.up(wide), size=size, mode="bilinear", align_corners=False)
        for layer in self.last:
            seen = torch.relu(layer(seen)) + seen
        odds: torch.Tensor = self.odds(seen)
        return odds[:, 0]


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Of every cell that can be told, and of each window as a whole."""
    cross = functional.binary_cross_entropy_with_logits
    other, untold = (truth == 1).float(), truth == 2
    weight = (truth == 0).float() + RARE * other
    cells = (cross(odds, other, reduction="none") * weight).sum() / (~untold).sum().clamp(min=1)
    surest = functional.avg_pool2d(odds[:, None], 3, 1, 1).flatten(1).max(1).values
    any_other = other.flatten(1).any(1)
    known = (any_other | ~untold.flatten(1).any(1)).float()
    whole = (cross(surest, any_other.float(), reduction="none") * known).sum() / known.sum().clamp(min=1)
    return CELLS * cells + WHOLE * whole


@dataclass(frozen=True)
class Taught:
    """A network that has learnt, after so many steps, from so many windows."""

    network: LetterNetwork
    steps: int
    windows: int


def taught(network: LetterNetwork, drawn: Iterator[Sequence[Shown]], course: Course) -> Taught:
    """The network when it has learnt for so many minutes from what is drawn meanwhile: of its weights, the mean."""
    torch.manual_seed(course.seed)
    network = network.to(course.device)
    mean = copy.deepcopy(network).requires_grad_(False)
    parts = list(network.parameters())
    optimiser = torch.optim.AdamW(parts, course.rate, weight_decay=1e-4)
    store, source = DrawnStore(course.room, course.device), map(tensors, drawn)
    while store.count < course.first:
        store.take_in(next(source))
    begun, ends = time.monotonic(), time.monotonic() + 60 * course.minutes
    store.begin(source, course.first, ends)
    step, losses, told = 0, list[torch.Tensor](), begun
    while (now := time.monotonic()) < ends:
        pace(optimiser, course.rate, (now - begun) / max(ends - begun, 1e-6), step)
        pair, noise, truth = varied(*store.some(course.batch))
        loss = loss_of(network(pair, noise), truth)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(parts, 1.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(list(mean.parameters()), parts, 1 - min(course.mean, (step + 1) / (step + 10)))
        losses.append(loss.detach())
        if now - told >= course.tell or step == 1:
            lately = float(torch.stack(losses[-500:]).mean())
            print(f"{now - begun:.0f} s: {step} steps, {store.count} windows, loss {lately:.4f}", flush=True)
            told = now
    return Taught(mean, step, store.count)


def tensors(windows: Sequence[Shown]) -> list[torch.Tensor]:
    """(n, 2, rows, columns) float16 pairs, (n, 2) float32 noise, (n, rows / 2, columns / 2) uint8 truth."""
    pairs, noise, truth = (np.stack(part) for part in zip(*windows, strict=True))
    return [torch.from_numpy(part) for part in (pairs.astype(np.float16), noise, truth.astype(np.uint8))]


def varied(
    pair: torch.Tensor, noise: torch.Tensor, truth: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:  # fmt: skip
    """Windows a pixel off, changed over, from right to left, light for dark, noisier, stronger; own choices."""
    n, device = len(pair), pair.device

    def draw(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, 1, device=device)

    pair = pair.float()
    moves = np.random.default_rng(int(torch.randint(1 << 30, (1,)))).integers(-1, 2, (ROLLS, 2))
    parts = zip(pair[:, 1:].chunk(ROLLS), moves, strict=False)
    moved = torch.cat([part.roll((int(down), int(across)), (2, 3)) for part, (down, across) in parts])
    pair = torch.cat([pair[:, :1], moved], 1)
    over = draw(0, 1) < 0.5
    pair = torch.where(over, pair.flip(1), pair)
    noise = torch.where(over[:, :, 0, 0], noise.flip(1), noise)
    mirrored = draw(0, 1) < 0.5
    pair, truth = torch.where(mirrored, pair.flip(3), pair), torch.where(mirrored[:, 0], truth.flip(2), truth)
    pair = torch.where(draw(0, 1) < 0.5, -pair, pair)
    grain = draw(0.05, 0.5) * (draw(0, 1) < 0.4)
    query = (pair[:, :1] + grain * torch.randn_like(pair[:, :1])) * torch.where(draw(0, 1) < 0.3, draw(0.85, 1.2), 1.0)
    noisier = torch.log(torch.exp(noise[:, :1]) + 0.7 * grain[:, :, 0, 0])
    return torch.cat([query, pair[:, 1:]], 1), torch.cat([noisier, noise[:, 1:]], 1), truth
