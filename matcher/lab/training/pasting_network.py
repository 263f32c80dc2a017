"""Registered greys in, the same with fresh flat patches upon either, in other tones, as the network is given them, out.

A patch on one card says nothing of the exposure: a pair of one negative stays one, two exposures stay two as long as
what has moved can still be seen. So many patches as can be made on the device stand for each card that was drawn.
Everything is in tensors of (n, height, width), greys 0 to 255. Needs PyTorch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import torch
from torch.nn import functional

from matcher.core.ladder.change_detector import WINDOW_PX
from matcher.core.ladder.movement import CELL, TONE_LIMIT

STEP = 4
"""Every fourth pixel tells of contrast and tones, as in `network_input` and `toned`."""


def gaussian(sigma: float, device: torch.device) -> torch.Tensor:
    """A kernel as long as OpenCV's for floats."""
    half = round(4 * sigma)
    places = torch.arange(-half, half + 1, device=device, dtype=torch.float32)
    kernel = torch.exp(-((places / sigma) ** 2) / 2)
    return kernel / kernel.sum()


def blurred(values: torch.Tensor, sigma: float) -> torch.Tensor:
    """(n, h, w), mirrored at its edges."""
    kernel = gaussian(sigma, values.device)
    half = len(kernel) // 2
    wide = functional.pad(values[:, None], (half, half, half, half), "reflect")
    across = functional.conv2d(wide, kernel[None, None, None])
    return functional.conv2d(across, kernel[None, None, :, None])[:, 0]


def slow(values: torch.Tensor) -> torch.Tensor:
    """`matcher.core.filters.slow` of the window of `network_input`; height and width are multiples of STEP."""
    small = blurred(functional.avg_pool2d(values[:, None], STEP)[:, 0], WINDOW_PX / STEP)
    wide = functional.interpolate(small[:, None], size=values.shape[1:], mode="bilinear", align_corners=False)
    return wide[:, 0]


