"""The references' descriptors, hashes and points in memory, under our own ids; asked for the nearest.

Two kinds of FAISS binary index serve. Exact: every descriptor of every reference is compared with every one of the
query's. Inverted file (IVF): the coarsest descriptors of each reference lie in lists by their nearest of many cell
centres, and only the lists of a few near cells are looked into. The coarsest ones outlive fading and grain.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.parallel.side_by_side import THREADS, side_by_side
from matcher.core.search.settings import SearchSettings
from matcher.core.search.voting import Neighbours

BYTES = 32
"""Bytes of an ORB descriptor, and of a perceptual hash of 256 bits."""

ROWS_PER_REFERENCE = 1024
"""Descriptor ids are reference_id * ROWS_PER_REFERENCE + row, so that an id tells both."""


class DescriptorStore:
    """Exact at first; `in_cells` gives the same references in an inverted file."""

    def __init__(self, settings: SearchSettings = SearchSettings()) -> None:
        self._settings = settings
        self._descriptors: Any = _flat()
        self._hashes: Any = _flat()
        self._points: dict[int, NDArray[np.float32]] = {}

    @classmethod
    def read(
        cls, descriptors: Path, hashes: Path, keypoints: Path, settings: SearchSettings = SearchSettings()
    ) -> DescriptorStore:
        """What `write` wrote.

        Raises OSError, ValueError, KeyError, RuntimeError, BadZipFile for files that are nothing of the kind.
        """
        made = cls(settings)
        made._descriptors = faiss.read_index_binary(str(descriptors))
        made._hashes = faiss.read_index_binary(str(hashes))
        with keypoints.open("rb") as file, np.load(file) as stored:
            parts = np.split(stored["rows"], np.cumsum(stored["counts"])[:-1]) if len(stored["counts"]) else []
            made._points = {int(i): part for i, part in zip(stored["ids"], parts, strict=True)}
        if made.rows != sum(map(len, made._points.values())) or made._hashes.ntotal != len(made):
            raise ValueError(f"{descriptors}: does not fit {keypoints}")
        if any(part.shape[1:] != (3,) for part in made._points.values()):
            raise ValueError(f"{keypoints}: written by an earlier version")
        if not made.exact:
            made._descriptors.nprobe = settings.probes
        return made

    def write(self, descriptors: Path, hashes: Path, keypoints: Path) -> None:
        """Raises OSError, RuntimeError."""
        faiss.write_index_binary(self._descriptors, str(descriptors))
        faiss.write_index_binary(self._hashes, str(hashes))
        parts = list(self._points.values())
        np.savez(
            keypoints,
            allow_pickle=False,
            ids=np.array(list(self._points), np.int64),
            counts=np.array([len(part) for part in parts], np.int64),
            rows=np.concatenate(parts) if parts else np.empty((0, 3), np.float32),
        )

    def __len__(self) -> int:
        return len(self._points)

    def __contains__(self, reference_id: int) -> bool:
        return reference_id in self._points

    @property
    def exact(self) -> bool:
        """Whether every descriptor is compared with every one."""
        return not isinstance(self._descriptors, faiss.IndexBinaryIVF)

    @property
    def rows(self) -> int:
        """Descriptors held."""
        return int(self._descriptors.ntotal)

    @property
    def cells(self) -> int:
        """Lists of the inverted file; 0 where all is compared."""
        return 0 if self.exact else int(self._descriptors.nlist)

    def reference_ids(self) -> set[int]:
        """Ids of all references held."""
        return set(self._points)

    def add(self, reference_id: int, description: Description) -> None:
        """Hold one reference, of an inverted file its coarsest descriptors only; the id must be new."""
        kept = description if self.exact else coarsest(description, self._settings.kept)
        ids = _row_ids(reference_id, len(kept.descriptors))
        if len(ids):
            self._descriptors.add_with_ids(np.ascontiguousarray(kept.descriptors), ids)
        self._hashes.add_with_ids(kept.hashes[None], np.array([reference_id], np.int64))
        columns = (kept.points, kept.scales[:, None])  # the scales: an inverted file chooses by them
        self._points[reference_id] = np.concatenate(columns, axis=1).astype(np.float32)

    def remove(self, reference_ids: Iterable[int]) -> None:
        """Hold these no more; unknown ids are ignored. One pass over all descriptors, however many go."""
        gone = [reference_id for reference_id in set(reference_ids) if self._points.pop(reference_id, None) is not None]
        if not gone:
            return
        if len(gone) == 1:  # a range is found three times as fast as a list of ids
            first = gone[0] * ROWS_PER_REFERENCE
            self._descriptors.remove_ids(faiss.IDSelectorRange(first, first + ROWS_PER_REFERENCE))
        else:
            rows = np.array(gone, np.int64)[:, None] * ROWS_PER_REFERENCE + np.arange(ROWS_PER_REFERENCE)
            self._descriptors.remove_ids(rows.ravel())
        self._hashes.remove_ids(np.array(gone, np.int64))

    def neighbours(self, description: Description) -> Neighbours:
        """The nearest descriptors of each of the description's; of an inverted file, of those that `asked` leaves."""
        settings = self._settings
        count = settings.neighbours if self.exact else settings.many_neighbours
        if not len(description.descriptors) or not self.rows:
            return Neighbours.none(len(description.descriptors))
        shares = np.array_split(np.ascontiguousarray(description.descriptors), THREADS)
        found = side_by_side(partial(self._descriptors.search, k=count), [share for share in shares if len(share)])
        distances, ids = (np.concatenate(parts) for parts in zip(*found, strict=True))
        references, rows = np.divmod(ids, ROWS_PER_REFERENCE)
        return Neighbours.ordered(distances, references, rows)

    def asked(self, description: Description) -> Description:
        """The features of a query that are asked for."""
        return description if self.exact else coarsest(description, self._settings.asked)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        """(reference id, bits that differ) of the faces with the nearest perceptual hashes; hashes: (32,) uint8."""
        distances, ids = self._hashes.search(np.ascontiguousarray(hashes[None]), count)
        return [(int(i), int(d)) for i, d in zip(ids[0], distances[0], strict=True) if i >= 0]

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        """(n, 2) points, in face pixels, of each of these references as `Neighbours.rows` counts them; unknown ids are
        left out."""
        return {reference: self._points[reference][:, :2] for reference in references if reference in self._points}

    def outgrown(self) -> bool:
        """Whether so much has been added that an inverted file wants new cells."""
        return not self.exact and cells_for(self.rows, self._settings) >= self._settings.outgrown * self.cells

    def in_cells(self) -> DescriptorStore:
        """The same references in an inverted file whose cells are trained on them; there must be some."""
        references = sorted(self._points)
        points = [self._points[reference] for reference in references]
        kept = [_coarsest_rows(part[:, 2], self._settings.kept) for part in points]
        starts = np.cumsum([0, *map(len, points)])
        codes = self._codes()[np.concatenate([start + rows for start, rows in zip(starts, kept, strict=False)])]
        made = DescriptorStore(self._settings)
        made._hashes = self._hashes
        made._points = {r: part[rows] for r, part, rows in zip(references, points, kept, strict=True)}
        made._descriptors = _trained(codes, self._settings)
        ids = [_row_ids(reference, len(rows)) for reference, rows in zip(references, kept, strict=True)]
        made._descriptors.add_with_ids(codes, np.concatenate(ids))
        return made

    def _codes(self) -> NDArray[np.uint8]:
        """(n, 32) all descriptors, by reference and row."""
        if self.exact:
            inner: Any = faiss.downcast_IndexBinary(self._descriptors.index)
            ids = faiss.vector_to_array(self._descriptors.id_map)
            codes = faiss.vector_to_array(inner.xb).reshape(-1, BYTES)
        else:
            lists = self._descriptors.invlists
            sizes = [lists.list_size(number) for number in range(self.cells)]
            filled = [(number, size) for number, size in enumerate(sizes) if size]
            ids = np.concatenate([faiss.rev_swig_ptr(lists.get_ids(number), size) for number, size in filled])
            parts = [faiss.rev_swig_ptr(lists.get_codes(number), size * BYTES) for number, size in filled]
            codes = np.concatenate(parts).reshape(-1, BYTES)
        return np.asarray(codes[np.argsort(ids)])


