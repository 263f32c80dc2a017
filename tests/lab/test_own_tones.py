"""Patches that nothing but their outline tells: how large, how flat and how grey they are, by both hands that draw.

Checked against what was asked of them: 1 to 25 mm across, flat or nearly so, and as grey as the print is, so that the
greys of a picture do not tell where they lie.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.lab.evaluation.other_wear import OTHER_KINDS
from matcher.lab.synthesis import worlds
from matcher.lab.synthesis.own_tones import LARGEST, OUTLINES, SMALLEST, own_tones
from matcher.lab.synthesis.prints import Field
from matcher.lab.training.fit_pose import negative
from reference_demo.cast import PLATES
from tests.support.faces import face_of, picture

SIZE = (640, 368)
OWN_TONES = replace(worlds.OWN_HAND, kinds=("own_tones",))


def view() -> Field:
    return face_of(picture(3)).grey.astype(np.float32) / np.float32(255)


def detail(grey: Field, where: NDArray[np.bool_]) -> float:
    """Mean step from one pixel to the next."""
    return float(np.abs(np.diff(grey, axis=1))[where[:, 1:] & where[:, :-1]].mean())


@pytest.mark.parametrize("outline", set(OUTLINES), ids=lambda one: one.__name__)
def test_an_outline_is_as_large_as_it_is_asked_to_be(outline: object) -> None:
    small, large = (
        np.mean([outline(SIZE, np.random.default_rng(seed), radius).sum() for seed in range(12)])  # type: ignore[operator]
        for radius in (SMALLEST, LARGEST)
    )
    assert 0 < small < 2 * SMALLEST * SIZE[0]
    assert 3 * small < large < 0.8 * SIZE[0] * SIZE[1]


@pytest.mark.parametrize("draw", [own_tones, OTHER_KINDS["scraped"], OTHER_KINDS["painted_out"]])
def test_patches_are_flatter_than_the_picture_and_of_its_greys(draw: object) -> None:
    before, flat, within = view(), [], []
    low, high = np.percentile(before, [1, 99])
    for seed in range(24):
        after, share = draw(before, np.random.default_rng(seed), 0.7)  # type: ignore[operator]
        assert after.shape == before.shape
        assert 0 <= after.min() <= after.max() <= 1
        inside = share > 0.7
        assert np.abs(after - before)[share < 0.001].mean() < 0.02  # its rim alone
        if inside.sum() > 400:
            flat.append(detail(after, inside) < 0.7 * detail(before, inside) + 0.01)
            within.append(low - 0.05 < np.median(after[inside]) < high + 0.05)
    assert len(flat) > 8
    assert np.mean(flat) > 0.7
    assert np.mean(within) > 0.7


def test_a_reference_may_be_worn_too(monkeypatch: pytest.MonkeyPatch) -> None:
    plate, rng = negative(PLATES["A1"].path), np.random.default_rng
    seen = {}
    for share in (0.0, 1.0):
        monkeypatch.setattr(worlds, "WORN_REFERENCES", share)
        pairs = list(worlds.world_pairs(plate, [], plate, rng(4), ("plain",), OWN_TONES, asked=("crop",)))
        assert [pair.relation for pair in pairs] == ["crop", "backdrop", "other"]
        assert not any(pair.wear for pair in pairs)
        seen[share] = pairs[0].reference.grey.astype(float)
    assert np.abs(seen[0.0] - seen[1.0]).max() > 40
