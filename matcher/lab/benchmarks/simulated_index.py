"""Real cards described, and an index of any size grown from them: a simulation, for want of a million cards.

real:      four cards of each photograph (two crops, two captions), drawn, aged and described; to every fourth
           photograph a query: another copy, photographed, flattened by corners that are off by 3 px or so.
simulated: a reference's descriptors are drawn from those of all real ones, each with 0 to 4 % of its bits turned: a
           choice, since more turned bits would leave a query far fewer near neighbours than real cards do. They lie in
           the cell of the descriptor that they were made from; places are those of a real reference. So a simulated
           reference resembles nothing as a whole, and much in its parts.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description, describe, fingerprint
from matcher.core.detect.detection import CardQuad
from matcher.core.flatten import flatten
from matcher.core.photo import read_photo
from matcher.core.search.inverted_lists import BYTES, SAMPLE_PER_CELL, cells_for, nearest_cell, train_cells, write_lists
from matcher.core.search.recent_lists import KEPT, RecentRows
from matcher.core.search.selection import coarsest
from matcher.lab.synthesis import make_copy, photograph, write_photo
from matcher.lab.synthesis.chance import random_age, random_crop, random_scene
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.words import random_caption

TURNED = 0.04
MASKS = 1_000_000
AT_ONCE = 4_000


@dataclass(frozen=True)
class Real:
    """Described cards: references with the number of their negative, and queries with theirs."""

    references: list[Description]
    owners: list[int]
    queries: list[tuple[int, Description]]

    @classmethod
    def load(cls, folder: Path) -> Real:
        """What `describe_cards` left."""
        made = cls([], [], [])
        for path in sorted(folder.glob("?????.npz")):
            number = int(path.stem)
            with np.load(path) as stored:
                for letter in "0123":
                    made.references.append(_description(stored, letter))
                    made.owners.append(number)
                if "hashesq" in stored:
                    made.queries.append((number, _description(stored, "q")))
        return made


PARTS = ("hashes", "points", "angles", "scales", "descriptors")
"""Of a description, as they are kept: `hashes0` is the first card's."""


def _description(stored: Mapping[str, NDArray[Any]], letter: str) -> Description:
    return Description(**{part: stored[f"{part}{letter}"] for part in PARTS}, fingerprint=fingerprint())


def describe_cards(number: int, path: Path, folder: Path, cards: list[Description]) -> None:
    """Keep the descriptions of one photograph's cards, and of its query if it has one."""
    file = folder / f"{number:05d}.npz"
    named = dict(zip("0123", cards, strict=True))
    if number // 2 % 2 == 0 and number % 4 < 2:
        named["q"] = query(number, path)
    arrays: dict[str, NDArray[Any]] = {
        f"{part}{letter}": getattr(description, part) for letter, description in named.items() for part in PARTS
    }
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    draft = file.with_suffix(".tmp")
    draft.write_bytes(buffer.getvalue())
    draft.replace(file)


def query(number: int, path: Path) -> Description:
    """Another copy of the photograph's first card, photographed at 3 MP."""
    rng = np.random.default_rng([1, number])
    crop, caption = random_crop(rng), random_caption(rng)
    rng = np.random.default_rng([2, number])
    scene = replace(random_scene(rng), width=1512, height=2016, noise=2.0)
    age = random_age(rng, float(rng.choice([0.8, 0.5, 0.3, 0.15])))
    seed = 900_000 + number
    card = make_copy(negative_of(path, 600), crop, caption, age, seed=seed, plate=number, px_per_mm=13.0)
    shot = photograph(card, scene, rng)
    corners = shot.corners + np.random.default_rng([3, number]).normal(0, 3.0, (4, 2))
    return describe(flatten(read_photo(write_photo(shot, scene)), CardQuad(corners.astype(np.float32), 1.0)))