def coarsest(description: Description, count: int) -> Description:
    """The description with at most `count` features, those of the largest scale, in their old order."""
    if len(description.descriptors) <= count:
        return description
    rows = _coarsest_rows(description.scales, count)
    return replace(
        description,
        points=description.points[rows],
        angles=description.angles[rows],
        scales=description.scales[rows],
        descriptors=np.ascontiguousarray(description.descriptors[rows]),
    )


def cells_for(rows: int, settings: SearchSettings) -> int:
    """How many cells suit so many descriptors; never more than there are descriptors."""
    wanted = np.clip(settings.cells_per_root * np.sqrt(rows), settings.fewest_cells, settings.most_cells)
    return min(int(wanted), rows)


def _coarsest_rows(scales: NDArray[np.float32], count: int) -> NDArray[np.intp]:
    """At most `count` of the rows, ascending: those of the largest scale, the first of equals."""
    return np.sort(np.argsort(-scales, kind="stable")[:count])


def _row_ids(reference_id: int, count: int) -> NDArray[np.int64]:
    return reference_id * ROWS_PER_REFERENCE + np.arange(count, dtype=np.int64)


def _flat() -> Any:
    """An empty exact index of 256 bits with ids of our own: FAISS's flat index alone would number anew at removing."""
    return faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(8 * BYTES))


def _trained(codes: NDArray[np.uint8], settings: SearchSettings) -> Any:
    """An empty inverted file whose cells are fitted, by FAISS's k-means, to a sample of descriptors (n, 32)."""
    count = cells_for(len(codes), settings)
    centres: Any = faiss.IndexBinaryFlat(8 * BYTES)
    made = faiss.IndexBinaryIVF(centres, 8 * BYTES, count)
    centres.this.disown()
    made.own_fields = True
    made.cp.niter, made.cp.seed = settings.training_rounds, 1
    made.cp.min_points_per_centroid, made.cp.max_points_per_centroid = 1, settings.sample_per_cell
    sample = np.random.default_rng(1).choice(len(codes), min(len(codes), settings.sample_per_cell * count), False)
    made.train(codes[np.sort(sample)])
    made.nprobe = settings.probes
    return made
