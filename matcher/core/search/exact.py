"""Small catalogues: every descriptor of every reference in memory, each compared with each of the query's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search.voting import NEIGHBOURS, Neighbours

ROWS_PER_REFERENCE = 1024
"""Descriptor ids are reference_id * ROWS_PER_REFERENCE + row, so that an id tells both."""


class ExactRows:
    """Two FAISS flat indexes behind our own ids: over all descriptors, and over the perceptual hashes."""

    def __init__(self) -> None:
        self._descriptors: Any = flat()
        self._hashes: Any = flat()
        self._keypoints: dict[int, NDArray[np.float32]] = {}

    @classmethod
    def read(cls, descriptors: Path, hashes: Path, keypoints: Path) -> ExactRows:
        """Raises OSError, ValueError, KeyError, RuntimeError, BadZipFile for files that are no such index."""
        made = cls()
        made._descriptors = faiss.read_index_binary(str(descriptors))
        made._hashes = faiss.read_index_binary(str(hashes))
        with keypoints.open("rb") as file, np.load(file) as stored:
            parts = np.split(stored["rows"], np.cumsum(stored["counts"])[:-1]) if len(stored["counts"]) else []
            made._keypoints = {int(i): part for i, part in zip(stored["ids"], parts, strict=True)}
        if made.rows != sum(map(len, made._keypoints.values())) or made._hashes.ntotal != len(made):
            raise ValueError(f"{descriptors}: does not fit {keypoints}")
        if any(part.shape[1:] != (3,) for part in made._keypoints.values()):
            raise ValueError(f"{keypoints}: written by an earlier version")
        return made

    def write(self, descriptors: Path, hashes: Path, keypoints: Path) -> None:
        """Raises OSError, RuntimeError."""
        faiss.write_index_binary(self._descriptors, str(descriptors))
        faiss.write_index_binary(self._hashes, str(hashes))
        parts = list(self._keypoints.values())
        np.savez(
            keypoints,
            allow_pickle=False,
            ids=np.array(list(self._keypoints), np.int64),
            counts=np.array([len(part) for part in parts], np.int64),
            rows=np.concatenate(parts) if parts else np.empty((0, 3), np.float32),
        )

    def __len__(self) -> int:
        return len(self._keypoints)

    def __contains__(self, reference_id: int) -> bool:
        return reference_id in self._keypoints

    @property
    def rows(self) -> int:
        return int(self._descriptors.ntotal)

    def reference_ids(self) -> set[int]:
        return set(self._keypoints)

    def add(self, reference_id: int, description: Description) -> None:
        ids = reference_id * ROWS_PER_REFERENCE + np.arange(len(description.descriptors), dtype=np.int64)
        if len(ids):
            self._descriptors.add_with_ids(np.ascontiguousarray(description.descriptors), ids)
        self._hashes.add_with_ids(description.hashes[None], np.array([reference_id], np.int64))
        columns = (description.points, description.scales[:, None])  # the scales: a larger index chooses by them
        self._keypoints[reference_id] = np.concatenate(columns, axis=1).astype(np.float32)

    def remove(self, reference_id: int) -> None:
        """An unknown id is ignored."""
        points = self._keypoints.pop(reference_id, None)
        if points is not None:
            ids = reference_id * ROWS_PER_REFERENCE + np.arange(len(points), dtype=np.int64)
            self._descriptors.remove_ids(ids)
            self._hashes.remove_ids(np.array([reference_id], np.int64))

    def neighbours(self, description: Description) -> Neighbours:
        if not len(description.descriptors) or not self.rows:
            return Neighbours.none(len(description.descriptors))
        distances, ids = self._descriptors.search(np.ascontiguousarray(description.descriptors), NEIGHBOURS)
        references, rows = np.divmod(ids, ROWS_PER_REFERENCE)
        return Neighbours(distances, references, rows)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        return nearest_in(self._hashes, hashes, count)

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        held = [reference for reference in references if reference in self._keypoints]
        return {reference: self._keypoints[reference][:, :2] for reference in held}

    def descriptions(self) -> list[tuple[int, Description]]:
        """Everything held, by reference; the angles, which nobody asks an index for, are zero."""
        ids = faiss.vector_to_array(self._descriptors.id_map)
        rows: Any = faiss.downcast_IndexBinary(self._descriptors.index)
        codes = faiss.vector_to_array(rows.xb).reshape(-1, 32)
        order = np.argsort(ids, kind="stable")
        ids, codes = ids[order], codes[order]
        found = []
        for reference_id, points in self._keypoints.items():
            start = int(np.searchsorted(ids, reference_id * ROWS_PER_REFERENCE))
            hashes = self._hashes.reconstruct(reference_id)
            text = Description(
                hashes,
                points[:, :2],
                np.zeros(len(points), np.float32),
                points[:, 2],
                codes[start : start + len(points)],
                "",
            )
            found.append((reference_id, text))
        return found


def flat() -> Any:
    """An empty exact index of 256 bits with ids of our own."""
    return faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(256))


def nearest_in(hashed: Any, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
    """(id, bits that differ) of the nearest in a FAISS index; hashes: (32,) uint8."""
    distances, ids = hashed.search(np.ascontiguousarray(hashes[None]), count)
    return [(int(i), int(d)) for i, d in zip(ids[0], distances[0], strict=True) if i >= 0]
