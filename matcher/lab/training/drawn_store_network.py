"""Drawn material kept on the device: each piece is learnt from several times while others are drawn."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import torch

WARM_UP = 300
"""Steps until the full rate; own choice."""


@dataclass(frozen=True)
class Course:
    """minutes, rate, batch: how long and how fast is learnt, and pieces a step. room, first: pieces that are kept, and
    that are drawn before it begins. mean: how much of the mean of all weights so far is kept at each step."""

    minutes: float
    rate: float
    batch: int
    room: int
    first: int
    device: str
    seed: int
    mean: float = 0.999
    tell: float = 60.0


@dataclass
class DrawnStore:
    """The last `room` pieces that were drawn, as tensors; the oldest make room.

    count: all that were taken in so far.
    """

    room: int
    device: str
    count: int = 0
    parts: list[torch.Tensor] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, source: Iterator[list[torch.Tensor]], first: int, ended: float) -> None:
        """Wait for so many pieces, then take in more beside until `ended` on the monotonic clock."""
        while self.count < first:
            self.take_in(next(source))
        threading.Thread(target=self.fill, args=(source, ended), daemon=True).start()

    def fill(self, source: Iterator[list[torch.Tensor]], ended: float) -> None:
        """Take in whatever is drawn until then; for a thread of its own."""
        while time.monotonic() < ended:
            drawn = next(source)
            with self.lock:
                self.take_in(drawn)

    def take_in(self, drawn: list[torch.Tensor]) -> None:
        """drawn: tensors (n, ...) of n pieces, the same kinds in the same order each time."""
        if not self.parts:
            shapes = [((self.room, *one.shape[1:]), one.dtype) for one in drawn]
            self.parts = [torch.empty(shape, dtype=kind, device=self.device) for shape, kind in shapes]
        places = (torch.arange(self.count, self.count + len(drawn[0])) % self.room).to(self.device)
        for kept, new in zip(self.parts, drawn, strict=True):
            kept[places] = new.to(self.device)
        self.count += len(places)

    def some(self, size: int) -> list[torch.Tensor]:
        """So many pieces at random, the same ones of each part. Raises RuntimeError before anything was drawn."""
        if not self.count:
            raise RuntimeError("nothing was drawn yet")
        chosen = torch.randint(min(self.count, self.room), (size,), device=self.device)
        with self.lock:
            return [part[chosen] for part in self.parts]


def pace(optimiser: torch.optim.Optimizer, rate: float, share: float, step: int) -> None:
    """Set the learning rate: up over the first steps, then down along half a cosine (Loshchilov & Hutter 2017).

    share: 0 to 1, how much of the time is spent.
    """
    for group in optimiser.param_groups:
        group["lr"] = rate * min(1.0, (step + 1) / WARM_UP) * (0.5 + 0.5 * float(np.cos(np.pi * min(share, 1.0))))
