"""How the network that tells movement from damage is trained: drawn sets in, its weights out. Needs PyTorch."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import torch
from torch.nn import functional

from matcher.lab.measures import auroc, cllr
from matcher.lab.synthesis.face_pairs import CELL, IGNORED, MOVED
from matcher.lab.training.movement_network import MovementNetwork
from matcher.lab.training.movement_sets import CODE, PAIRS, Material, drawn_sets

Tensors = dict[str, torch.Tensor]

MOVED_WEIGHT, PAIR_WEIGHT = 2.0, 0.5

OTHER_SIDE = (0, 1, 3, 2)
"""Labels once query and reference have changed places."""


@dataclass(frozen=True)
class Course:
    """How long and how fast is learnt.

    room: sets of four faces that are kept, 1.5 MB each. first: sets that must be drawn before it begins. tell: steps
    between two reports.
    """

    minutes: float
    rate: float
    batch: int
    room: int
    first: int
    tell: int
    seed: int


class Drawn(torch.utils.data.IterableDataset[Tensors]):
    """`drawn_sets` as tensors, drawn in processes of their own."""

    def __init__(self, material: Material, seed: int) -> None:
        self.material, self.seed = material, seed

    def __iter__(self) -> Iterator[Tensors]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        for drawn in drawn_sets(self.material, np.random.default_rng([self.seed, worker.id if worker else 0])):
            yield {name: torch.from_numpy(np.asarray(value)) for name, value in drawn.items()}


def sets(material: Material, seed: int, workers: int) -> Iterator[Tensors]:
    """Sets of faces, four at once."""
    ahead = 4 if workers else None
    source = torch.utils.data.DataLoader(
        Drawn(material, seed), batch_size=4, num_workers=workers, prefetch_factor=ahead
    )
    return iter(source)


@dataclass
class Kept:
    """Sets that were drawn, kept on the device, so that each is learnt from more than once while others are drawn."""

    room: int
    device: str
    count: int = 0
    parts: Tensors = field(default_factory=dict)

    def take_in(self, drawn: Tensors) -> None:
        for place in range(len(drawn["same"])):
            for name, value in drawn.items():
                if name not in self.parts:
                    self.parts[name] = torch.empty((self.room, *value.shape[1:]), dtype=value.dtype, device=self.device)
                self.parts[name][self.count % self.room] = value[place].to(self.device, non_blocking=True)
            self.count += 1

    def batch(self, size: int, generator: torch.Generator) -> Tensors:
        """Pairs at random, sides exchanged and mirrored half of the time."""
        chosen = torch.randint(min(self.count, self.room), (size,), generator=generator).to(self.device)
        pair = torch.randint(len(PAIRS), (size,), generator=generator).to(self.device)
        return paired(self.parts, chosen, pair, generator)


def paired(parts: Tensors, chosen: torch.Tensor, pair: torch.Tensor, generator: torch.Generator | None) -> Tensors:
    """Pairs of sets as the network is asked; varied where there is a generator."""
    device = chosen.device
    sides = torch.tensor(PAIRS, device=device)[pair]
    labels, shown = parts["labels"][chosen, pair].long(), parts["shown"][chosen, pair].float()
    if generator is not None:
        exchange = torch.rand(len(chosen), generator=generator).to(device) < 0.5
        sides = torch.where(exchange[:, None], sides.flip(1), sides)
        other = torch.tensor([*OTHER_SIDE] + [IGNORED] * (256 - len(OTHER_SIDE)), device=device)
        labels = torch.where(exchange[:, None, None], other[labels], labels)
    query, reference = (parts["faces"][chosen, sides[:, k]].float() / CODE for k in (1, 0))
    noise = torch.stack([parts["noise"][chosen, sides[:, k]] for k in (1, 0)], 1)
    if generator is not None and float(torch.rand(1, generator=generator)) < 0.5:
        query, reference, labels, shown = (x.flip(-1) for x in (query, reference, labels, shown))
    wide = functional.interpolate(shown[:, None], scale_factor=float(CELL), mode="nearest")
    return {
        "query": query * wide, "reference": reference * wide, "noise": noise, "shown": shown[:, None], "labels": labels,
        "same": parts["same"][chosen, pair].long(), "tone": parts["tone"][chosen], "wear": parts["wear"][chosen],
    }  # fmt: skip


def all_pairs(drawn: Tensors, device: str) -> Tensors:
    """Every pair of a few sets, as it was drawn."""
    count = len(drawn["same"])
    chosen, pair = torch.arange(count).repeat_interleave(len(PAIRS)), torch.arange(len(PAIRS)).repeat(count)
    parts = {name: value.to(device) for name, value in drawn.items()}
    return paired(parts, chosen.to(device), pair.to(device), None)


def asked(network: MovementNetwork, batch: Tensors) -> tuple[torch.Tensor, torch.Tensor]:
    said: tuple[torch.Tensor, torch.Tensor] = network(
        batch["query"], batch["reference"], batch["noise"], batch["shown"]
    )
    return said


def loss_of(logits: torch.Tensor, odds: torch.Tensor, batch: Tensors) -> torch.Tensor:
    """Of every spot, and of the pair where it can be told."""
    labels = batch["labels"]
    weights = torch.tensor([1.0, MOVED_WEIGHT, 1.0, 1.0], device=logits.device)
    open_ = torch.tensor(-100, device=logits.device)
    each = functional.cross_entropy(logits, labels.where(labels != IGNORED, open_), weights)
    known = batch["same"] >= 0
    pair = functional.binary_cross_entropy_with_logits(odds[known], batch["same"][known].float())
    return each + PAIR_WEIGHT * pair


def report(network: MovementNetwork, held_out: Sequence[Tensors]) -> str:
    """AUROC and cost in bits of the pair's log odds on pairs of other pictures, and the share of moved cells found."""
    network.eval()
    found, moved, rows = 0, 0, []
    with torch.no_grad():
        for batch in held_out:
            logits, odds = asked(network, batch)
            rows.append(torch.stack([odds.float(), batch["same"].float(), batch["tone"], batch["wear"]]).cpu())
            there = batch["labels"] == MOVED
            found += int(((logits.argmax(1) == MOVED) & there).sum())
            moved += int(there.sum())
    network.train()
    said, same, tone, wear = torch.cat(rows, 1).numpy()
    kinds = {"all": same >= 0, "fresh": (tone == 0) & (wear == 0), "toned": tone > 0.5, "worn": wear == 1}
    lines = []
    for name, kind in kinds.items():
        use = kind & (same >= 0)
        if len({*same[use]}) == 2:
            truth = same[use] == 1
            lines.append(f"{name} AUROC {auroc(said[use], truth):.4f}, {cllr(said[use], truth):.3f} bits")
    return "; ".join([*lines, f"moved cells found {found / max(moved, 1):.3f}"])


