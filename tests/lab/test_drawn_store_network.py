"""What was drawn to learn from: the oldest makes room, and the pace of learning is half a cosine.

Source of the pace: Loshchilov & Hutter, "SGDR: Stochastic gradient descent with warm restarts", ICLR 2017, equation 5.
"""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from matcher.lab.training.drawn_store_network import WARM_UP, DrawnStore, pace  # noqa: E402


def test_the_oldest_make_room():
    store = DrawnStore(6, "cpu")
    for value in range(3):
        store.take_in([torch.full((4, 2), value), torch.arange(4)])
    assert store.count == 12
    assert store.parts[0][:, 0].tolist() == [1, 1, 2, 2, 2, 2]
    assert store.parts[1].tolist() == [2, 3, 0, 1, 2, 3]


def test_pieces_are_the_same_of_each_part():
    store = DrawnStore(8, "cpu")
    store.begin(iter([[torch.arange(8), torch.arange(8) * 10]]), 8, ended=0.0)
    first, second = store.some(50)
    assert (second == first * 10).all()
    assert len(first.unique()) > 4


def test_nothing_drawn_is_said():
    with pytest.raises(RuntimeError, match="nothing was drawn"):
        DrawnStore(6, "cpu").some(1)


@pytest.mark.parametrize(
    ("share", "step", "rate"),
    [(0.0, WARM_UP, 2.0), (0.5, WARM_UP, 1.0), (1.0, WARM_UP, 0.0), (0.0, WARM_UP // 2 - 1, 1.0)],
)
def test_the_pace_rises_and_falls(share: float, step: int, rate: float):
    optimiser = torch.optim.SGD([torch.nn.Parameter(torch.zeros(1))], 5.0)
    pace(optimiser, 2.0, share, step)
    assert optimiser.param_groups[0]["lr"] == pytest.approx(rate, abs=1e-9)
