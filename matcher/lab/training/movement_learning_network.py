"""How the network that tells movement from damage is trained: drawn sets in, its weights out. Needs PyTorch.

On one device, or on several together (`torchrun`).
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

import cv2
import numpy as np
import torch
from torch import distributed, nn
from torch.nn import functional
from torch.nn.parallel import DistributedDataParallel

from matcher.lab.measures import auroc, cllr
from matcher.lab.synthesis.face_pairs import CELL
from matcher.lab.synthesis.visible import IGNORED, MOVED
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
        """Sets that lie on the device already; the oldest make room."""
        places = torch.arange(self.count, self.count + len(drawn["same"]), device=self.device) % self.room
        for name, value in drawn.items():
            if name not in self.parts:
                self.parts[name] = torch.empty((self.room, *value.shape[1:]), dtype=value.dtype, device=self.device)
            self.parts[name][places] = value
        self.count += len(places)

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


def asked(network: nn.Module, batch: Tensors) -> tuple[torch.Tensor, torch.Tensor]:
    faces = (batch[name].contiguous(memory_format=torch.channels_last) for name in ("query", "reference"))
    said: tuple[torch.Tensor, torch.Tensor] = network(*faces, batch["noise"], batch["shown"])
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


def report(network: nn.Module, held_out: Sequence[Tensors]) -> str:
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


@dataclass(frozen=True)
class Cards:
    """The devices that learn together: which of how many this process serves."""

    device: str
    number: int = 0
    count: int = 1

    @property
    def kind(self) -> str:
        """Either cpu or cuda."""
        return self.device.partition(":")[0]

    @classmethod
    def joined(cls) -> Cards:
        """As `torchrun` has started this process; one device where it has not."""
        if not torch.cuda.is_available():
            return cls("cpu")
        if "WORLD_SIZE" not in os.environ:
            return cls("cuda")
        distributed.init_process_group("nccl")
        own = int(os.environ["LOCAL_RANK"])
        torch.cuda.set_device(own)
        return cls(f"cuda:{own}", distributed.get_rank(), distributed.get_world_size())

    def together(self, network: MovementNetwork) -> nn.Module:
        """The network as all devices learn it."""
        return DistributedDataParallel(network) if self.count > 1 else network

    def latest(self, share: float) -> float:
        """The largest share of the time that has gone by on any device, so that all end at one step."""
        if self.count == 1:
            return share
        shares = torch.tensor([share], device=self.device)
        distributed.all_reduce(shares, distributed.ReduceOp.MAX)
        return float(shares)

    def part(self) -> None:
        """The last that is done together."""
        if self.count > 1:
            distributed.destroy_process_group()


@dataclass
class Pupil:
    """A network that learns, on one device or on several at once."""

    network: MovementNetwork
    cards: Cards
    rate: float

    def __post_init__(self) -> None:
        self.network.to(memory_format=torch.channels_last)
        self.joined = self.cards.together(self.network)
        self.optimiser = torch.optim.AdamW(self.network.parameters(), self.rate, weight_decay=1e-4)

    def pace(self, share: float, step: int) -> None:
        """The pace rises at first, and falls with the time."""
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * min(1.0, step / 200 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * share)) + 1e-6

    def learn(self, batch: Tensors) -> None:
        """One step."""
        with torch.autocast(self.cards.kind, dtype=torch.bfloat16, enabled=self.cards.kind == "cuda"):
            logits, odds = asked(self.joined, batch)
        loss = loss_of(logits.float(), odds.float(), batch)
        self.optimiser.zero_grad()
        loss.backward()
        length = nn.utils.clip_grad_norm_(self.network.parameters(), 1.0)
        if bool(torch.isfinite(length)):
            self.optimiser.step()


@dataclass
class Drawing:
    """Sets on their way from the processes that draw to the device, beside the learning."""

    source: Iterator[Tensors]
    device: str
    ready: queue.Queue[Tensors] = field(default_factory=lambda: queue.Queue(64))
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.carrier = threading.Thread(target=self._carry, daemon=True)

    def start(self) -> None:
        self.carrier.start()

    def end(self) -> None:
        """No more is drawn; a thread that still copies as the process ends would bring it down."""
        self.stop.set()
        while self.carrier.is_alive():
            with suppress(queue.Empty):
                self.ready.get(timeout=0.1)

    def _carry(self) -> None:
        # A stream of its own: on the learning's, every copy would wait for what has been asked of the device so far.
        aside = torch.cuda.Stream(self.device) if self.device != "cpu" else None
        while not self.stop.is_set():
            drawn = next(self.source)
            with torch.cuda.stream(aside):
                there = {name: value.to(self.device) for name, value in drawn.items()}
            if aside:
                aside.synchronize()
            self.ready.put(there)

    def move_into(self, kept: Kept, at_least: int = 0) -> None:
        """All that is ready; and so much that so many sets are kept."""
        while kept.count < at_least or not self.ready.empty():
            drawn = self.ready.get()
            if self.device != "cpu":  # else their memory is used anew before they have been copied
                for value in drawn.values():
                    value.record_stream(torch.cuda.current_stream())
            kept.take_in(drawn)


def train(pupil: Pupil, source: Iterator[Tensors], held_out: Sequence[Tensors], course: Course) -> dict[str, object]:
    """Learn until the time is up, the pace falling with it, while others are drawn; returns what was done."""
    cards = pupil.cards
    kept, generator = Kept(course.room, cards.device), torch.Generator().manual_seed(course.seed + 1000 * cards.number)
    drawing = Drawing(source, cards.device)
    drawing.start()
    drawing.move_into(kept, course.first)
    started, step = time.monotonic(), 0
    while (share := cards.latest((time.monotonic() - started) / (60 * course.minutes))) < 1:
        pupil.pace(share, step)
        drawing.move_into(kept)
        pupil.learn(kept.batch(course.batch, generator))
        step += 1
        if step % course.tell == 0 and cards.number == 0:
            print(f"{step} steps, {kept.count} sets: {report(pupil.network, held_out)}", flush=True)
    drawing.end()
    shown = report(pupil.network, held_out) if cards.number == 0 else ""
    done = {"steps": step, "sets": kept.count * cards.count, "devices": cards.count, "held_out": shown}
    print(done, flush=True)
    return done
