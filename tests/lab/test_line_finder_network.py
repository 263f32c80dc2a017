"""The finder of lines learns from what it is shown, is asked about nothing that is left open, and keeps no weight that
makes a processor slow."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from matcher.lab.training.drawn_store_network import Course  # noqa: E402
from matcher.lab.training.line_finder_network import (  # noqa: E402
    as_seen,
    flushed,
    loss_of,
    taught,
    tensors,
    varied,
)
from matcher.lab.training.line_strips import COLUMNS, CORE, NOTHING, OPEN, ROWS, Strip  # noqa: E402


class Threshold(torch.nn.Module):
    """As the library's graph is asked, and so small that it learns in a second: how dark each pixel is."""

    def __init__(self) -> None:
        super().__init__()
        self.map = torch.nn.Conv2d(3, 1, 1)
        torch.nn.init.zeros_(self.map.weight)
        torch.nn.init.constant_(self.map.bias, -2.0)

    def raw(self, picture: torch.Tensor) -> torch.Tensor:
        return self.map(picture)


def strips() -> Iterator[list[Strip]]:
    """A dark bar on white is a line."""
    grey, told = np.full((ROWS, COLUMNS), 230, np.uint8), np.full((ROWS, COLUMNS), NOTHING, np.uint8)
    grey[60:80, 100:300], told[60:80, 100:300] = 20, CORE
    return repeat([Strip(grey, told)] * 4)


def test_it_learns_what_is_a_line() -> None:
    learnt = taught(Threshold(), strips(), Course(0.1, 20.0, 4, 8, 4, "cpu", 1, mean=0.5))
    assert learnt.steps > 0
    assert learnt.strips >= 4
    seen = learnt.network.raw(as_seen(tensors(next(strips()))[0].float() / 255))[0, 0]
    assert float(seen[70, 200]) > 0 > float(seen[20, 20])


def test_what_is_left_open_or_was_a_line_s_before_is_not_asked_about() -> None:
    logits = torch.full((1, ROWS, COLUMNS), -4.0)
    wanted = torch.full((1, ROWS, COLUMNS), NOTHING)
    wanted[:, 60:80, 100:300] = CORE
    logits[:, 60:80, 100:300] = 4.0
    known = torch.zeros((1, ROWS, COLUMNS), dtype=torch.bool)
    right = float(loss_of(logits, wanted, known))
    logits[:, 100:120, 100:300] = 4.0
    assert float(loss_of(logits, wanted, known)) > right + 0.1
    for open_, before in ((OPEN, False), (NOTHING, True)):
        wanted[:, 100:120], known[:, 100:120] = open_, before
        assert float(loss_of(logits, wanted, known)) == pytest.approx(right, abs=0.03)


def test_pictures_stay_pictures_however_they_are_varied() -> None:
    torch.manual_seed(1)
    some = varied(torch.rand(8, 32, 64))
    assert some.shape == (8, 32, 64)
    assert 0 <= float(some.min()) <= float(some.max()) <= 1


def test_weights_next_to_nothing_are_nothing() -> None:
    network = torch.nn.Conv2d(1, 2, 1)
    with torch.no_grad():
        network.weight[:] = torch.tensor([1e-39, 0.5])[:, None, None, None]
    assert flushed(network).weight.flatten().tolist() == [0.0, 0.5]  # type: ignore[type-var]
