"""Lines as the reader is shown them while it learns: what they say stays theirs, and beyond their end nothing is."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from matcher.lab.training.reader_lines import BESIDE, ROWS, TALL, Tile  # noqa: E402
from matcher.lab.training.reader_network import TileStore, as_strip, batch_of, spelling  # noqa: E402

SIGNS = list("abc ")


def store() -> TileStore:
    """Two lines: 'ab' on white, 'cab' on black, and one that the network has no sign for."""
    tiles = [
        Tile(np.full((TALL, 2 * BESIDE + 60), 255, np.uint8), "ab"),
        Tile(np.full((TALL, 2 * BESIDE + 80), 0, np.uint8), "cab"),
        Tile(np.full((TALL, 2 * BESIDE + 80), 9, np.uint8), "xyz"),
    ]
    kept = TileStore(2000, 10, 8, "cpu")
    kept.take_in(*as_strip(tiles, SIGNS))
    return kept


def test_what_it_has_no_sign_for_is_left_out() -> None:
    assert store().count == 2
    assert spelling("cab", SIGNS) == [3, 1, 2]
    assert spelling("xyz", SIGNS) == []


def test_each_line_keeps_its_words_and_its_tone() -> None:
    batch = batch_of(store(), torch.tensor([1, 0, 1]), np.random.default_rng(1), 240.0)
    assert batch.pictures.shape == (3, 1, ROWS, 240)
    assert batch.lengths.tolist() == [3, 2, 3]
    assert batch.spelt.tolist() == [3, 1, 2, 1, 2, 3, 1, 2]
    assert (batch.pictures[..., -8:] == 0.5).all()
    assert float(batch.pictures.min()) >= 0
    assert float(batch.pictures.max()) <= 1


def test_a_full_store_takes_no_more() -> None:
    kept = store()
    for _ in range(20):
        kept.take_in(*as_strip([Tile(np.zeros((TALL, 300), np.uint8), "a")], SIGNS))
    assert kept.begun <= 2000
    assert kept.count <= 10
