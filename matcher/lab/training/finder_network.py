"""The network that finds cards on a desk (`core.detect.finder`), its learning and its report. Needs PyTorch."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn
from torch.nn import functional

from matcher.core.detect.finder import CELL, LONG_SIDE, response_quads
from matcher.lab.synthesis.staging import Props
from matcher.lab.training.begun_network import begin_from, hold_norms
from matcher.lab.training.drawn_store_network import DrawnStore, pace
from matcher.lab.training.finder_scenes import LearntDesk, learnt_desks, overlap_of

BORDER_WEIGHT, PROBABLE = 2.0, 0.85
"""Weight of the border beside the inside; overlap from which a proposal is one of the card."""


def _layer(a: int, b: int, size: int = 3, stride: int = 1, apart: int = 1, groups: int = 1) -> nn.Sequential:
    around = size // 2 * apart
    convolution = nn.Conv2d(a, b, size, stride, around, apart, groups, bias=False)
    return nn.Sequential(convolution, nn.BatchNorm2d(b), nn.ReLU())


class _Wide(nn.Module):
    """Looks far around: a convolution a channel, then one across channels."""

    def __init__(self, width: int, apart: int) -> None:
        super().__init__()
        self.far = _layer(width, width, 3, 1, apart, width)
        self.mix = _layer(width, width, 1)

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        mixed: torch.Tensor = seen + self.mix(self.far(seen))
        return mixed


class FinderNetwork(nn.Module):
    """(n, 4, h, w) in: L, a, b and 1 within the picture; (n, 2, h / 4, w / 4) out: log odds of the inside of a card and
    of its border."""

    def __init__(self) -> None:
        super().__init__()
        self.first = _layer(4, 24, 5, 2)
        self.quarter = nn.Sequential(_layer(24, 40, 3, 2), _layer(40, 40))
        self.eighth = nn.Sequential(_layer(40, 56, 3, 2), _layer(56, 56), _layer(56, 56))
        self.sixteenth = nn.Sequential(_layer(56, 72, 3, 2), _layer(72, 72), _layer(72, 72))
        self.coarse = nn.Sequential(_layer(72, 96, 3, 2), _Wide(96, 1), _Wide(96, 2), _Wide(96, 4), _Wide(96, 1))
        self.whole = nn.Linear(96, 96)
        self.up = nn.ModuleList([nn.Conv2d(96, 72, 1), nn.Conv2d(72, 56, 1), nn.Conv2d(56, 40, 1)])
        self.join = nn.ModuleList([_layer(72, 72), _layer(56, 56), _layer(40, 40)])
        self.odds = nn.Conv2d(40, 2, 1)
        with torch.no_grad():
            self.odds.bias.fill_(-2.0)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        quarter = self.quarter(self.first(picture))
        eighth = self.eighth(quarter)
        sixteenth = self.sixteenth(eighth)
        seen = self.coarse(sixteenth)
        seen = seen + torch.relu(self.whole(seen.mean((2, 3))))[:, :, None, None]
        for up, join, finer in zip(self.up, self.join, (sixteenth, eighth, quarter), strict=True):
            seen = join(finer + functional.interpolate(up(seen), scale_factor=2.0, mode="nearest"))
        odds: torch.Tensor = self.odds(seen)
        return odds


class Desks(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """Desks as tensors, drawn in processes of their own."""

    def __init__(self, props: Props, seed: int) -> None:
        self.props, self.seed = props, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        for desk in learnt_desks(self.props, rng):
            yield [torch.from_numpy(desk.picture), torch.from_numpy(desk.truth)]


def drawn_batch(store: DrawnStore, size: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Desks at random, turned and mirrored, their colours moved; and the truth of their cells."""
    picture, truth = (part.float() for part in store.some(size))
    if torch.rand(()) < 0.5:
        picture, truth = picture.flip(3), truth.flip(3)
    turns = int(torch.randint(4, ()))
    picture, truth = (torch.rot90(one, turns, (2, 3)) for one in (picture, truth))
    return _varied(as_input(picture)), truth / 255


def as_input(picture: torch.Tensor) -> torch.Tensor:
    """(n, 4, h, w) bytes as drawn to what the network is given."""
    levels, within = picture[:, :3], picture[:, 3:] / 255
    return torch.cat([(levels - 128) / 64 * within, within], 1)


def _varied(shown: torch.Tensor) -> torch.Tensor:
    """Other lightness and contrast, other white, less colour."""
    n, device = len(shown), shown.device
    gain = torch.exp(0.15 * torch.randn(n, 1, 1, 1, device=device))
    light = shown[:, :1] * gain + 0.15 * torch.randn(n, 1, 1, 1, device=device)
    hue = shown[:, 1:3] * torch.exp(0.3 * torch.randn(n, 1, 1, 1, device=device))
    hue = hue + 0.06 * torch.randn(n, 2, 1, 1, device=device)
    within = shown[:, 3:]
    return torch.cat([light * within, hue * within, within], 1)


