"""Sides as drawn in, what a camera and an outline a little off may make of them out: many at once. Needs PyTorch.

The same as `orientation_sides.seen_otherwise` and `orientation.prepared` do one by one, so that each side that was
drawn is seen in hundreds of ways. What `prepared` makes of a side is linear but for its ranges: the matrices are read
off OpenCV's own filters, so that both give the same numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch.nn import functional

from matcher.core.detect.orientation import LEAST_RANGE, SHAPE, STRIP, STRIP_WINDOW_PX, WHOLE, WHOLE_WINDOW_PX
from matcher.core.filters import slow
from matcher.lab.synthesis.sides import MARGIN, PAPER

FAINTEST = 0.05
"""Share of its tones that the most faded side keeps."""

GROUPS = 8
"""Parts of a batch, each taken at one resolution, one sharpness and one quality of file."""


@dataclass(frozen=True)
class Drawn:
    """Sides on the device. grey: (n, h, w) uint8 as `Side.grey`; worn: whether ageing is drawn on it already."""

    grey: torch.Tensor
    back: torch.Tensor
    blank: torch.Tensor
    worn: torch.Tensor


def seen_otherwise(sides: Drawn, boards: torch.Tensor, upright: torch.Tensor) -> list[torch.Tensor]:
    """Whole, head and foot of each side, faded, stained and photographed anew; boards: (k, h, w) uint8 bare backs;
    upright: (n,) bool, whether it is shown so."""
    grey = _aged(sides, boards)
    grey = _outlined(grey)
    grey = _lit(grey)
    grey = torch.cat([_taken(part) for part in grey.chunk(GROUPS)])
    return prepared(torch.where(upright[:, None, None], grey, grey.flip((1, 2))))


def prepared(grey: torch.Tensor) -> list[torch.Tensor]:
    """`orientation.prepared` of (n, *SHAPE) levels: whole, head and foot, each (n, 2, h, w)."""
    rows, columns = (_on(grey, _smaller(a, b)) for a, b in zip(SHAPE, WHOLE, strict=True))
    whole = torch.round(rows @ grey @ columns.T)
    head, foot = (_evened(strip, STRIP_WINDOW_PX, 2) for strip in (grey[:, :STRIP], grey[:, -STRIP:]))
    return [_evened(whole, WHOLE_WINDOW_PX, 8), head, foot]


def _evened(grey: torch.Tensor, window_px: float, rim: int) -> torch.Tensor:
    within = grey[:, rim:-rim:2, rim:-rim:2].flatten(1)
    low, high = torch.quantile(within, torch.tensor([0.02, 0.98], device=grey.device), dim=1)[:, :, None, None]
    tones = (grey - (low + high) / 2) / (high - low).clamp(min=LEAST_RANGE)
    rows, columns = (_on(grey, slow_along(side, window_px)) for side in grey.shape[1:])
    detail = grey - rows @ grey @ columns.T
    contrast = (rows @ (detail * detail) @ columns.T).clamp(min=0).sqrt()
    usual = contrast.flatten(1).median(dim=1).values[:, None, None]
    return torch.stack([tones.clamp(-1.5, 1.5), (detail / (contrast + 0.5 * usual + 0.6)).clamp(-4, 4)], dim=1)


def _aged(sides: Drawn, boards: torch.Tensor) -> torch.Tensor:
    """Faded and stained; those on which that is drawn already seldom and less."""
    grey = sides.grey.float()
    n, device = len(grey), grey.device
    inner = (slice(None), slice(MARGIN, -MARGIN), slice(MARGIN, -MARGIN))
    card = grey[inner]
    least = torch.where(sides.worn, 0.3, FAINTEST)
    share = torch.exp(_uniform(n, device) * torch.log(least))
    down, across = _places(device)
    slope = 0.8 * _uniform(n, device, 2) - 0.4
    fade = share[:, None, None] * (1 + slope[:, :1, None] * across + slope[:, 1:, None] * down)
    fade = fade.clamp(0.04, 1.0)
    as_drawn = sides.back | (sides.worn & (_uniform(n, device) < 0.5))
    card = torch.where(as_drawn[:, None, None], card, PAPER + (card - PAPER) * fade)
    stains = boards[torch.randint(len(boards), (n,), device=device)][inner].float()
    stains = torch.where(_chance(n, device, 0.5), stains.flip((1, 2)), stains)
    stained = ~sides.blank & ~(sides.worn & (_uniform(n, device) < 0.8))
    even = torch.ones((), device=device)
    card = card * torch.where(stained[:, None, None], stains / stains.mean((1, 2), keepdim=True), even)
    grey = grey.clone()
    grey[inner] = card
    return grey.clamp(0, 255)


def _outlined(grey: torch.Tensor) -> torch.Tensor:
    """(n, *SHAPE): cut out by four corners a little off, now and then well inside."""
    n, device = len(grey), grey.device
    spread = torch.where(_uniform(n, device) < 0.5, 1.3, 3.0)[:, None, None]
    corners = torch.tensor([[0, 0], [SHAPE[1], 0], [SHAPE[1], SHAPE[0]], [0, SHAPE[0]]], device=device).float()
    inwards = torch.tensor([[1.0, 1], [-1, 1], [-1, -1], [1, -1]], device=device)
    off = spread * torch.randn(n, 4, 2, device=device)
    off = off + _chance(n, device, 0.15) * 16 * _uniform(n, device, 8).reshape(n, 4, 2) * inwards
    places = _through(corners.expand(n, 4, 2), corners + MARGIN + off)
    size = torch.tensor(grey.shape[:0:-1], device=device)
    grid = 2 * places / size - 1
    seen = functional.grid_sample(grey[:, None], grid, padding_mode="border", align_corners=False)
    return seen[:, 0]


def _through(one: torch.Tensor, other: torch.Tensor) -> torch.Tensor:
    """(n, *SHAPE, 2): where the pixels of a rectangle lie that a perspective takes from corners `one` to `other`,
    (n, 4, 2)."""
    n, device = len(one), one.device
    x, y, u, v = one[..., 0], one[..., 1], other[..., 0], other[..., 1]
    zero, unit = torch.zeros_like(x), torch.ones_like(x)
    across = torch.stack([x, y, unit, zero, zero, zero, -u * x, -u * y], dim=2)
    down = torch.stack([zero, zero, zero, x, y, unit, -v * x, -v * y], dim=2)
    found = torch.linalg.solve(torch.cat([across, down], 1).double(), torch.cat([u, v], 1).double()).float()
    move = torch.cat([found, torch.ones(n, 1, device=device)], 1).reshape(n, 3, 3)
    rows, columns = (torch.arange(side, device=device) + 0.5 for side in SHAPE)
    points = torch.stack([*torch.meshgrid(columns, rows, indexing="xy"), torch.ones(SHAPE, device=device)], dim=2)
    placed = torch.einsum("nij,hwj->nhwi", move, points)
    return placed[..., :2] / placed[..., 2:]


def _lit(grey: torch.Tensor) -> torch.Tensor:
    """A slope of light, a spot of glare, a finger over a corner."""
    n, device = len(grey), grey.device
    down, across = _places(device)
    turn, depth = 2 * np.pi * _uniform(n, device)[:, None, None], 0.35 * _uniform(n, device)[:, None, None]
    depth = depth * _chance(n, device, 0.6)
    grey = grey * (1 + depth * (torch.cos(turn) * across + torch.sin(turn) * down))
    x, y, size = (a + b * _uniform(n, device)[:, None, None] for a, b in ((-1, 2), (-1, 2), (0.5, 2.5)))
    spot = torch.exp(-((across - x) ** 2 / 0.3 + (down - y) ** 2 / 0.1) * size) * _chance(n, device, 0.15)
    grey = grey + (255 - grey) * (0.3 + 0.7 * _uniform(n, device)[:, None, None]) * spot
    x, y = (torch.where(_chance(n, device, 0.5), 1.0, -1.0) for _ in range(2))
    wide, high, tone = (a + b * _uniform(n, device)[:, None, None] for a, b in ((0.2, 0.5), (0.15, 0.3), (60, 160)))
    finger = (((across - x) / wide) ** 2 + ((down - y) / high) ** 2 < 1) & _chance(n, device, 0.08)
    return torch.where(finger, tone, grey)


def _taken(grey: torch.Tensor) -> torch.Tensor:
    """At one resolution, of 2 to more pixels a mm; blurred, with another gamma, noise, and what a file leaves."""
    n, device = len(grey), grey.device
    share = float(np.exp(np.random.uniform(np.log(0.33), np.log(1.6))))
    if share < 1:
        rows, columns = (_on(grey, _smaller(side, round(side * share))) for side in SHAPE)
        grey = rows @ grey @ columns.T
    grey = _blurred(grey, float(np.random.uniform(0.3, 1.5)))
    gamma = torch.exp(0.25 * torch.randn(n, 1, 1, device=device))
    grey = 255 * (grey.clamp(1, 255) / 255) ** gamma
    grey = grey + torch.randn_like(grey) * (0.2 + 3.3 * _uniform(n, device)[:, None, None])
    if np.random.random() < 0.6:
        grey = _filed(grey, float(np.random.uniform(60, 95)))
    grey = grey.clamp(0, 255).floor()
    if share < 1:
        grey = functional.interpolate(grey[:, None], SHAPE, mode="bilinear", align_corners=False)[:, 0].round()
    return grey


def _blurred(grey: torch.Tensor, sigma: float) -> torch.Tensor:
    reach = max(1, round(3 * sigma))
    steps = torch.arange(-reach, reach + 1, device=grey.device).float()
    kernel = torch.exp(-0.5 * (steps / sigma) ** 2)
    kernel = kernel / kernel.sum()
    padded = functional.pad(grey[:, None], (reach, reach, reach, reach), mode="reflect")
    return functional.conv2d(functional.conv2d(padded, kernel[None, None, None]), kernel[None, None, :, None])[:, 0]


def _filed(grey: torch.Tensor, quality: float) -> torch.Tensor:
    """What JPEG leaves (ITU-T T.81): blocks of 8, their cosines in steps as its annex K has them for luminance."""
    high, wide = grey.shape[1:]
    padded = functional.pad(grey[:, None], (0, -wide % 8, 0, -high % 8), mode="replicate")[:, 0] - 128
    n, rows, columns = padded.shape
    blocks = padded.reshape(n, rows // 8, 8, columns // 8, 8).transpose(2, 3)
    cosines = _on(grey, _COSINES)
    scale = 50 / quality if quality < 50 else 2 - quality / 50
    steps = (_on(grey, _STEPS) * scale).round().clamp(min=1)
    kept = torch.round(cosines @ blocks @ cosines.T / steps) * steps
    back = (cosines.T @ kept @ cosines).transpose(2, 3).reshape(n, rows, columns) + 128
    return back[:, :high, :wide]


_STEPS = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
    ],
    np.float32,
)  # fmt: skip
_COSINES = np.asarray(
    np.sqrt(np.where(np.arange(8)[:, None] == 0, 1, 2) / 8)
    * np.cos(np.pi * np.arange(8)[:, None] * (2 * np.arange(8)[None] + 1) / 16),
    np.float32,
)


@lru_cache(maxsize=1024)
def _smaller(side: int, to: int) -> NDArray[np.float32]:
    """(to, side): OpenCV's reduction by areas along one axis."""
    every = np.eye(side, dtype=np.float32)[:, :, None].repeat(4, 2)  # an image a pixel, four columns wide
    shrunk = [cv2.resize(one, (4, to), interpolation=cv2.INTER_AREA)[:, 0] for one in every]
    return np.stack(shrunk, axis=1).astype(np.float32)


@lru_cache(maxsize=64)
def slow_along(side: int, sigma: float) -> NDArray[np.float32]:
    """(side, side): `filters.slow` along one axis."""
    every = np.eye(side, dtype=np.float32)[:, :, None].repeat(64, 2)
    return np.stack([slow(one, sigma)[:, 32] for one in every], axis=1).astype(np.float32)


def _on(like: torch.Tensor, values: NDArray[np.float32]) -> torch.Tensor:
    """The numbers on a tensor's device."""
    return torch.from_numpy(values).to(like.device, non_blocking=True)


def _places(device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Down and across the card, -1 to 1, (h, 1) and (1, w)."""
    return torch.linspace(-1, 1, SHAPE[0], device=device)[:, None], torch.linspace(-1, 1, SHAPE[1], device=device)[None]


def _uniform(n: int, device: torch.device, *more: int) -> torch.Tensor:
    return torch.rand(n, *more, device=device)


def _chance(n: int, device: torch.device, share: float) -> torch.Tensor:
    """(n, 1, 1) bool."""
    return torch.rand(n, 1, 1, device=device) < share
