"""The network that tells which way up a card is, and front from back, and how it is trained. Needs PyTorch."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE
from matcher.lab.synthesis.type_cases import typefaces
from matcher.lab.training.begun_network import begin_from
from matcher.lab.training.drawn_store_network import DrawnStore, pace
from matcher.lab.training.orientation_sides import PARTS, Batch, batches, new_sides
from matcher.lab.training.orientation_views_network import Drawn, seen_otherwise


def _layer(a: int, b: int, size: int = 3, stride: int | tuple[int, int] = 1) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(a, b, size, stride, size // 2, bias=False), nn.BatchNorm2d(b), nn.ReLU())


class _Residual(nn.Module):
    """Two convolutions that add to what they are given."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = _layer(width, width)
        self.second = nn.Sequential(nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, seen: torch.Tensor) -> torch.Tensor:
        added: torch.Tensor = torch.relu(seen + self.second(self.first(seen)))
        return added


class OrientationNetwork(nn.Module):
    """(n, 2, *WHOLE), twice (n, 2, STRIP, width) in, (n, 2) out: log odds of upright, up to the same of the card
    upside down, and the log odds of a back."""

    def __init__(self) -> None:
        super().__init__()
        self.whole = nn.Sequential(
            _layer(2, 16, 5, 2), _layer(16, 48, 3, 2), _Residual(48), _layer(48, 96, 3, 2), _Residual(96),
            _Residual(96), _layer(96, 128, 3, 2), _Residual(128),
        )  # fmt: skip
        self.strip = nn.Sequential(
            _layer(2, 16, 5, 2), _layer(16, 32, 3, 2), _Residual(32), _layer(32, 64, 3, 2), _Residual(64),
            _layer(64, 96, 3, (1, 2)),
        )  # fmt: skip
        # What stands where from head to foot: 9 rows, 3 columns of the whole; 8 rows of a strip of words.
        self.look, self.read = nn.Linear(128 * 9 * 3, 128), nn.Linear(96 * 8, 96)
        self.hidden, self.last = nn.Linear(128 + 96 * 2, 128), nn.Linear(128, 2)

    def forward(self, whole: torch.Tensor, head: torch.Tensor, foot: torch.Tensor) -> torch.Tensor:
        seen = nn.functional.avg_pool2d(self.whole(whole), (1, 2)).flatten(1)
        words = [torch.relu(self.read(self._row(part))) for part in (head, foot)]
        looked = torch.relu(self.look(nn.functional.dropout(seen, 0.3, self.training)))
        # Now and then it has to do without the words, or without the picture.
        both = [self._left_out(one) for one in (looked, torch.cat(words, dim=1))]
        joined = nn.functional.dropout(torch.cat(both, dim=1), 0.1, self.training)
        odds: torch.Tensor = self.last(torch.relu(self.hidden(joined)))
        return odds

    def _row(self, part: torch.Tensor) -> torch.Tensor:
        return self.strip(part).mean(dim=3).flatten(1)

    def _left_out(self, seen: torch.Tensor) -> torch.Tensor:
        if not self.training:
            return seen
        return seen * (torch.rand(len(seen), 1, device=seen.device) > 0.08)


OLD = 0.4
"""Share of fronts that are drawn worn; the others get their wear anew each time they are shown."""


