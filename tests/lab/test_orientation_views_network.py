"""What the network is shown of many sides at once is what it is given of one in use."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE, prepared
from matcher.lab.synthesis.sides import MARGIN

torch = pytest.importorskip("torch")


def test_many_at_once_are_prepared_as_one_by_one() -> None:
    from matcher.lab.training import orientation_views_network

    rng = np.random.default_rng(0)
    coarse = [rng.integers(0, 255, (20, 12)).astype(np.uint8) for _ in range(3)]
    greys = [np.asarray(cv2.resize(one, SHAPE[::-1], interpolation=cv2.INTER_CUBIC), np.uint8) for one in coarse]
    together = orientation_views_network.prepared(torch.from_numpy(np.stack(greys)).float())
    for number, grey in enumerate(greys):
        alone = prepared(grey)
        for part, name in zip(together, ("whole", "head", "foot"), strict=True):
            assert np.abs(part[number].numpy() - getattr(alone, name)).max() < 0.03  # a level rounded otherwise


def test_sides_are_seen_otherwise_each_time_and_either_way_up() -> None:
    from matcher.lab.training.orientation_views_network import Drawn, seen_otherwise

    torch.manual_seed(1)
    shape = (SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN)
    ramp = np.tile(np.linspace(40, 220, shape[0])[:, None], (16, 1, shape[1])).astype(np.uint8)
    no = torch.zeros(16, dtype=torch.bool)
    sides = Drawn(torch.from_numpy(ramp), no, no, no)
    boards = torch.full((1, *shape), 230, dtype=torch.uint8)
    upright = torch.arange(16) < 8
    whole, head, foot = seen_otherwise(sides, boards, upright)
    assert whole.shape == (16, 2, *WHOLE)
    assert head.shape == foot.shape == (16, 2, STRIP, SHAPE[1])
    darker_head = whole[:, 0, :40].mean((1, 2)) < whole[:, 0, -40:].mean((1, 2))
    assert (darker_head == upright).float().mean() > 0.8  # glare and light may turn one over
    assert not torch.equal(whole[0], whole[1])
