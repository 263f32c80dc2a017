"""Patches that are laid on registered greys on the device, and how these become what the network is given.

Checked against the product's own preparation of a picture, and against what a patch may do: it changes a picture where
it lies, and its rim a little round it.
"""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.movement import CELL, toned
from tests.support.faces import picture

torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")
from matcher.lab.training import pasting_network as pasting  # noqa: E402

SIZE = (272, 168)


def greys() -> torch.Tensor:
    return torch.from_numpy(np.stack([picture(seed, *SIZE) for seed in range(3)])).float()


def test_a_picture_is_prepared_on_the_device_as_the_product_prepares_it() -> None:
    faces, noise = pasting.as_given(greys())
    for seed in range(3):
        grey = picture(seed, *SIZE)
        even, level = network_input(grey)
        assert np.abs(faces[seed, 0].numpy() - even).max() < 0.01
        assert np.abs(faces[seed, 1].numpy() - toned(grey)).max() < 1e-4
        assert float(noise[seed]) == pytest.approx(level, abs=0.01)


def test_a_patch_changes_a_picture_where_it_lies() -> None:
    torch.manual_seed(4)
    before = greys().repeat(8, 1, 1)
    after, covered = pasting.Paster.of(SIZE, "cpu", 4)(before, 1.0)
    changed = (after - before).abs()
    assert 0.01 < float((covered > 0.5).float().mean()) < 0.5
    assert float(changed[covered > 0.9].mean()) > 5 * float(changed[covered < 0.01].mean())
    assert float(after.min()) >= -1
    assert torch.equal(before, greys().repeat(8, 1, 1))
    untouched, nowhere = pasting.Paster.of(SIZE, "cpu", 4)(before, 0.0)
    assert torch.equal(untouched, before)
    assert float(nowhere.max()) == 0


def test_other_tones_keep_a_pictures_order_and_other_windows_show_less() -> None:
    torch.manual_seed(5)
    ramp = torch.linspace(0, 255, 168).expand(6, 272, 168).contiguous()
    for one in pasting.retoned(ramp):
        assert float(one[:, 1:].sub(one[:, :-1]).min()) >= 0
    shown = torch.ones(40, 68, 42)
    less = pasting.windowed(shown, 1.0)
    assert bool((less <= shown).all())
    assert 0.4 < float(less.mean()) < 0.95
    assert torch.equal(pasting.windowed(shown, 0.0), shown)
    assert pasting.in_cells(torch.ones(2, 8 * CELL, 4 * CELL)).shape == (2, 8, 4)
