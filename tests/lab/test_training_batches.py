"""What the networks learn from, as far as it needs no PyTorch: shapes, labels, and that a seed gives one batch."""

from __future__ import annotations

from itertools import cycle, islice
from pathlib import Path

import numpy as np
import pytest

from matcher.core.detect.orientation import SHAPE, STRIP, WHOLE
from matcher.core.ladder.change_detector import STEP, Kind
from matcher.lab.synthesis.training_pairs import UNKNOWN, Pair, pairs
from matcher.lab.training import change_windows, orientation_sides
from matcher.lab.training.train_orientation import sources_of
from reference_demo.cast import PLATES
from tests.support.faces import picture


@pytest.fixture(scope="module")
def drawn() -> list[Pair]:
    return list(pairs(np.ascontiguousarray(picture(46, 1000, 600)), [], seed=3))


@pytest.mark.parametrize(("kind", "size"), [("pictures", "picture"), ("words", "strips")])
def test_windows_of_registered_pairs(drawn: list[Pair], kind: Kind, size: str) -> None:
    height, width = change_windows.WINDOWS[size]
    first, again = (next(change_windows.batches(drawn, kind, 5)) for _ in range(2))
    assert len(first) == change_windows.PAIRS_A_STEP * change_windows.WINDOWS_A_PAIR
    for (pair, noise, truth), (same, *_) in zip(first, again, strict=True):
        assert pair.shape == (2, height, width)
        assert pair.dtype == np.float32
        assert np.isfinite([*noise, pair.min(), pair.max()]).all()
        assert truth.shape == (height // STEP, width // STEP)
        assert np.array_equal(pair, same)
    labels = {int(label) for *_, truth in first for label in np.unique(truth)}
    assert {0, UNKNOWN} < labels <= {0, 1, change_windows.LITTLE, UNKNOWN}


def test_sides_are_shown_both_ways_up() -> None:
    sources = [(PLATES[name].path, 2) for name in ("A1", "B1", "C1", "D1")]
    sides = list(islice(orientation_sides.new_sides(sources, np.random.default_rng(4)), 20))
    assert [side.back for side in sides] == 4 * [True, False, False, False, False]
    assert not sides[1].blank
    bare = [side for side in sides if side.blank]
    assert bare
    batch = next(orientation_sides.batches(cycle(sides), np.random.default_rng(6), kept=20))
    both = 2 * orientation_sides.BATCH
    assert [part.shape for part in batch.parts] == [
        (both, 2, *WHOLE), (both, 2, STRIP, SHAPE[1]), (both, 2, STRIP, SHAPE[1])
    ]  # fmt: skip
    as_is, turned = np.split(batch.parts[0], 2)
    assert turned == pytest.approx(as_is[:, :, ::-1, ::-1], abs=1e-6)
    assert 0 < batch.upright.mean() < 1
    assert batch.back.sum() > 0
    assert (batch.has_up == 0).sum() <= batch.back.sum()


def test_a_folder_can_be_thinned_and_drawn_several_times(tmp_path: Path) -> None:
    from PIL import Image

    for number in range(5):
        Image.fromarray(picture(number, 40, 24)).save(tmp_path / f"{number}.png")
    taken = sources_of([f"{tmp_path}:2*3", str(tmp_path)], [])
    assert [(one.path.stem, times) for one, times in taken] == [
        ("0", 3), ("2", 3), ("4", 3), *((str(number), 1) for number in range(5)),
    ]  # fmt: skip