def loss_of(odds: torch.Tensor, truth: torch.Tensor, within: torch.Tensor) -> torch.Tensor:
    """Of all cells within the picture; and how far each map as a whole overlaps with the truth."""
    cross = functional.binary_cross_entropy_with_logits(odds, truth, reduction="none") * within
    each = cross.sum((0, 2, 3)) / within.sum()
    chance = torch.sigmoid(odds) * within
    shared, both = (chance * truth).sum((2, 3)), (chance + truth).sum((2, 3))
    apart = 1 - (2 * shared + 4) / (both + 4)
    return each[0] + BORDER_WEIGHT * each[1] + 0.2 * apart.mean()


@dataclass(frozen=True)
class Course:
    """room: desks kept; first: drawn before it begins; tell: seconds between two reports; judged: desks of a report;
    begin: from which weights."""

    minutes: float
    rate: float
    batch: int
    room: int
    first: int
    tell: float
    workers: int
    seed: int
    device: str
    judged: int
    begin: Path | None = None


def train(props: Props, held_out: Props, course: Course) -> FinderNetwork:
    """Learn for so many minutes while desks are drawn; tells on held-out ones as it goes."""
    ended = time.monotonic() + 60 * course.minutes
    torch.manual_seed(course.seed)
    cv2.setNumThreads(1)  # the drawing processes are forks of this one
    source = _source(props, course)
    network = FinderNetwork()
    if course.begin:
        begin_from(network, course.begin)
    network.to(course.device, memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(network.parameters(), course.rate, weight_decay=1e-2)
    judged = list(islice(learnt_desks(held_out, np.random.default_rng([course.seed, 977])), course.judged))
    store = DrawnStore(course.room, course.device)
    store.begin(source, course.first, ended)
    started = told = time.monotonic()
    step = 0
    while time.monotonic() < ended:
        pace(optimiser, course.rate, (time.monotonic() - started) / max(ended - started, 1e-6), step)
        loss = _step(network, optimiser, store, course)
        step += 1
        if time.monotonic() - told > course.tell or step == 1:
            told = time.monotonic()
            said = f"{told - started:5.0f} s, step {step}, {store.count} drawn, loss {loss:.4f}:"
            print(said, report(network, judged), flush=True)
            if course.begin:
                hold_norms(network)
            else:
                network.train()
    print(f"at the end, step {step}, {store.count} drawn: {report(network, judged)}", flush=True)
    return network


def _step(network: FinderNetwork, optimiser: torch.optim.Optimizer, store: DrawnStore, course: Course) -> float:
    shown, truth = drawn_batch(store, course.batch)
    with torch.autocast(course.device, torch.bfloat16, enabled=course.device != "cpu"):
        odds = network(shown.contiguous(memory_format=torch.channels_last))
    loss = loss_of(odds.float(), truth, functional.avg_pool2d(shown[:, 3:], CELL))
    optimiser.zero_grad()
    loss.backward()
    nn.utils.clip_grad_norm_(network.parameters(), 2.0)
    optimiser.step()
    return float(loss.detach())


def _source(props: Props, course: Course) -> Iterator[list[torch.Tensor]]:
    ahead = 4 if course.workers else None
    desks = Desks(props, course.seed)
    loader = torch.utils.data.DataLoader(desks, batch_size=16, num_workers=course.workers, prefetch_factor=ahead)
    return iter(loader)


def report(network: FinderNetwork, judged: list[LearntDesk]) -> str:
    """Of held-out desks: how well the inside is told, of how many cards an outline is proposed, and how many others."""
    network.eval()
    device = next(network.parameters()).device
    hit = cards = others = 0
    shared = joined = 0.0
    for desk in judged:
        shown = as_input(torch.from_numpy(desk.picture)[None].float().to(device))
        with torch.no_grad():
            chance = torch.sigmoid(network(shown)) * functional.avg_pool2d(shown[:, 3:], CELL)
        inside, border = chance[0].float().cpu().numpy()
        seen, true = inside > 0.5, desk.truth[0] > 127
        shared, joined = shared + float((seen & true).sum()), joined + float((seen | true).sum())
        quads = response_quads(inside, border)
        best = np.array([[overlap_of(card, quad) for quad in quads] for card in desk.cards], np.float64)
        best = best.reshape(len(desk.cards), len(quads))
        hit += int((best.max(axis=1, initial=0) >= PROBABLE).sum())
        cards += len(desk.cards)
        others += int((best.max(axis=0, initial=0) < 0.3).sum())
    return (
        f"inside {shared / max(joined, 1):.4f}, proposed {hit / max(cards, 1):.4f} of {cards}, "
        f"others {others / len(judged):.3f} a desk"
    )


def export(network: FinderNetwork, path: Path) -> None:
    """Write the ONNX file that `matcher.core.detect.finder` reads; height and width stay free."""
    network = network.float().cpu().eval()
    free = {"picture": {2: "height", 3: "width"}, "odds": {2: "rows", 3: "columns"}}
    torch.onnx.export(
        network, (torch.zeros(1, 4, LONG_SIDE, LONG_SIDE),), str(path), input_names=["picture"],
        output_names=["odds"], dynamic_axes=free, dynamo=False, opset_version=17,
    )  # fmt: skip
