"""The network of letters learns what a difference is, whatever is done to the windows that it is shown."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from matcher.lab.training.drawn_store_network import Course  # noqa: E402
from matcher.lab.training.letter_network import LetterNetwork, loss_of, taught, varied  # noqa: E402
from matcher.lab.training.letter_pairs import Shown  # noqa: E402


def shown(rng: np.random.Generator, count: int = 40) -> list[Shown]:
    """Grain on both cards; on half of them a bar that only one has."""
    windows = []
    for number in range(count):
        pair, told = rng.normal(0, 0.2, (2, 40, 64)).astype(np.float32), np.zeros((20, 32), np.float32)
        if number % 2:
            row, column = 2 * int(rng.integers(4, 12)), 2 * int(rng.integers(4, 24))
            pair[0, row : row + 8, column : column + 6] += 3
            told[row // 2 : row // 2 + 4, column // 2 : column // 2 + 3] = 1
        windows.append((pair, np.array([-3.0, -3.0], np.float32), told))
    return windows


def drawn(rng: np.random.Generator) -> Iterator[list[Shown]]:
    while True:
        yield shown(rng)


def test_it_learns_where_two_windows_differ() -> None:
    torch.manual_seed(1)
    course = Course(minutes=0.2, rate=2e-2, batch=16, room=400, first=80, device="cpu", seed=1, mean=0.95)
    learnt = taught(LetterNetwork(8, 12, 16), drawn(np.random.default_rng(1)), course)
    assert learnt.steps > 10
    assert learnt.windows >= 80
    windows = shown(np.random.default_rng(9))
    pair, noise, told = (torch.from_numpy(np.stack(part)) for part in zip(*windows, strict=True))
    with torch.no_grad():
        odds = learnt.network(pair, noise)
    assert odds.shape == told.shape
    assert float(odds[told == 1].mean()) > float(odds[told == 0].mean()) + 1


def test_a_window_of_an_odd_size_is_answered_too() -> None:
    with torch.no_grad():
        odds = LetterNetwork(8, 12, 16)(torch.zeros(1, 2, 46, 74), torch.zeros(1, 2))
    assert odds.shape == (1, 23, 37)


def test_variations_keep_what_differs_where_it_is() -> None:
    pair, noise, told = (
        torch.from_numpy(np.stack(part)) for part in zip(*shown(np.random.default_rng(3)), strict=True)
    )
    torch.manual_seed(2)
    moved, noisier, answer = varied(pair.half(), noise, told.to(torch.uint8))
    assert moved.shape == pair.shape
    assert bool((noisier >= noise - 1e-3).all())
    apart = torch.nn.functional.avg_pool2d((moved[:, 0] - moved[:, 1]).abs()[:, None], 2)[:, 0]
    assert float(apart[answer == 1].mean()) > 3 * float(apart[answer == 0].mean())


def test_what_cannot_be_told_counts_for_nothing() -> None:
    odds = torch.zeros(1, 4, 4)
    told = torch.zeros(1, 4, 4)
    told[0, 0, 0] = 2
    other = odds.clone()
    other[0, 0, 0] = -9
    assert float(loss_of(odds, told)) >= float(loss_of(other, told)) - 1e-6
    assert float(loss_of(odds, torch.full((1, 4, 4), 2.0))) == 0
