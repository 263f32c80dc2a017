"""Inverted lists over binary descriptors: cells in two levels, and lists in a file that is mapped, not read.

FAISS would train cells by k-means on floats, which takes hours for tens of thousands of cells; descriptors drawn at
random and moved twice to their cell's majority, bit by bit, serve as well here. To which cell a descriptor belongs is
asked of an index of the cells that has cells itself: comparing it with every one would cost more than the search.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.search.voting import MANY_NEIGHBOURS

BYTES = 32
BITS = 8 * BYTES

PROBES = 24
"""Lists looked into for each descriptor of a query."""

CELL_PROBES = 12
"""Groups of cells looked into for the nearest cells."""

FLAT_CELLS = 1024
"""Up to this many cells are simply all compared with."""

SAMPLE_PER_CELL = 20
ROUNDS = 2
AT_ONCE = 200_000


def cells_for(rows: int) -> int:
    """How many cells suit so many descriptors: lists grow with the root of their number, and so does the search."""
    return int(np.clip(4 * np.sqrt(rows), 64, 65_536))


def train_cells(rows: NDArray[np.uint8], count: int, seed: int = 1) -> Any:
    """A FAISS index of `count` cells' centres, fitted to a sample (n, 32) of descriptors, n >= count."""
    rng = np.random.default_rng(seed)
    centres = rows[rng.choice(len(rows), count, replace=False)]
    for _ in range(ROUNDS):
        centres = _majorities(rows, nearest_cell(_grouped(centres, rng), rows), centres)
    return _grouped(centres, rng)


def _grouped(centres: NDArray[np.uint8], rng: np.random.Generator) -> Any:
    """An index of the centres; of very many, in groups round some of them."""
    if len(centres) <= FLAT_CELLS:
        flat = faiss.IndexBinaryFlat(BITS)
        flat.add(np.ascontiguousarray(centres))
        return flat
    heads: Any = faiss.IndexBinaryFlat(BITS)
    heads.add(np.ascontiguousarray(centres[rng.choice(len(centres), int(np.sqrt(len(centres))), replace=False)]))
    groups = faiss.IndexBinaryIVF(heads, BITS, heads.ntotal)
    heads.this.disown()
    groups.own_fields = groups.is_trained = True
    groups.nprobe = CELL_PROBES
    groups.add(np.ascontiguousarray(centres))
    return groups


def nearest_cell(cells: Any, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
    """(n,) int64: the cell of each descriptor."""
    parts = [
        cells.search(np.ascontiguousarray(rows[start : start + AT_ONCE]), 1)[1][:, 0]
        for start in range(0, len(rows), AT_ONCE)
    ]
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def _majorities(rows: NDArray[np.uint8], cell: NDArray[np.int64], centres: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Each centre moved to what most of its rows say, bit by bit; one without rows stays."""
    order = np.argsort(cell, kind="stable")
    names, starts = np.unique(cell[order], return_index=True)
    moved = centres.copy()
    ends = np.append(starts[1:], len(order))
    for name, start, end in zip(names, starts, ends, strict=True):
        bits = np.unpackbits(rows[order[start:end]], axis=1)
        moved[name] = np.packbits(2 * bits.sum(axis=0) > len(bits))
    return moved


def empty_lists(cells: Any) -> Any:
    """An index in memory, without rows, over these cells; whoever holds it must hold the cells too."""
    made = faiss.IndexBinaryIVF(cells, BITS, cells.ntotal)
    made.own_fields = False
    made.is_trained = True
    made.nprobe = min(PROBES, cells.ntotal)
    return made


def put(lists: Any, cell: NDArray[np.int64], ids: NDArray[np.int64], rows: NDArray[np.uint8]) -> None:
    """Add rows whose cells are known."""
    rows, ids, cell = np.ascontiguousarray(rows), np.ascontiguousarray(ids), np.ascontiguousarray(cell)
    pointers = (faiss.swig_ptr(rows), faiss.swig_ptr(ids), faiss.swig_ptr(cell))
    lists.add_core(len(rows), *pointers)


def look_up(lists: Any, rows: NDArray[np.uint8]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Distances and ids (n, MANY_NEIGHBOURS), nearest first; -1 where there are no more."""
    distances, ids = lists.search(np.ascontiguousarray(rows), MANY_NEIGHBOURS)
    return distances, ids


def list_of(lists: Any, number: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """(n, 32) codes and (n,) ids of one list, as they lie in memory or in the mapped file."""
    held = lists.invlists
    size = held.list_size(number)
    if not size:
        return np.empty((0, BYTES), np.uint8), np.empty(0, np.int64)
    codes = faiss.rev_swig_ptr(held.get_codes(number), size * BYTES).reshape(size, BYTES)
    return codes, faiss.rev_swig_ptr(held.get_ids(number), size)


def write_lists(path: Path, lists: Iterable[tuple[NDArray[np.uint8], NDArray[np.int64]]]) -> NDArray[np.uint64]:
    """Write codes and ids list by list, as `map_lists` takes them; returns the sizes."""
    sizes = []
    with path.open("wb") as stream:
        for codes, ids in lists:
            stream.write(np.ascontiguousarray(codes, np.uint8).data)
            stream.write(np.ascontiguousarray(ids, np.int64).data)
            sizes.append(len(ids))
    return np.array(sizes, np.uint64)


def map_lists(cells: Any, path: Path, sizes: NDArray[np.uint64]) -> Any:
    """An index over a file of `write_lists`, mapped into memory. Raises ValueError where the sizes do not fit it."""
    if len(sizes) != cells.ntotal or path.stat().st_size != int(sizes.sum()) * (BYTES + 8):
        raise ValueError(f"{path}: of another size than its index says")
    made = empty_lists(cells)
    if not sizes.sum():
        return made
    mapped: Any = faiss.OnDiskInvertedLists()
    mapped.nlist, mapped.code_size, mapped.read_only = len(sizes), BYTES, True
    mapped.filename, mapped.totsize = str(path), path.stat().st_size
    mapped.lists.resize(len(sizes))
    mapped.set_all_lists_sizes(faiss.swig_ptr(np.ascontiguousarray(sizes, np.uint64)))
    mapped.do_mmap()
    made.replace_invlists(mapped, True)
    mapped.this.disown()
    made.ntotal = int(sizes.sum())
    return made
