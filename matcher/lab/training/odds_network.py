"""How the odds of one negative are learnt from cards: `CardPairs` in, the network's judges out. Needs PyTorch.

Only a `CardJudge` is learnt, one after another: what each spot shows stays as it was, and with it what is told of
damage. Each pair is seen many times over, mirrored, the other way round, and noisier; some judges see each face in
other tones, softer and a little out of place as well.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import torch
from torch import nn
from torch.nn import functional

from matcher.lab.training.card_pairs import CardPairs
from matcher.lab.training.device_input_network import Given, given
from matcher.lab.training.drawn_store_network import pace
from matcher.lab.training.movement_network import PANELS, CardJudge, MovementNetwork

NOISIER, NOISE = 0.3, 4.0
"""How often a face is given noise beside its own, and its largest standard deviation, grey levels; own choice."""


@dataclass(frozen=True)
class Lesson:
    """Pairs on a device, of which both answers are asked equally often: chance is how often each is."""

    greys: torch.Tensor
    shown: torch.Tensor
    same: torch.Tensor
    chance: torch.Tensor

    @classmethod
    def of(cls, pairs: CardPairs, device: str) -> Lesson:
        """Raises ValueError where one of both answers is never right."""
        if not 0 < (pairs.same * pairs.weight > 0).sum() < (pairs.weight > 0).sum():
            raise ValueError("of one negative, or of two, there is no pair: draw more --references of more pictures")
        greys, shown = (torch.from_numpy(one).to(device) for one in (pairs.greys, pairs.shown))
        same = torch.from_numpy(pairs.same).float().to(device)
        weight = torch.from_numpy(pairs.weight).to(device)
        each = torch.where(same > 0, (weight * same).sum(), (weight * (1 - same)).sum())
        return cls(greys, shown, same, weight / each)

    def batch(self, size: int, vary: bool = False) -> tuple[Given, torch.Tensor]:
        """What the network is given of pairs at random, and the truth. vary: each face by itself, see `varied`."""
        chosen = torch.multinomial(self.chance, size, replacement=True)
        parts = self.greys[chosen].float(), self.shown[chosen].float()
        greys, shown = (part.flip(-1) for part in parts) if torch.rand(1) < 0.5 else parts
        greys = greys.flip(1) if torch.rand(1) < 0.5 else greys
        greys = varied(greys) if vary else greys
        return given(noisier(greys), shown), self.same[chosen]


def noisier(greys: torch.Tensor) -> torch.Tensor:
    """(n, 2, h, w): some faces with noise beside their own."""
    some = (torch.rand(*greys.shape[:2], 1, 1, device=greys.device) < NOISIER).float()
    return greys + NOISE * some * torch.rand(1, device=greys.device) * torch.randn_like(greys)


def varied(greys: torch.Tensor) -> torch.Tensor:
    """(n, 2, h, w): some faces in other tones, some softer, some a little out of place, as other hands print them and
    as they are registered when little ties them together. All amounts are own choices."""
    faces = greys.flatten(0, 1)[:, None] / 255

    def some(share: float) -> torch.Tensor:
        return torch.rand(len(faces), 1, 1, 1, device=faces.device) < share

    def factor(spread: float) -> torch.Tensor:
        return torch.exp(spread * torch.randn(len(faces), 1, 1, 1, device=faces.device))

    faces = torch.where(some(0.4), faces.clamp(1e-3, 1) ** factor(0.35), faces)
    harder = torch.sigmoid(4 * factor(0.25) * (faces - faces.mean((2, 3), keepdim=True)))
    faces = torch.where(some(0.3), harder, faces)
    soft = functional.avg_pool2d(functional.pad(faces, (1, 1, 1, 1), mode="replicate"), 3, 1)
    faces = torch.where(some(0.3), torch.lerp(faces, soft, torch.rand_like(faces[:, :, :1, :1])), faces)
    return 255 * _displaced(faces, some(0.3)[:, 0].float()).view_as(greys)


def _displaced(faces: torch.Tensor, which: torch.Tensor) -> torch.Tensor:
    """Those faces moved by 0.8 pixels (one standard deviation) and turned, stretched and slanted by 0.0015."""
    number, _, height, width = faces.shape
    pixel = torch.tensor([2 / width, 2 / height], device=faces.device)
    over = torch.eye(2, 3, device=faces.device).repeat(number, 1, 1)
    over[:, :, 2] += which[:, 0] * 0.8 * torch.randn(number, 2, device=faces.device) * pixel
    over[:, :, :2] += which * 0.0015 * torch.randn(number, 2, 2, device=faces.device)
    grid = functional.affine_grid(over, list(faces.shape), align_corners=False)
    return functional.grid_sample(faces, grid, padding_mode="border", align_corners=False)


def learn_judges(
    network: MovementNetwork, pairs: CardPairs, device: str, minutes: float, rate: float, batch: int
) -> list[int]:
    """Judges learnt anew, each so many minutes, in place of the network's; returns the steps of each."""
    panels, steps = nn.ModuleList(), []
    for panel in PANELS:
        lesson, learnt = Lesson.of(pairs.drawn_by(panel.hands), device), nn.ModuleList()
        for shape in panel.judges:
            judge = CardJudge(shape).to(device)
            network.panels = nn.ModuleList([nn.ModuleList([judge])])
            steps.append(learn_odds(network, judge, lesson, minutes, rate, batch, shape.varied))
            learnt.append(judge)
        panels.append(learnt)
    network.panels = panels
    return steps


def learn_odds(
    network: MovementNetwork,
    judge: CardJudge,
    lesson: Lesson,
    minutes: float,
    rate: float,
    batch: int,
    vary: bool = False,
) -> int:
    """Learn this judge until the time is up, the pace falling with it; returns the steps."""
    network.eval().requires_grad_(False)
    judge.train().requires_grad_(True)
    optimiser = torch.optim.AdamW(judge.parameters(), rate, weight_decay=1e-2)
    device = lesson.greys.device.type
    began, step = time.monotonic(), 0
    while (share := (time.monotonic() - began) / (60 * minutes)) < 1:
        pace(optimiser, rate, share, step)
        with torch.no_grad():
            asked, same = lesson.batch(batch, vary)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            _, odds = network(*asked)
        loss = functional.binary_cross_entropy_with_logits(odds.float(), same)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(judge.parameters(), 1.0)
        optimiser.step()
        step += 1
    return step