def train(
    network: MovementNetwork, source: Iterator[Tensors], held_out: Sequence[Tensors], course: Course, device: str
) -> dict[str, object]:
    """Learn until the time is up, the pace falling with it, while others are drawn; returns what was done."""
    optimiser = torch.optim.AdamW(network.parameters(), course.rate, weight_decay=1e-4)
    kept, generator = Kept(course.room, device), torch.Generator().manual_seed(course.seed)
    stop, lock = threading.Event(), threading.Lock()

    def draw() -> None:
        while not stop.is_set():
            drawn = next(source)
            with lock:
                kept.take_in(drawn)

    drawing = threading.Thread(target=draw, daemon=True)
    drawing.start()
    while kept.count < course.first:
        time.sleep(0.2)
    started, step = time.monotonic(), 0
    while (share := (time.monotonic() - started) / (60 * course.minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = course.rate * min(1.0, step / 200 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * share)) + 1e-6
        with lock:
            batch = kept.batch(course.batch, generator)
        _learn(network, optimiser, batch, device)
        step += 1
        if step % course.tell == 0:
            print(f"{step} steps, {kept.count} sets: {report(network, held_out)}", flush=True)
    stop.set()
    drawing.join()
    shown = report(network, held_out)
    print(f"{step} steps in all, {kept.count} sets: {shown}", flush=True)
    return {"steps": step, "sets": kept.count, "held_out": shown}


def _learn(network: MovementNetwork, optimiser: torch.optim.Optimizer, batch: Tensors, device: str) -> None:
    with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
        logits, odds = asked(network, batch)
    loss = loss_of(logits.float(), odds.float(), batch)
    optimiser.zero_grad()
    loss.backward()
    torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()