def grow(real: Real, count: int, folder: Path, first: int = 0) -> None:
    """Write an index of `count` references, numbered from `first`, the real ones first, for `ReferenceIndex.open`."""
    lists = folder / "lists-1-00000000"
    lists.mkdir(parents=True)
    kept = [coarsest(text, KEPT) for text in real.references[:count]]
    rows = np.concatenate([text.descriptors for text in kept])
    starts = np.concatenate([[0], np.cumsum([len(text.descriptors) for text in kept])])
    simulated = count - len(kept)
    total = len(rows) + simulated * KEPT
    rng = np.random.default_rng(7)
    sample = rows[rng.choice(len(rows), min(len(rows), SAMPLE_PER_CELL * cells_for(total)), replace=False)]
    cells = train_cells(sample, min(cells_for(total), len(rows)))
    source = rng.integers(0, len(rows), simulated * KEPT, dtype=np.int32)
    cell = nearest_cell(cells, rows).astype(np.int32)
    cell = np.concatenate([cell, cell[source]])
    sizes = write_lists(lists / "lists.bin", _lists(rows, source, np.argsort(cell, kind="stable"), cell, cells.ntotal))
    np.save(lists / "sizes.npy", sizes)
    faiss.write_index_binary(cells, str(lists / "cells.faiss"))
    np.save(lists / "references.npy", np.arange(first, first + count, dtype=np.int64))
    np.save(lists / "starts.npy", np.concatenate([starts, starts[-1] + KEPT * np.arange(1, simulated + 1)]))
    _write_points(lists, kept, simulated, rng)
    RecentRows(cells).write(folder / "recent-1-00000000.npz")
    np.save(folder / "removed-1-00000000.npy", np.empty(0, np.int64))
    names = {"lists": lists.name, "recent": "recent-1-00000000.npz", "removed": "removed-1-00000000.npy"}
    facts = {"format": 2, "fingerprint": fingerprint(), "references": count, "kind": "inverted lists", **names}
    (folder / "index.json").write_text(json.dumps(facts))


def _lists(
    rows: np.ndarray, source: np.ndarray, order: np.ndarray, cell: np.ndarray, cells: int
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    rng = np.random.default_rng(8)
    turned = np.concatenate(
        [
            np.packbits(rng.random((AT_ONCE, 256), np.float32) < rng.uniform(0, TURNED, (AT_ONCE, 1)), axis=1)
            for _ in range(MASKS // AT_ONCE)
        ]
    )
    bounds = np.searchsorted(cell, np.arange(cells + 1), sorter=order)
    for start, end in pairwise(bounds.tolist()):
        ids = order[start:end].astype(np.int64)
        real = ids < len(rows)
        codes = rows[np.where(real, ids, source[np.where(real, 0, ids - len(rows))] if len(source) else ids)]
        noise = turned[rng.integers(0, MASKS, len(ids))]
        noise[real] = 0
        yield codes ^ noise, ids


def _write_points(lists: Path, kept: list[Description], simulated: int, rng: np.random.Generator) -> None:
    real = np.concatenate([text.points for text in kept])
    whole = [number for number, text in enumerate(kept) if len(text.points) == KEPT]
    places = np.stack([kept[number].points for number in whole])
    hashes = np.stack([text.hashes for text in kept])
    shape = (len(real) + simulated * KEPT, 2)
    points = np.lib.format.open_memmap(lists / "points.npy", "w+", np.float32, shape)
    bits = np.lib.format.open_memmap(lists / "hashes.npy", "w+", np.uint8, (len(kept) + simulated, BYTES))
    points[: len(real)], bits[: len(kept)] = real, hashes
    for start in range(0, simulated, AT_ONCE):
        end = min(start + AT_ONCE, simulated)
        like = rng.integers(0, len(whole), end - start)
        points[len(real) + start * KEPT : len(real) + end * KEPT] = places[like].reshape(-1, 2)
        noise = np.packbits(rng.random((end - start, 256), np.float32) < 0.25, axis=1)
        bits[len(kept) + start : len(kept) + end] = hashes[rng.integers(0, len(kept), end - start)] ^ noise