def as_given(greys: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """(n, 2, h, w), detail at equal contrast and tone, and (n,) noise: `network_input` and `toned` of each grey."""
    detail = greys - slow(greys)
    contrast = slow(detail * detail).clamp(min=0).sqrt()
    typical = contrast[:, ::STEP, ::STEP].flatten(1).median(1).values
    even = (detail / (contrast + (0.5 * typical + 0.3)[:, None, None])).clamp(-5, 5)
    mask = torch.tensor([[1.0, -2, 1], [-2, 4, -2], [1, -2, 1]], device=greys.device)
    rough = functional.conv2d(greys[:, None], mask[None, None])[:, 0, 1:-1:2, 1:-1:2].abs()
    noise = rough.flatten(1).median(1).values * 1.4826 / 6
    tones = greys[:, ::STEP, ::STEP].flatten(1)
    low, middle, high = torch.quantile(tones, torch.tensor([0.25, 0.5, 0.75], device=greys.device), 1)
    tone = ((greys - middle[:, None, None]) / (high - low + 8)[:, None, None]).clamp(-TONE_LIMIT, TONE_LIMIT)
    return torch.stack([even, tone], 1), torch.log((noise + 0.05) / (typical + 0.3))


def uniform(like: torch.Tensor, low: float, high: float) -> torch.Tensor:
    """(n, 1, 1) of numbers at random."""
    return low + (high - low) * torch.rand(len(like), 1, 1, device=like.device)


def logarithmic(like: torch.Tensor, low: float, high: float) -> torch.Tensor:
    return uniform(like, math.log(low), math.log(high)).exp()


def perhaps(like: torch.Tensor, chance: float) -> torch.Tensor:
    """(n, 1, 1), 1 as often as that, else 0."""
    return (torch.rand(len(like), 1, 1, device=like.device) < chance).float()


def waves(like: torch.Tensor, cells: int) -> torch.Tensor:
    """(n, h, w) smooth noise of standard deviation about 1, so many cells high."""
    height, width = like.shape[1:]
    few = torch.randn(len(like), 1, cells, max(2, cells * width // height), device=like.device)
    return 1.3 * functional.interpolate(few, size=(height, width), mode="bicubic", align_corners=False)[:, 0]


SMALLEST, LARGEST = 3.0, 125.0
"""Radius of a patch, pixels: pins to labels of 25 mm."""


@dataclass
class Paster:
    """Lays patches on greys. written: (m, h, w) uint8, sheets of words and scribbles that labels bear."""

    written: torch.Tensor

    @classmethod
    def of(cls, size: tuple[int, int], device: str, sheets: int = 96) -> Paster:
        rng = np.random.default_rng(1)
        return cls(torch.from_numpy(np.stack([_sheet(size, rng) for _ in range(sheets)])).to(device))

    def __call__(self, greys: torch.Tensor, chance: float) -> tuple[torch.Tensor, torch.Tensor]:
        """The greys with one to three patches on so many of them, and (n, h, w) 0..1, where these lie."""
        greys, covered = greys.clone(), torch.zeros_like(greys)
        hurt = torch.arange(len(greys), device=greys.device)
        for share in (chance, 0.6, 0.4):
            hurt = hurt[torch.rand(len(hurt), device=greys.device) < share]
            if len(hurt):
                greys[hurt], mask = self.laid(greys[hurt])
                covered[hurt] = torch.maximum(covered[hurt], mask)
        return greys, covered

    def laid(self, greys: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """One patch on each grey, and where it lies."""
        far, radius, turn = self.outlined(greys)
        soft = logarithmic(greys, 0.3, 2.5)
        mask = torch.sigmoid(((1 - far) * radius / soft).clamp(-30, 30))
        peeled = (2.5 * waves(greys, 40) + uniform(greys, 0, 2)).clamp(0, 1)
        mask = torch.where(perhaps(greys, 0.15) > 0, mask * peeled, mask)
        edge = torch.exp(-((((far - 1) * radius) / logarithmic(greys, 1, 6)) ** 2)) * (far > 1)
        lit = torch.where(perhaps(greys, 0.5) > 0, torch.cos(turn - uniform(greys, 0, 6.3)).clamp(min=0), 1.0)
        shade = edge * lit * perhaps(greys, 0.6) * uniform(greys, -0.45, 0.3)
        rounded = greys * (1 + shade)
        opaque = mask * torch.where(perhaps(greys, 0.8) > 0, 1.0, uniform(greys, 0.55, 1))
        return rounded + (self.surface(greys, mask) - rounded) * opaque, mask

    def outlined(self, greys: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Distance from a patch's middle, 1 at its outline; its radius in pixels; and the angle about it."""
        height, width = greys.shape[1:]
        rows = torch.arange(height, device=greys.device, dtype=torch.float32)[None, :, None]
        columns = torch.arange(width, device=greys.device, dtype=torch.float32)[None, None]
        radius = logarithmic(greys, SMALLEST, LARGEST)
        x, y = uniform(greys, 0, 1), uniform(greys, 0, 1)
        x = torch.where(perhaps(greys, 0.15) > 0, x.round(), x)
        y = torch.where(perhaps(greys, 0.15) > 0, y.round(), y)
        right, down, turn = columns - width * x, rows - height * y, uniform(greys, 0, 3.15)
        turn = torch.where(perhaps(greys, 0.5) > 0, 0.15 * (turn - 1.57), turn)
        longer = torch.where(perhaps(greys, 0.2) > 0, uniform(greys, 4, 60), (0.5 * torch.randn_like(turn)).exp())
        wide = radius * torch.where(longer > 4, 1.0, longer.sqrt())
        tall = torch.where(longer > 4, (radius / longer).clamp(min=1.5), radius / longer.sqrt())
        u = (right * turn.cos() + down * turn.sin()) / wide
        v = (down * turn.cos() - right * turn.sin()) / tall
        power = torch.where(perhaps(greys, 0.4) > 0, uniform(greys, 8, 20), uniform(greys, 0.8, 3))
        far = (u.abs().clamp(1e-4, 20) ** power + v.abs().clamp(1e-4, 20) ** power) ** (1 / power)
        angle = torch.atan2(v, u)
        sides = torch.randint(3, 8, (len(greys), 1, 1), device=greys.device).float()
        polygon = (u * u + v * v).sqrt() / (math.pi / sides).cos() * torch.cos(
            (angle + 3.1416) % (2 * math.pi / sides) - math.pi / sides
        )
        far = torch.where(perhaps(greys, 0.25) > 0, polygon, far)
        rough = waves(greys, 14) * uniform(greys, 0, 0.3) + waves(greys, 60) * uniform(greys, 0, 0.12)
        return far + rough * perhaps(greys, 0.6), torch.minimum(wide, tall), torch.atan2(down, right)

    def surface(self, greys: torch.Tensor, mask: torch.Tensor) -> torch.Tensor:
        """What the patches show: flat or nearly, as grey as what they cover, as something else, or anything."""
        count = len(greys)
        own = (greys * mask).sum((1, 2), keepdim=True) / (mask.sum((1, 2), keepdim=True) + 1e-3)
        flat = greys.flatten(1)
        other = flat.gather(1, torch.randint(flat.shape[1], (count, 1), device=greys.device))[..., None]
        ends = torch.where(perhaps(greys, 0.5) > 0, flat.amax(1)[:, None, None], flat.amin(1)[:, None, None])
        kind = uniform(greys, 0, 1)
        tone = torch.where(kind < 0.45, own + 22 * torch.randn_like(kind), other)
        tone = torch.where(kind > 0.72, ends, tone)
        tone = torch.where(kind > 0.85, uniform(greys, 0, 255), tone)
        slope = waves(greys, 3) * uniform(greys, 0, 12) * perhaps(greys, 0.5)
        noise = torch.randn_like(greys)
        grain = torch.where(perhaps(greys, 0.5) > 0, noise, 2 * blurred(noise, 1.0)) * logarithmic(greys, 0.3, 7)
        sheet = self.written[torch.randint(len(self.written), (count,), device=greys.device)].float() / 255
        sheet = torch.roll(sheet, (int(torch.randint(500, (1,))), int(torch.randint(300, (1,)))), (1, 2))
        words = sheet * perhaps(greys, 0.25) * torch.where(perhaps(greys, 0.7) > 0, -1.0, 1.0) * uniform(greys, 20, 140)
        return (tone + slope + grain + words).clamp(0, 255)


def _sheet(size: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Words of one type and size over a whole sheet, uint8."""
    sheet, scale, y = np.zeros(size, np.uint8), float(rng.uniform(0.35, 1.6)), 0.0
    type_, thick = int(rng.integers(0, 8)), int(rng.integers(1, 3))
    while y < size[0]:
        y += 30 * scale * rng.uniform(0.9, 1.6)
        word = "".join(rng.choice(list("abcdefghiklmnoprstuvwxyz  ABCDEFGHLMNPRST0123456789.,'"), 40))
        cv2.putText(sheet, word, (int(rng.integers(-20, 20)), int(y)), type_, scale, 255, thick, cv2.LINE_AA)
    return sheet


def retoned(greys: torch.Tensor) -> torch.Tensor:
    """Some overexposed until their lights burn out, some pale, some with a tone curve of their own, some softer."""
    light = greys / 255
    curve = light.clamp(1e-4, 1) ** logarithmic(greys, 0.55, 1.8)
    light = torch.where(perhaps(greys, 0.25) > 0, curve, light)
    light = torch.where(perhaps(greys, 0.15) > 0, light * uniform(greys, 1, 1.7), light)
    pale = uniform(greys, 0.4, 0.8)
    light = torch.where(perhaps(greys, 0.1) > 0, (light - 0.5) * pale * uniform(greys, 0.4, 1) + pale, light)
    light = torch.where(perhaps(greys, 0.1) > 0, blurred(light, 1.0), light)
    return (255 * light).round().clamp(0, 255)


def windowed(shown: torch.Tensor, chance: float) -> torch.Tensor:
    """(n, rows, columns): of some pairs a side is not shown, as of a card in another window or trimmed."""
    rows, columns = shown.shape[1:]
    down = torch.linspace(0, 1, rows, device=shown.device)[None, :, None]
    across = torch.linspace(0, 1, columns, device=shown.device)[None, None]
    cut = 0.3 * perhaps(shown, chance)
    left, right, top, low = (cut * uniform(shown, -1, 1).clamp(min=0) for _ in range(4))
    inside = (across >= left) & (across <= 1 - right) & (down >= top) & (down <= 1 - low)
    return shown * inside


def in_cells(covered: torch.Tensor) -> torch.Tensor:
    """(n, h, w) to (n, h / CELL, w / CELL)."""
    return functional.avg_pool2d(covered[:, None], CELL)[:, 0]