class Sides(torch.utils.data.IterableDataset[list[torch.Tensor]]):
    """Sides as tensors, drawn in processes of their own: grey, back, blank, worn."""

    def __init__(self, sources: Sequence[tuple[Path, int]], types: Path | None, seed: int) -> None:
        self.sources, self.types, self.seed = sources, types, seed

    def __iter__(self) -> Iterator[list[torch.Tensor]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        types = typefaces(self.types, "fit") if self.types else ()
        for side in new_sides(self.sources, rng, types, OLD):
            flags = [torch.tensor(flag) for flag in (side.back, side.blank, side.worn)]
            yield [torch.from_numpy(side.grey), *flags]


def loss_of(odds: torch.Tensor, upright: torch.Tensor, back: torch.Tensor, has_up: torch.Tensor) -> torch.Tensor:
    """odds: (2 n, 2), of n cards and of the same upside down, set against each other as in use."""
    as_is, turned = odds.chunk(2)
    up = nn.functional.binary_cross_entropy_with_logits(as_is[:, 0] - turned[:, 0], upright, reduction="none")
    side = nn.functional.binary_cross_entropy_with_logits((as_is[:, 1] + turned[:, 1]) / 2, back)
    return (up * has_up).sum() / has_up.sum().clamp(min=1) + side


@dataclass(frozen=True)
class Course:
    """room: sides kept, of so many drawn first; tell: seconds between two reports, of so many judged batches; workers:
    processes that draw; begin: from which weights."""

    minutes: float
    rate: float
    batch: int
    room: int
    first: int
    tell: float
    workers: int
    seed: int
    device: str
    types: Path | None = None
    judged: int = 16
    begin: Path | None = None


AVERAGED = 0.998
"""Share of the weights before that a running mean keeps at each step; the mean is what is shipped."""


def train(
    sources: Sequence[tuple[Path, int]], held_out: Sequence[tuple[Path, int]], course: Course
) -> OrientationNetwork:
    """Learn for so many minutes while sides are drawn; tells on held-out ones as it goes."""
    ended = time.monotonic() + 60 * course.minutes
    torch.manual_seed(course.seed)
    cv2.setNumThreads(1)  # the drawing processes are forks of this one
    ahead = 4 if course.workers else None
    sides = Sides(sources, course.types, course.seed)
    loader = torch.utils.data.DataLoader(sides, batch_size=16, num_workers=course.workers, prefetch_factor=ahead)
    source = iter(loader)
    store = SideStore(course.room, course.device)
    store.begin(source, course.first, ended)
    rng = np.random.default_rng([course.seed, 977])
    judged = list(islice(batches(new_sides(held_out, rng), rng), course.judged))
    network = OrientationNetwork()
    if course.begin:
        begin_from(network, course.begin)
    network.to(course.device, memory_format=torch.channels_last)  # four times quicker on a processor
    mean = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGED), use_buffers=True
    )
    optimiser = torch.optim.AdamW(network.parameters(), course.rate, weight_decay=3e-2)
    started = told = time.monotonic()
    step, recent = 0, [0.0]
    while time.monotonic() < ended:
        pace(optimiser, course.rate, (time.monotonic() - started) / max(ended - started, 1e-6), step)
        recent = [*recent[-99:], _step(network, optimiser, store, course)]
        mean.update_parameters(network)
        step += 1
        if time.monotonic() - told > course.tell or step == 1:
            told = time.monotonic()
            said = f"{told - started:5.0f} s, step {step}, {store.count} drawn, loss {np.mean(recent):.4f}:"
            print(said, report(mean.module, judged), flush=True)
    network.load_state_dict(mean.module.state_dict())
    print(f"at the end, step {step}, {store.count} drawn: {report(network, judged)}", flush=True)
    return network


def _step(network: OrientationNetwork, optimiser: torch.optim.Optimizer, store: SideStore, course: Course) -> float:
    """One batch; the words' and the picture's own answers are asked of the same network."""
    sides, boards = store.sides(course.batch)
    upright = torch.rand(course.batch, device=course.device) < 0.5
    with torch.no_grad():
        parts = seen_otherwise(sides, boards, upright)
        whole, head, foot = (torch.cat([one, one.flip((2, 3))]) for one in parts)
        turned = [torch.cat([a.chunk(2)[0], b.chunk(2)[1]]) for a, b in ((head, foot), (foot, head))]
    shown = [part.contiguous(memory_format=torch.channels_last) for part in (whole, *turned)]
    with torch.autocast(course.device, torch.bfloat16, enabled=course.device != "cpu"):
        odds = network(*shown)
    loss = loss_of(odds.float(), upright.float(), sides.back.float(), (~sides.blank).float())
    optimiser.zero_grad()
    loss.backward()
    nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()
    return float(loss.detach())


@dataclass
class SideStore(DrawnStore):
    """Sides, each seen in many ways; the bare backs among them are what others are stained by."""

    boards: torch.Tensor | None = None

    def take_in(self, drawn: list[torch.Tensor]) -> None:
        """drawn: grey (n, h, w), back, blank, worn (n,)."""
        super().take_in(drawn)
        if self.boards is None:
            self.boards = torch.full((1, *drawn[0].shape[1:]), 230, dtype=torch.uint8, device=self.device)
        bare = drawn[0][drawn[2]].to(self.device)
        if len(bare):
            self.boards = torch.cat([self.boards, bare])[-MOST_BOARDS:]

    def sides(self, size: int) -> tuple[Drawn, torch.Tensor]:
        """At random, and the boards. Raises RuntimeError before anything was drawn."""
        drawn = Drawn(*self.some(size))
        if self.boards is None:
            raise RuntimeError("nothing was drawn yet")
        return drawn, self.boards


MOST_BOARDS = 400


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
