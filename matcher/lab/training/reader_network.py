"""The reader taught on: it begins with the library's weights and learns from lines as cards bear them. Needs PyTorch.

Tiles lie on the device, one beside the other; each time a line is shown it is cut a little otherwise, stretched, bent,
blurred and soiled there, so that drawing is no limit. What is told goes by the mean of its weights (Polyak & Juditsky
1992, SIAM J. Control Optim. 30).
"""

from __future__ import annotations

import copy
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from matcher.lab.training.drawn_store_network import pace
from matcher.lab.training.onnx_graph_network import LibraryGraph
from matcher.lab.training.reader_lines import BESIDE, ROWS, TALL, Tile

ROOM = 1.3
"""Of the longest line of a batch, so that most can be stretched; blank beside it."""

FRAME_PX = 8
"""Columns of a line that one frame of the network stands for."""

MOST_LETTERS = 64
"""Of a line; a longer one is left out."""


@dataclass(frozen=True)
class Lesson:
    """How it learns. ends: on the monotonic clock. share: of all learning that is done at the beginning and at the end,
    for a course in several parts. columns: of all lines of a batch together. deep_first: whether maps lie with their
    channels side by side, which some accelerators compute sooner."""

    ends: float
    share: tuple[float, float] = (0.0, 1.0)
    rate: float = 3e-4
    columns: int = 160_000
    decay: float = 0.01
    mean: float = 0.999
    tell: float = 60.0
    device: str = "cpu"
    seed: int = 1
    deep_first: bool = False


@dataclass
class TileStore:
    """Tiles, one beside the other in one long strip; the oldest make room.

    spelt: (room lines, letters) the columns of the network that each says, 0 beyond its end.
    """

    columns: int
    lines: int
    longest: int
    device: str
    begun: int = 0
    count: int = 0
    seen: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        kept = {"device": self.device}
        self.strip = torch.zeros((TALL, self.columns), dtype=torch.uint8, **kept)
        self.starts = torch.zeros(self.lines, dtype=torch.int64)
        self.widths = torch.zeros(self.lines, dtype=torch.int64)
        self.lengths = torch.zeros(self.lines, dtype=torch.int64)
        self.spelt = torch.zeros((self.lines, self.longest), dtype=torch.int32)

    def take_in(self, grey: NDArray[np.uint8], widths: Sequence[int], spelt: Sequence[Sequence[int]]) -> None:
        """grey: (TALL, columns), tiles of these widths side by side; spelt: what each says."""
        with self.lock:
            if self.begun + grey.shape[1] > self.columns or self.count + len(widths) > self.lines:
                return  # it is full, and what it holds is varied each time
            self.strip[:, self.begun : self.begun + grey.shape[1]] = torch.from_numpy(grey).to(self.device)
            starts = self.begun + np.cumsum([0, *widths[:-1]])
            for start, width, signs in zip(starts, widths, spelt, strict=True):
                if not 0 < len(signs) <= self.longest:
                    continue
                self.starts[self.count], self.widths[self.count], self.lengths[self.count] = (
                    int(start),
                    width,
                    len(signs),
                )
                self.spelt[self.count, : len(signs)] = torch.tensor(signs, dtype=torch.int32)
                self.count += 1
            self.begun += grey.shape[1]


@dataclass(frozen=True)
class Batch:
    """pictures: (n, 1, ROWS, columns) float, 0..1 and 0.5 beyond a line's end; spelt: all lines' signs, one after the
    other, and how many each has."""

    pictures: torch.Tensor
    spelt: torch.Tensor
    lengths: torch.Tensor


BINS = [BESIDE * 2 + one for one in (110, 170, 230, 310, 410, 540, 740)]
"""Widths of tiles, up to each of which lines are shown together; longer ones are left out. Few: an accelerator takes
seconds to find out how best to compute a width that it has not seen."""


