"""Large catalogues: lists, points and hashes in files that are mapped into memory and never changed.

Processes share what they map, and opening reads next to nothing. What is removed is only noted; what is added lies
in `recent`. A folder is written by `rebuild`.

    cells.faiss      centres of the cells              lists.bin     codes and ids, list by list
    sizes.npy        rows of each list                 references.npy ids, ascending
    starts.npy       first row of each reference       points.npy    (rows, 2) float32
    hashes.npy       (references, 32) uint8
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search.inverted_lists import BYTES, look_up, map_lists
from matcher.core.search.voting import Neighbours

NAMES = ("cells.faiss", "lists.bin", "sizes.npy", "references.npy", "starts.npy", "points.npy", "hashes.npy")

SPARE = 64
"""Hashes asked for beyond those wanted, for some may have been removed."""


class StoredRows:
    """References in files of `rebuild`, less those that have been removed since."""

    def __init__(self, folder: Path) -> None:
        """Raises OSError, ValueError, RuntimeError for a folder that holds no such index, or a damaged one."""
        self.folder = folder
        self.cells: Any = faiss.read_index_binary(str(folder / "cells.faiss"))
        self.ids, self.starts, self.points, self.hashes = (
            np.load(folder / f"{name}.npy", mmap_mode="r") for name in ("references", "starts", "points", "hashes")
        )
        count = len(self.ids)
        shapes = {(count + 1,): self.starts, (self.total, 2): self.points, (count, BYTES): self.hashes}
        if any(array.shape != shape for shape, array in shapes.items()):
            raise ValueError(f"{folder}: its files do not fit each other")
        self.lists: Any = map_lists(self.cells, folder / "lists.bin", np.load(folder / "sizes.npy"))
        if self.lists.ntotal != self.total:
            raise ValueError(f"{folder}: its lists do not fit its points")
        self.alive = np.ones(count, np.bool_)

    @property
    def total(self) -> int:
        """Rows, with those of removed references."""
        return int(self.starts[-1]) if len(self.starts) else 0

    @property
    def dead(self) -> int:
        """References that have been removed."""
        return len(self.alive) - len(self)

    def __len__(self) -> int:
        return int(np.count_nonzero(self.alive))

    def __contains__(self, reference_id: int) -> bool:
        place = self._place(reference_id)
        return place is not None and bool(self.alive[place])

    def reference_ids(self) -> NDArray[np.int64]:
        return np.asarray(self.ids[self.alive])

    def removed(self) -> NDArray[np.int64]:
        return np.asarray(self.ids[~self.alive])

    def remove(self, reference_id: int) -> None:
        """An unknown id is ignored."""
        place = self._place(reference_id)
        if place is not None:
            self.alive[place] = False

    def remove_all(self, references: Iterable[int]) -> None:
        for reference_id in references:
            self.remove(reference_id)

    def neighbours(self, description: Description) -> Neighbours:
        """`description` with the features that are to be asked for, and no more."""
        if not len(description.descriptors) or not self.total:
            return Neighbours.none(len(description.descriptors))
        distances, ids = look_up(self.lists, description.descriptors)
        places = np.searchsorted(self.starts, ids, side="right") - 1
        held = (ids >= 0) & self.alive[places]
        return Neighbours(distances, np.where(held, self.ids[places], -1), ids - self.starts[places])

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        asked = min(count + min(self.dead, SPARE), len(self.ids))
        if not asked:
            return []
        distances, places = faiss.knn_hamming(np.ascontiguousarray(hashes[None]), self.hashes, asked)
        pairs = zip(places[0].tolist(), distances[0].tolist(), strict=True)
        return [(int(self.ids[place]), distance) for place, distance in pairs if self.alive[place]][:count]

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        places = {reference: self._place(reference) for reference in references}
        return {
            reference: np.asarray(self.points[self.starts[place] : self.starts[place + 1]])
            for reference, place in places.items()
            if place is not None and self.alive[place]
        }

    def _place(self, reference_id: int) -> int | None:
        place = int(np.searchsorted(self.ids, reference_id))
        return place if place < len(self.ids) and self.ids[place] == reference_id else None
