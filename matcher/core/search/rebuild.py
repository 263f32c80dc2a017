"""Stored and recent rows into a new folder for `StoredRows`; those that serve meanwhile are not touched.

Memory goes with the number of rows, a few bytes each, not with the descriptors: these go from file to file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.search.inverted_lists import (
    BYTES,
    SAMPLE_PER_CELL,
    cells_for,
    list_of,
    nearest_cell,
    train_cells,
    write_lists,
)
from matcher.core.search.recent_lists import RecentRows
from matcher.core.search.stored_lists import StoredRows

OUTGROWN = 2.0
"""New cells are trained where this many times those that are there would suit."""

Rows = tuple[NDArray[np.uint8], NDArray[np.int64]]


@dataclass(frozen=True)
class _Source:
    """What the new index is made of, references ascending. starts: (n + 1,) first row of each in the new index."""

    stored: StoredRows | None
    recent: RecentRows
    references: NDArray[np.int64]
    starts: NDArray[np.int64]

    @classmethod
    def of(cls, stored: StoredRows | None, recent: RecentRows) -> _Source:
        ids = [np.fromiter(recent.kept(), np.int64, len(recent))]
        counts = [np.fromiter((len(kept.cell) for kept in recent.kept().values()), np.int64, len(recent))]
        if stored is not None:
            ids.append(stored.reference_ids())
            counts.append(np.diff(stored.starts)[stored.alive])
        references, rows = np.concatenate(ids), np.concatenate(counts)
        order = np.argsort(references)
        return cls(stored, recent, references[order], np.concatenate([[0], np.cumsum(rows[order])]))

    @property
    def cells(self) -> Any:
        return self.recent.cells

    @property
    def rows(self) -> int:
        return int(self.starts[-1])

    def lists(self) -> Iterator[Rows]:
        """Codes and new ids, list by list of the cells that are there."""
        recent = self._recent_by_cell()
        moved = self._moved()
        for number in range(self.cells.ntotal):
            codes, ids = recent(number)
            if self.stored is not None:
                more, old = list_of(self.stored.lists, number)
                places = np.searchsorted(self.stored.starts, old, side="right") - 1
                held = self.stored.alive[places]
                codes = np.concatenate([more[held], codes])
                ids = np.concatenate([(old + moved[places])[held], ids])
            yield codes, ids

    def _moved(self) -> NDArray[np.int64]:
        """By how much the rows of each stored reference move."""
        if self.stored is None:
            return np.empty(0, np.int64)
        places = np.searchsorted(self.references, self.stored.ids)
        return np.asarray(self.starts[np.minimum(places, len(self.references))] - self.stored.starts[:-1], np.int64)

    def _recent_by_cell(self) -> Any:
        kept = self.recent.kept()
        starts = self.starts[np.searchsorted(self.references, np.fromiter(kept, np.int64, len(kept)))]
        cell = _joined([one.cell for one in kept.values()], (0,), np.int64)
        codes = _joined([one.descriptors for one in kept.values()], (0, BYTES), np.uint8)
        ids = _joined([s + np.arange(len(k.cell)) for s, k in zip(starts, kept.values(), strict=True)], (0,), np.int64)
        order = np.argsort(cell, kind="stable")
        bounds = np.searchsorted(cell[order], np.arange(self.cells.ntotal + 1))

        def of(number: int) -> Rows:
            rows = order[bounds[number] : bounds[number + 1]]
            return codes[rows], ids[rows]

        return of


def rebuild(folder: Path, stored: StoredRows | None, recent: RecentRows) -> None:
    """Write all living references into `folder`, which is made. Raises OSError, RuntimeError."""
    folder.mkdir(parents=True)
    source = _Source.of(stored, recent)
    cells, lists = source.cells, source.lists()
    suited = cells_for(source.rows)
    if suited >= OUTGROWN * cells.ntotal:
        cells, lists = _sorted_anew(folder, source, suited)
    np.save(folder / "sizes.npy", write_lists(folder / "lists.bin", lists))
    (folder / "draft.bin").unlink(missing_ok=True)
    faiss.write_index_binary(cells, str(folder / "cells.faiss"))
    np.save(folder / "references.npy", source.references)
    np.save(folder / "starts.npy", source.starts)
    _write_references(folder, source)


def _sorted_anew(folder: Path, source: _Source, count: int) -> tuple[Any, Iterator[Rows]]:
    """New cells, and the lists over them; codes lie in a draft file meanwhile."""
    draft = np.lib.format.open_memmap(folder / "draft.bin", "w+", np.uint8, (source.rows, BYTES))
    ids = np.empty(source.rows, np.int64)
    at = 0
    for codes, names in source.lists():
        draft[at : at + len(codes)], ids[at : at + len(codes)] = codes, names
        at += len(codes)
    sample = np.sort(np.random.default_rng(1).choice(at, min(at, SAMPLE_PER_CELL * count), replace=False))
    cells = train_cells(draft[sample], min(count, len(sample)))
    cell = nearest_cell(cells, draft)
    order = np.argsort(cell, kind="stable")
    bounds = np.searchsorted(cell, np.arange(cells.ntotal + 1), sorter=order)
    return cells, _gathered(draft, ids, order, bounds)


def _gathered(
    draft: NDArray[np.uint8], ids: NDArray[np.int64], order: NDArray[np.int64], bounds: NDArray[np.int64]
) -> Iterator[Rows]:
    for start, end in pairwise(bounds.tolist()):
        rows = order[start:end]
        yield draft[rows], ids[rows]


def _write_references(folder: Path, source: _Source) -> None:
    """Points and hashes, in the order of the references."""
    count = len(source.references)
    points = np.lib.format.open_memmap(folder / "points.npy", "w+", np.float32, (source.rows, 2))
    hashes = np.lib.format.open_memmap(folder / "hashes.npy", "w+", np.uint8, (count, BYTES))
    if source.stored is not None:
        _copy_stored(source, source.stored, points, hashes)
    kept = source.recent.kept()
    places = np.searchsorted(source.references, np.fromiter(kept, np.int64, len(kept)))
    for place, one in zip(places.tolist(), kept.values(), strict=True):
        points[source.starts[place] : source.starts[place + 1]] = one.points
        hashes[place] = one.hashes
    points.flush()
    hashes.flush()


def _copy_stored(source: _Source, stored: StoredRows, points: NDArray[np.float32], hashes: NDArray[np.uint8]) -> None:
    """Runs of references that stay together are copied in one piece."""
    old = np.flatnonzero(stored.alive)
    new = np.searchsorted(source.references, stored.ids[old])
    breaks = np.flatnonzero((np.diff(old) != 1) | (np.diff(new) != 1)) + 1
    for start, end in zip([0, *breaks.tolist()], [*breaks.tolist(), len(old)], strict=True):
        if start == end:
            continue
        first, last, to, until = old[start], old[end - 1] + 1, new[start], new[end - 1] + 1
        points[source.starts[to] : source.starts[until]] = stored.points[stored.starts[first] : stored.starts[last]]
        hashes[to:until] = stored.hashes[first:last]


def _joined(parts: list[NDArray[Any]], none: tuple[int, ...], kind: Any) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.empty(none, kind)
