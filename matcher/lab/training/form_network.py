"""The network that tells in which form a line stands, and how it is trained. Needs PyTorch.

Tiles lie on the device while others are drawn, and are varied each time they are shown.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from matcher.core.ocr.mark_form import COLUMNS, FORMS, ROWS
from matcher.lab.training.drawn_store_network import Course, DrawnStore, pace
from matcher.lab.training.form_tiles import FormTile

SMOOTHED = 0.02
"""Share of each truth that is given to the other forms, so that it is never quite sure; own choice."""


QUARTERS = 4
"""Parts of a line's length that are looked at apart: a ribbon is told by its ends."""


class FormNetwork(nn.Module):
    """A tile in, log odds of each form out: strokes, their turns, then the line's ends and its middle apart."""

    def __init__(self, strokes: int = 16, turns: int = 32, parts: int = 64) -> None:
        super().__init__()
        sizes = (1, strokes, turns, parts, parts)
        self.layers = nn.ModuleList(nn.Conv2d(before, after, 3, 1, 1) for before, after in pairwise(sizes))
        self.whole = nn.Linear(parts * (QUARTERS + 1), 64)
        self.odds = nn.Linear(64, len(FORMS))

    def forward(self, tile: torch.Tensor) -> torch.Tensor:
        seen = tile
        for layer in self.layers:
            seen = functional.max_pool2d(torch.relu(layer(seen)), 2)
        quarters = functional.adaptive_avg_pool2d(seen, (1, QUARTERS)).flatten(1)
        told = torch.cat([quarters, seen.amax(dim=(2, 3))], 1)
        odds: torch.Tensor = self.odds(torch.relu(self.whole(told)))
        return odds


@dataclass(frozen=True)
class Taught:
    """A network that has learnt, after so many steps, from so many tiles."""

    network: FormNetwork
    steps: int
    tiles: int


def taught(network: FormNetwork, drawn: Iterator[Sequence[FormTile]], course: Course) -> Taught:
    """The network when it has learnt for so many minutes from what is drawn meanwhile: of its weights, the mean."""
    torch.manual_seed(course.seed)
    network = network.to(course.device)
    mean = copy.deepcopy(network).requires_grad_(False)
    parts = list(network.parameters())
    optimiser = torch.optim.AdamW(parts, course.rate, weight_decay=1e-3)
    store, source = DrawnStore(course.room, course.device), map(tensors, drawn)
    while store.count < course.first:
        store.take_in(next(source))
    begun, ends = time.monotonic(), time.monotonic() + 60 * course.minutes
    store.begin(source, course.first, ends)
    step, right, told = 0, list[torch.Tensor](), begun
    while (now := time.monotonic()) < ends:
        pace(optimiser, course.rate, (now - begun) / max(ends - begun, 1e-6), step)
        tiles, forms = store.some(course.batch)
        odds = network(varied(tiles.float()))
        loss = functional.cross_entropy(odds, forms, label_smoothing=SMOOTHED)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(parts, 1.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(list(mean.parameters()), parts, 1 - min(course.mean, (step + 1) / (step + 10)))
        right.append((odds.detach().argmax(1) == forms).float().mean())
        if now - told >= course.tell or step == 1:
            lately = float(torch.stack(right[-500:]).mean())
            print(f"{now - begun:.0f} s: {step} steps, {store.count} tiles, right {lately:.4f}", flush=True)
            told = now
    return Taught(mean, step, store.count)


def tensors(tiles: Sequence[FormTile]) -> list[torch.Tensor]:
    """(n, ROWS, COLUMNS) uint8 tiles, (n,) their forms."""
    return [
        torch.from_numpy(np.stack([one.grey for one in tiles])),
        torch.tensor([one.form for one in tiles], dtype=torch.int64),
    ]


def varied(tiles: torch.Tensor) -> torch.Tensor:
    """(n, 1, ROWS, COLUMNS): tiles light for dark, from right to left, upside down, noisier, with a patch laid over;
    even as the product makes them. Own choices."""
    n, device = len(tiles), tiles.device

    def draw(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, device=device)

    tiles = torch.where(draw(0, 1) < 0.5, 255 - tiles, tiles)
    tiles = torch.where(draw(0, 1) < 0.5, tiles.flip(2), tiles)
    tiles = torch.where(draw(0, 1) < 0.5, tiles.flip(1), tiles)
    tiles = tiles + draw(0, 10) * torch.randn_like(tiles)
    columns = torch.arange(COLUMNS, device=device)[None, None] + torch.zeros(1, ROWS, 1, device=device)
    begins, wide = draw(0, COLUMNS), draw(-40, 30)  # mostly none
    over = (columns >= begins) & (columns < begins + wide)
    tiles = torch.where(over, draw(0, 255).expand_as(tiles), tiles)
    middle, spread = tiles.mean(dim=(1, 2), keepdim=True), tiles.std(dim=(1, 2), keepdim=True)
    return ((tiles - middle) / (spread + 2.0))[:, None]


def export(network: FormNetwork, path: Path) -> None:
    """Write the ONNX file that `mark_form` reads."""
    network.eval()
    names = {"input_names": ["tile"], "output_names": ["log_odds"]}
    torch.onnx.export(network, (torch.zeros(1, 1, ROWS, COLUMNS),), str(path), dynamo=False, opset_version=13, **names)