def batches(store: TileStore, lesson: Lesson) -> Iterator[Batch]:
    """Endless batches of lines of about one length."""
    chance = np.random.default_rng(lesson.seed)
    known, groups = 0, list[NDArray[np.int64]]()
    while True:
        if store.count > 1.03 * known or not known:
            known = store.count
            placed = np.searchsorted(BINS, store.widths[:known].numpy())
            groups = [np.flatnonzero(placed == n) for n in range(len(BINS))]
            weights = np.array([len(one) for one in groups], np.float64) * BINS
            weights /= weights.sum()
        group = int(chance.choice(len(groups), p=weights))
        longest = BINS[group] - 2 * BESIDE + 20
        size = max(8, min(1024, lesson.columns // longest))
        chosen = torch.from_numpy(groups[group][chance.integers(len(groups[group]), size=size)])
        yield batch_of(store, chosen, chance, ROOM * longest)


def batch_of(store: TileStore, chosen: torch.Tensor, chance: np.random.Generator, widest: float) -> Batch:
    """These lines, each cut out in its own way, no line longer than `widest` pixels."""
    device, n = store.device, len(chosen)
    starts, widths = store.starts[chosen].to(device), store.widths[chosen].to(device)
    lengths = store.lengths[chosen]
    spelt = store.spelt[chosen]
    spelt = spelt[torch.arange(spelt.shape[1])[None] < lengths[:, None]]

    def draw(low: float, high: float) -> torch.Tensor:
        return torch.from_numpy(chance.uniform(low, high, (n, 1, 1)).astype(np.float32)).to(device)

    wide = (widths - 2 * BESIDE).float()[:, None, None]
    left, right, above, below = draw(-2, 16), draw(-2, 16), draw(-3, 9), draw(-3, 9)
    high = ROWS + above + below
    stretch = torch.exp(draw(-0.34, 0.34))
    columns = int(np.ceil(widest / FRAME_PX)) * FRAME_PX
    out = ((wide + left + right) * ROWS / high * stretch).clamp(24, columns)
    across = torch.arange(columns, device=device)[None, None].float() + 0.5
    down = torch.arange(ROWS, device=device)[None, :, None].float() + 0.5
    share = across / out
    x = BESIDE - left + share * (wide + left + right)
    y = (TALL - ROWS) / 2 - above + down / ROWS * high
    x = x + draw(-0.12, 0.12) * (y - TALL / 2)
    turns = draw(0, 1), draw(0, 1), draw(2, 9)
    y = y + draw(-1.5, 1.5) * (share - 0.5) + draw(-1.2, 1.2) * torch.sin(6.283 * (turns[0] + share * turns[2]))
    x = x + draw(-2.5, 2.5) * torch.sin(6.283 * (turns[1] + share * turns[2] * 1.3))
    pictures = _gathered(store.strip, starts, widths, x, y)
    pictures = torch.where(across < out, _soiled(pictures, draw, chance), pictures.new_tensor(0.5))
    return Batch(pictures[:, None], spelt, lengths)


def _gathered(
    strip: torch.Tensor, starts: torch.Tensor, widths: torch.Tensor, x: torch.Tensor, y: torch.Tensor
) -> torch.Tensor:  # fmt: skip
    """(n, ROWS, columns) float 0..1, between the tile's four nearest pixels; beyond it its edge is carried on."""
    last = (widths - 1)[:, None, None].float()
    x, y = torch.minimum((x - 0.5).clamp(min=0), last - 0.001), (y - 0.5).clamp(0, TALL - 1.001)
    left, top = x.floor(), y.floor()
    dx, dy = x - left, y - top
    flat, columns = strip.view(-1), strip.shape[1]
    at = top.long() * columns + starts[:, None, None] + left.long()
    step = (left + 1 < widths[:, None, None]).long()
    corner = [flat[at], flat[at + step], flat[at + columns], flat[at + columns + step]]
    a, b, c, d = (one.float() for one in corner)
    upper, lower = a + dx * (b - a), c + dx * (d - c)
    return (upper + dy * (lower - upper)) / 255


def _soiled(
    pictures: torch.Tensor, draw: Callable[[float, float], torch.Tensor], chance: np.random.Generator
) -> torch.Tensor:  # fmt: skip
    """Lighter, darker, softer, noisier, with clouds; light for dark now and then."""
    n, high, wide = pictures.shape
    if chance.random() < 0.35:
        sigma = float(chance.uniform(0.4, 1.3))
        reach = torch.arange(-3, 4, device=pictures.device).float()
        kernel = torch.exp(-0.5 * (reach / sigma) ** 2)
        kernel = kernel / kernel.sum()
        soft = functional.conv2d(pictures[:, None], kernel[None, None, None], padding=(0, 3))
        pictures = functional.conv2d(soft, kernel[None, None, :, None], padding=(3, 0))[:, 0]
    if chance.random() < 0.15:  # bolder, or thinner
        sign = 1 if chance.random() < 0.5 else -1
        pictures = sign * functional.max_pool2d(sign * pictures[:, None], 3, 1, 1)[:, 0]
    clouds = torch.randn((n, 1, 3, max(2, wide // 40)), device=pictures.device)
    clouds = functional.interpolate(clouds, (high, wide), mode="bilinear")[:, 0]
    pictures = pictures + draw(0, 0.06) * clouds + draw(0, 1) ** 3 * 0.12 * torch.randn_like(pictures)
    middle = pictures.mean((1, 2), keepdim=True)
    pictures = middle + (pictures - middle) * draw(0.6, 1.25) + draw(-0.12, 0.12)
    flipped = (draw(0, 1) > 0.93).float()
    pictures = flipped * (1 - pictures) + (1 - flipped) * pictures
    return pictures.clamp(0, 1)


def logits_of(network: LibraryGraph, pictures: torch.Tensor, deep_first: bool = False) -> torch.Tensor:
    """(n, frames, signs), of pictures as a `Batch` has them."""
    form = torch.channels_last if deep_first else torch.contiguous_format
    return network.raw((2 * pictures - 1).expand(-1, 3, -1, -1).contiguous(memory_format=form))


def learn(
    network: LibraryGraph, store: TileStore, lesson: Lesson, told: Callable[[LibraryGraph], str] = lambda _: ""
) -> LibraryGraph:
    """Until `lesson.ends`; the network of the mean weights. told: what else to say of it from time to time."""
    torch.manual_seed(lesson.seed)
    device, fast = lesson.device, lesson.device != "cpu"
    network = network.to(device)
    if lesson.deep_first:
        network = network.to(memory_format=torch.channels_last)
    mean = copy.deepcopy(network)
    parts = list(network.parameters())
    still = [one for one in parts if one.dim() < 2 or one.numel() == max(one.shape)]
    moved = [one for one in parts if not any(one is other for other in still)]
    optimiser = torch.optim.AdamW(
        [{"params": moved, "weight_decay": lesson.decay}, {"params": still, "weight_decay": 0.0}], lesson.rate,
        betas=(0.9, 0.98), fused=fast,
    )  # fmt: skip
    losses: list[torch.Tensor] = []
    lines, begun, next_told = 0, time.monotonic(), time.monotonic() + lesson.tell
    for step, batch in enumerate(batches(store, lesson)):
        now = time.monotonic()
        if now >= lesson.ends:
            break
        done = (now - begun) / max(lesson.ends - begun, 1e-6)
        first, last = lesson.share
        pace(optimiser, lesson.rate, first + done * (last - first), step)
        with torch.autocast(device.split(":")[0], torch.bfloat16, enabled=fast):
            logits = logits_of(network, batch.pictures, lesson.deep_first)
        losses.append(_loss(logits.float(), batch))
        optimiser.zero_grad(set_to_none=True)
        losses[-1].backward()
        nn.utils.clip_grad_norm_(parts, 2.0)
        optimiser.step()
        _towards(mean, network, min(lesson.mean, (step + 1) / (step + 10)))
        losses[-1] = losses[-1].detach()
        lines += len(batch.lengths)
        if now >= next_told or step == 0:
            lately = float(torch.stack(losses[-200:]).mean())
            print(f"{now - begun:.0f} s: {lines} lines, {store.count} kept, loss {lately:.3f} {told(mean)}", flush=True)
            next_told = time.monotonic() + lesson.tell
    return mean


@dataclass(frozen=True)
class Course:
    """A whole course. room, first: pixels along all lines that are kept, and lines that are drawn before it begins."""

    minutes: float
    rate: float
    columns: int
    room: int
    first: int
    device: str
    seed: int


def taught(network: LibraryGraph, drawn: Iterator[list[Tile]], signs: Sequence[str], course: Course) -> LibraryGraph:
    """The network when it has learnt for so many minutes from what is drawn meanwhile."""
    store = TileStore(course.room, max(1000, course.room // 300), MOST_LETTERS, course.device)
    while store.count < course.first:
        store.take_in(*as_strip(next(drawn), signs))
    ends = time.monotonic() + 60 * course.minutes

    def fill() -> None:
        for tiles in drawn:
            if time.monotonic() >= ends:
                return
            store.take_in(*as_strip(tiles, signs))

    threading.Thread(target=fill, daemon=True).start()
    lesson = Lesson(ends, rate=course.rate, columns=course.columns, device=course.device, seed=course.seed)
    return learn(network, store, lesson)


def as_strip(tiles: Sequence[Tile], signs: Sequence[str]) -> tuple[NDArray[np.uint8], list[int], list[list[int]]]:
    """As `TileStore.take_in` takes them."""
    grey = np.hstack([one.grey for one in tiles])
    return grey, [one.grey.shape[1] for one in tiles], [spelling(one.words, signs) for one in tiles]


def _loss(logits: torch.Tensor, batch: Batch) -> torch.Tensor:
    """How unlikely what stands there is by all ways through the frames (Graves et al. 2006), a sign."""
    frames = torch.full((logits.shape[0],), logits.shape[1], dtype=torch.int64)
    likely = functional.log_softmax(logits, 2).transpose(0, 1)
    each = functional.ctc_loss(
        likely, batch.spelt.to(logits.device), frames, batch.lengths, reduction="none", zero_infinity=True
    )
    return (each / batch.lengths.to(each.device)).clamp(max=12).mean()


def _towards(mean: nn.Module, network: nn.Module, kept: float) -> None:
    with torch.no_grad():
        torch._foreach_lerp_(list(mean.parameters()), list(network.parameters()), 1 - kept)


def spelling(words: str, signs: Sequence[str]) -> list[int]:
    """The network's columns for a line; none where it has no sign for a letter."""
    column = {sign: 1 + n for n, sign in enumerate(signs)}
    return [column[c] for c in words] if all(c in column for c in words) else []
