"""Greys in, what the movement network is given of them out, as tensors on the device. Needs PyTorch.

The same as `network_input` and `toned` make of one picture, for a whole batch that was varied on the device: these
would have to go back and forth for every step. Tensors are (n, height, width), greys 0 to 255.
"""

from __future__ import annotations

import torch
from torch.nn import functional

from matcher.core.ladder.change_detector import WINDOW_PX
from matcher.core.ladder.movement import CELL, TONE_LIMIT
from matcher.lab.training.orientation_views_network import slow_along

STEP = 4
"""Every fourth pixel tells of contrast and tones, as in `network_input` and `toned`."""

Given = tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]
"""What the network is asked with: query, reference, noise, shown."""


def given(greys: torch.Tensor, shown: torch.Tensor) -> Given:
    """greys: (n, 2, h, w), registered pairs; shown: (n, rows, columns), 1 where both are shown."""
    faces, noise = as_given(greys.flatten(0, 1))
    wide = functional.interpolate(shown[:, None], scale_factor=float(CELL), mode="nearest")
    faces = faces.unflatten(0, (len(greys), 2)) * wide[:, None]
    return faces[:, 0], faces[:, 1], noise.view(-1, 2), shown[:, None]


def as_given(greys: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """(n, 2, h, w), detail at equal contrast and tone, and (n,) noise: `network_input` and `toned` of each grey."""
    detail = greys - slow(greys)
    contrast = slow(detail * detail).clamp(min=0).sqrt()
    typical = contrast[:, ::STEP, ::STEP].flatten(1).median(1).values
    even = (detail / (contrast + (0.5 * typical + 0.3)[:, None, None])).clamp(-5, 5)
    return torch.stack([even, _toned(greys)], 1), torch.log((_noise(greys) + 0.05) / (typical + 0.3))


def slow(values: torch.Tensor) -> torch.Tensor:
    """`matcher.core.filters.slow` of the window of `network_input`, which works along either axis by itself."""
    down, across = (torch.from_numpy(slow_along(side, WINDOW_PX)).to(values.device) for side in values.shape[1:])
    return down @ values @ across.T


def _noise(greys: torch.Tensor) -> torch.Tensor:
    mask = torch.tensor([[1.0, -2, 1], [-2, 4, -2], [1, -2, 1]], device=greys.device)
    rough = functional.conv2d(greys[:, None], mask[None, None])[:, 0, 1:-1:2, 1:-1:2].abs()
    return rough.flatten(1).median(1).values * 1.4826 / 6


def _toned(greys: torch.Tensor) -> torch.Tensor:
    tones = greys[:, ::STEP, ::STEP].flatten(1)
    low, middle, high = torch.quantile(tones, torch.tensor([0.25, 0.5, 0.75], device=greys.device), 1)
    return ((greys - middle[:, None, None]) / (high - low + 8)[:, None, None]).clamp(-TONE_LIMIT, TONE_LIMIT)
