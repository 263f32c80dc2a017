"""The library's finder of lines taught on: it begins with the library's weights and learns from strips of cards
where lines stand. Needs PyTorch.

What it gives of each pixel is how surely it lies in the core of a line (differentiable binarisation, Liao et al. 2020,
AAAI; the map alone is learnt, as the library asks for nothing else). Strips lie on the device while others are drawn.
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
from matcher.lab.training.line_strips import CORE, NOTHING, Strip
from matcher.lab.training.onnx_graph_network import LibraryGraph

HARD = 3
"""Pixels of no line that count for each in a core, the hardest of all (Shrivastava et al. 2016, CVPR)."""

SURE = 0.3
"""Chance from which the network as it was takes a pixel for a line's. Outside of the cores it is not asked about such
pixels, since pictures bear words of their own; nor, by that, about the cores' rims."""

FLUSHED = 1e-12
"""A weight nearer to 0 is 0: numbers below what single precision holds whole make a processor many times as slow, and
the library's own finder has 300 thousand of them."""


@dataclass(frozen=True)
class Taught:
    """A network that has learnt, after so many steps, from so many strips."""

    network: LibraryGraph
    steps: int
    strips: int


def taught(network: LibraryGraph, drawn: Iterator[Sequence[Strip]], course: Course) -> Taught:
    """The network when it has learnt for so many minutes from what is drawn meanwhile: of its weights, the mean."""
    torch.manual_seed(course.seed)
    device = course.device
    network = network.to(device)
    before, mean = copy.deepcopy(network).requires_grad_(False), copy.deepcopy(network).requires_grad_(False)
    parts = list(network.parameters())
    optimiser = torch.optim.AdamW(parts, course.rate, weight_decay=1e-3)
    store = DrawnStore(course.room, device)
    source = map(tensors, drawn)
    while store.count < course.first:
        store.take_in(next(source))
    begun, ends = time.monotonic(), time.monotonic() + 60 * course.minutes
    store.begin(source, course.first, ends)
    step, losses, told = 0, list[torch.Tensor](), begun
    while (now := time.monotonic()) < ends:
        pace(optimiser, course.rate, (now - begun) / max(ends - begun, 1e-6), step)
        grey, wanted = store.some(course.batch)
        pictures = varied(grey.float() / 255)
        with torch.autocast(device.split(":")[0], torch.bfloat16, enabled=device != "cpu"):
            with torch.no_grad():
                known = torch.sigmoid(before.raw(as_seen(pictures)).float()) > SURE
            logits = network.raw(as_seen(pictures))
        loss = loss_of(logits.float()[:, 0], wanted, known[:, 0])
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(parts, 1.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(list(mean.parameters()), parts, 1 - min(course.mean, (step + 1) / (step + 10)))
        losses.append(loss.detach())
        if now - told >= course.tell or step == 1:
            lately = float(torch.stack(losses[-200:]).mean())
            print(f"{now - begun:.0f} s: {step} steps, {store.count} strips, loss {lately:.4f}", flush=True)
            told = now
    return Taught(flushed(mean), step, store.count)


def tensors(strips: Sequence[Strip]) -> list[torch.Tensor]:
    """(n, ROWS, COLUMNS) uint8 each: greys, and what is to be told."""
    return [torch.from_numpy(np.stack([getattr(one, name) for one in strips])) for name in ("grey", "told")]


def as_seen(pictures: torch.Tensor) -> torch.Tensor:
    """(n, 3, ROWS, COLUMNS), -1 to 1, as the library gives a grey picture, 0 to 1, to its finder."""
    return (2 * pictures[:, None] - 1).expand(-1, 3, -1, -1).contiguous()


def varied(pictures: torch.Tensor) -> torch.Tensor:
    """(n, ROWS, COLUMNS), 0 to 1: some lighter, darker, noisier, softer, turned round, light for dark; own choices."""
    n, device = len(pictures), pictures.device

    def draw(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, device=device)

    middle = pictures.mean((1, 2), keepdim=True)
    changed = middle + (pictures - middle) * draw(0.6, 1.25) + draw(-0.1, 0.1)
    soft = functional.avg_pool2d(changed[:, None], 3, 1, 1)[:, 0]
    changed = torch.where(draw(0, 1) < 0.25, torch.lerp(changed, soft, draw(0, 1)), changed)
    changed = changed + 0.08 * draw(0, 1) ** 3 * torch.randn_like(changed)
    return torch.where(draw(0, 1) < 0.05, 1 - changed, changed).clamp(0, 1)


def loss_of(logits: torch.Tensor, wanted: torch.Tensor, known: torch.Tensor) -> torch.Tensor:
    """logits: (n, ROWS, COLUMNS). wanted: NOTHING, CORE, OPEN. known: what was a line's before."""
    inside = wanted == CORE
    asked = inside | ((wanted == NOTHING) & ~known)
    each = functional.binary_cross_entropy_with_logits(logits, inside.float(), reduction="none")
    cores = each[inside]
    outside = each[asked & ~inside]
    hardest = outside.topk(min(len(outside), HARD * max(len(cores), 1000))).values
    chance = torch.sigmoid(logits) * asked
    overlap = 2 * (chance * inside).sum() / (chance.sum() + inside.sum() + 1)  # Dice's
    balanced: torch.Tensor = (cores.sum() + hardest.sum()) / (len(cores) + len(hardest) + 1) + 1 - overlap
    return balanced


def flushed(network: LibraryGraph) -> LibraryGraph:
    """The same without weights that are next to nothing."""
    with torch.no_grad():
        for table in network.parameters():
            table[table.abs() < FLUSHED] = 0
    return network
