"""What came to a large index after its lists were written: in memory, in the same cells, added and removed at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search.exact import ROWS_PER_REFERENCE, flat, nearest_in
from matcher.core.search.inverted_lists import BYTES, empty_lists, look_up, nearest_cell, put
from matcher.core.search.selection import coarsest
from matcher.core.search.voting import Neighbours

KEPT = 128
"""Descriptors that a large index keeps of a reference."""


@dataclass(frozen=True)
class Kept:
    """What is held of one reference: points (n, 2) float32, descriptors (n, 32), hashes (32,), cell (n,) int64."""

    points: NDArray[np.float32]
    descriptors: NDArray[np.uint8]
    hashes: NDArray[np.uint8]
    cell: NDArray[np.int64]


class RecentRows:
    """References by id, each with a slot: slots are not used twice, so that what is left in the lists does no harm."""

    def __init__(self, cells: Any) -> None:
        self.cells = cells
        self._lists: Any = empty_lists(cells)
        self._hashes: Any = flat()
        self._kept: dict[int, Kept] = {}
        self._slot_of: dict[int, int] = {}
        self._owners = np.full(64, -1, np.int64)
        self._slots = 0

    def __len__(self) -> int:
        return len(self._kept)

    def __contains__(self, reference_id: int) -> bool:
        return reference_id in self._kept

    @property
    def rows(self) -> int:
        return sum(len(kept.descriptors) for kept in self._kept.values())

    def kept(self) -> Mapping[int, Kept]:
        return self._kept

    def add(self, reference_id: int, description: Description) -> None:
        text = coarsest(description, KEPT)
        cell = nearest_cell(self.cells, text.descriptors)
        self._hold(reference_id, Kept(text.points.astype(np.float32), text.descriptors, text.hashes, cell))

    def _hold(self, reference_id: int, kept: Kept) -> None:
        slot, self._slots = self._slots, self._slots + 1
        if slot == len(self._owners):
            self._owners = np.concatenate([self._owners, np.full(slot, -1, np.int64)])
        self._owners[slot], self._slot_of[reference_id] = reference_id, slot
        if len(kept.cell):
            ids = slot * ROWS_PER_REFERENCE + np.arange(len(kept.cell), dtype=np.int64)
            put(self._lists, kept.cell, ids, kept.descriptors)
        self._hashes.add_with_ids(kept.hashes[None], np.array([reference_id], np.int64))
        self._kept[reference_id] = kept

    def remove(self, reference_id: int) -> None:
        """An unknown id is ignored."""
        if self._kept.pop(reference_id, None) is not None:
            self._owners[self._slot_of.pop(reference_id)] = -1
            self._hashes.remove_ids(np.array([reference_id], np.int64))

    def neighbours(self, description: Description) -> Neighbours:
        """`description` with the features that are to be asked for, and no more."""
        if not self._kept or not len(description.descriptors):
            return Neighbours.none(len(description.descriptors))
        distances, ids = look_up(self._lists, description.descriptors)
        slots, rows = np.divmod(ids, ROWS_PER_REFERENCE)
        return Neighbours(distances, np.where(ids < 0, -1, self._owners[slots]), rows)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        return nearest_in(self._hashes, hashes, count)

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        return {reference: self._kept[reference].points for reference in references if reference in self._kept}

    def write(self, path: Path) -> None:
        """Raises OSError."""
        parts = list(self._kept.values())
        with path.open("wb") as stream:
            np.savez(
                stream,
                allow_pickle=False,
                ids=np.array(list(self._kept), np.int64),
                counts=np.array([len(part.cell) for part in parts], np.int64),
                points=_all([part.points for part in parts], (0, 2), np.float32),
                descriptors=_all([part.descriptors for part in parts], (0, BYTES), np.uint8),
                hashes=_all([part.hashes[None] for part in parts], (0, BYTES), np.uint8),
                cells=_all([part.cell for part in parts], (0,), np.int64),
            )

    def read(self, path: Path) -> None:
        """Add what `write` wrote. Raises OSError, ValueError, KeyError, BadZipFile."""
        with path.open("rb") as stream, np.load(stream) as stored:
            ends = np.cumsum(stored["counts"])
            points, descriptors, cell = (
                np.split(stored[name], ends[:-1]) for name in ("points", "descriptors", "cells")
            )
            hashes = stored["hashes"]
            for number, reference_id in enumerate(stored["ids"].tolist()):
                self._hold(reference_id, Kept(points[number], descriptors[number], hashes[number], cell[number]))


def _all(parts: Sequence[NDArray[Any]], none: tuple[int, ...], kind: Any) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.empty(none, kind)
