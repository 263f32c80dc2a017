"""Stage 5: a `Description` in, a shortlist of references out.

Two FAISS binary indexes behind our own ids: one over all ORB descriptors, one over the perceptual hashes.
They are a cache: everything in them is rebuilt from the catalogue when the fingerprint differs or a file is
missing. Votes of single descriptors are cheap but blind to geometry, and cards share mount, issuer's line and
backdrop, so the voted references are checked by how many votes agree on one similarity transform.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import cv2
import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.describe import Description

ROWS_PER_REFERENCE = 1024
"""Descriptor ids are reference_id * ROWS_PER_REFERENCE + row, so that an id tells both."""

EXACT_BELOW = 150_000
"""Up to this many descriptors the exact index answers a whole face in well under 0.1 s on one core."""

NEIGHBOURS = 24
"""Neighbours asked per descriptor: one negative may stand in the catalogue in many crops, captions and copies."""

FAR = 72
"""Hamming distance (of 256) beyond which two ORB descriptors of the same spot hardly ever lie."""

_OWN_FILE = re.compile(r"(descriptors|hashes|keypoints|index)-\d+-[0-9a-f]{8}(\.npz|\.tmp)?")

CHECKED = 48
"""References whose votes are checked for one common transform."""


@dataclass(frozen=True)
class Hit:
    """One reference on the shortlist.

    votes:    sum of descriptor votes, each at most 1.
    inliers:  votes that agree on one similarity transform.
    turned:   True where they agree on a half turn: the face is upside down.
    """

    reference_id: int
    votes: float
    inliers: int
    turned: bool


class ReferenceIndex:
    """All references' descriptors and hashes; add and remove without a rebuild; saved atomically."""

    def __init__(self, folder: Path, fingerprint: str) -> None:
        self.folder = folder
        self.fingerprint = fingerprint
        self._descriptors: Any = _exact(256)
        self._hashes: Any = _exact(256)
        self._keypoints: dict[int, NDArray[np.float32]] = {}

    @classmethod
    def open(cls, folder: Path, fingerprint: str) -> ReferenceIndex:
        """Read the index, or start an empty one where it is missing, damaged or of another fingerprint."""
        index = cls(folder, fingerprint)
        try:
            facts = json.loads((folder / "index.json").read_text())
            if facts["fingerprint"] != fingerprint:
                return index
            descriptors = faiss.read_index_binary(str(folder / facts["descriptors"]))
            hashes = faiss.read_index_binary(str(folder / facts["hashes"]))
            with (folder / facts["keypoints"]).open("rb") as file, np.load(file) as stored:
                keypoints = _split(stored["ids"], stored["counts"], stored["rows"])
        except (OSError, ValueError, TypeError, KeyError, EOFError, RuntimeError, BadZipFile):
            return index
        if descriptors.ntotal == sum(map(len, keypoints.values())) and hashes.ntotal == len(keypoints):
            index._descriptors, index._hashes, index._keypoints = descriptors, hashes, keypoints
        return index

    def __len__(self) -> int:
        return len(self._keypoints)

    def reference_ids(self) -> set[int]:
        return set(self._keypoints)

    @property
    def kind(self) -> str:
        """'exact' or 'inverted lists': which FAISS index answers now."""
        return "inverted lists" if isinstance(self._descriptors, faiss.IndexBinaryIVF) else "exact"

    def add(self, reference_id: int, description: Description) -> None:
        """Add one reference. Raises ValueError for a foreign fingerprint or an id that is there already."""
        if description.fingerprint != self.fingerprint:
            raise ValueError(f"description {description.fingerprint} does not fit index {self.fingerprint}")
        if reference_id in self._keypoints:
            raise ValueError(f"reference {reference_id} is in the index already")
        count = len(description.descriptors)
        ids = reference_id * ROWS_PER_REFERENCE + np.arange(count, dtype=np.int64)
        if count:
            self._descriptors.add_with_ids(np.ascontiguousarray(description.descriptors), ids)
        self._hashes.add_with_ids(description.hashes[None], np.array([reference_id], np.int64))
        self._keypoints[reference_id] = description.points.astype(np.float32)

    def remove(self, reference_id: int) -> None:
        """Remove one reference; an unknown id is ignored."""
        points = self._keypoints.pop(reference_id, None)
        if points is None:
            return
        ids = reference_id * ROWS_PER_REFERENCE + np.arange(len(points), dtype=np.int64)
        self._descriptors.remove_ids(ids)
        self._hashes.remove_ids(np.array([reference_id], np.int64))

    def search(self, description: Description, limit: int = 12) -> tuple[Hit, ...]:
        """The references most like this description, best first, at most `limit`."""
        if not self._keypoints:
            return ()
        by_hash = [reference for reference, _ in self.nearest_hashes(description.hashes)]
        votes, pairs = self._vote(description)
        ranked = sorted(votes, key=lambda reference: -votes[reference])[:CHECKED]
        ranked += [reference for reference in by_hash if reference not in ranked]
        hits = [
            Hit(reference, votes.get(reference, 0.0), *self._agreeing(description, reference, pairs))
            for reference in ranked
        ]
        return tuple(sorted(hits, key=lambda hit: (-hit.inliers, -hit.votes))[:limit])

    def save(self) -> None:
        """Write all files under new names, then switch to them in one step; old files go last."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.fit_size()
        stamp = f"{os.getpid()}-{os.urandom(4).hex()}"
        names = {part: f"{part}-{stamp}" for part in ("descriptors", "hashes")}
        faiss.write_index_binary(self._descriptors, str(self.folder / names["descriptors"]))
        faiss.write_index_binary(self._hashes, str(self.folder / names["hashes"]))
        names["keypoints"] = f"keypoints-{stamp}.npz"
        np.savez(self.folder / names["keypoints"], allow_pickle=False, **_joined(self._keypoints))
        facts = {"fingerprint": self.fingerprint, "references": len(self), "kind": self.kind, **names}
        draft = self.folder / f"index-{stamp}.tmp"
        draft.write_text(json.dumps(facts, indent=1))
        draft.replace(self.folder / "index.json")
        for path in self.folder.iterdir():
            # Only files of our own making are ever removed, whatever else a person keeps in this folder.
            if _OWN_FILE.fullmatch(path.name) and path.name not in names.values():
                path.unlink(missing_ok=True)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int = 4) -> list[tuple[int, int]]:
        """(reference id, bits that differ) of the faces with the nearest perceptual hashes; hashes: (32,) uint8."""
        distances, ids = self._hashes.search(np.ascontiguousarray(hashes[None]), count)
        return [(int(i), int(d)) for i, d in zip(ids[0], distances[0], strict=True) if i >= 0]

    def _vote(self, description: Description) -> tuple[dict[int, float], dict[int, NDArray[np.int64]]]:
        """Votes by reference, and the (query row, reference row) pairs behind them.

        Each query descriptor votes once for a reference, by the nearest of that reference's descriptors.
        """
        if not len(description.descriptors) or not self._descriptors.ntotal:
            return {}, {}
        distances, ids = self._descriptors.search(np.ascontiguousarray(description.descriptors), NEIGHBOURS)
        query, rank = np.nonzero((ids >= 0) & (distances <= FAR))
        reference, row = np.divmod(ids[query, rank], ROWS_PER_REFERENCE)
        # Neighbours come nearest first, and `unique` keeps the first of equals.
        _, first = np.unique(np.stack([reference, query]), axis=1, return_index=True)
        reference, query, row, rank = reference[first], query[first], row[first], rank[first]
        names, starts = np.unique(reference, return_index=True)
        votes = np.add.reduceat(1.0 - distances[query, rank] / (FAR + 1), starts) if len(names) else names
        pairs = np.split(np.stack([query, row], axis=1), starts[1:])
        return dict(zip(names.tolist(), votes.tolist(), strict=True)), dict(
            zip(names.tolist(), pairs, strict=False)  # no names: one empty part
        )

    def _agreeing(
        self, description: Description, reference: int, pairs: dict[int, NDArray[np.int64]]
    ) -> tuple[int, bool]:
        matched = pairs.get(reference, np.empty((0, 2), np.int64))
        if len(matched) < 4:
            return len(matched) // 4, False
        source = description.points[matched[:, 0]]
        target = self._keypoints[reference][matched[:, 1]]
        transform, inliers = cv2.estimateAffinePartial2D(
            source, target, ransacReprojThreshold=6.0, maxIters=300, confidence=0.99, refineIters=0
        )
        if transform is None or not 0.4 < np.hypot(transform[0, 0], transform[1, 0]) < 2.5:
            return 0, False
        return int(inliers.sum()), bool(transform[0, 0] < 0)

    def fit_size(self) -> None:
        """Change from the exact to the approximate index where the number of descriptors asks for it."""
        total = self._descriptors.ntotal
        if self.kind == "exact" and total > EXACT_BELOW:
            self._descriptors = _inverted(self._descriptors)


def synchronise(index: ReferenceIndex, wanted: Iterable[int], load: Callable[[int], Description]) -> int:
    """Make the index hold just the wanted references; returns how many were added or removed."""
    target = set(wanted)
    gone, new = index.reference_ids() - target, sorted(target - index.reference_ids())
    for reference_id in gone:
        index.remove(reference_id)
    for reference_id in new:
        index.add(reference_id, load(reference_id))
    return len(gone) + len(new)


def _exact(bits: int) -> Any:
    return faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(bits))


def _inverted(exact: Any) -> Any:
    """Inverted lists over the same ids; about 1,300 descriptors a list, 1.2 % of the lists looked into."""
    total = exact.ntotal
    ids = faiss.vector_to_array(exact.id_map)
    flat: Any = faiss.downcast_IndexBinary(exact.index)
    rows = faiss.vector_to_array(flat.xb).reshape(total, -1)
    lists = int(min(4096, max(128, total // 1300)))
    quantizer: Any = faiss.IndexBinaryFlat(256)
    inverted = faiss.IndexBinaryIVF(quantizer, 256, lists)
    quantizer.this.disown()
    inverted.own_fields = True
    inverted.cp.seed = 1
    inverted.cp.min_points_per_centroid = 5
    sample = np.random.default_rng(1).choice(total, min(total, 40 * lists), replace=False)
    inverted.train(np.ascontiguousarray(rows[sample]))
    inverted.add_with_ids(rows, ids)
    inverted.nprobe = max(8, lists // 80)
    return inverted


def _joined(keypoints: dict[int, NDArray[np.float32]]) -> dict[str, NDArray[np.generic]]:
    rows = list(keypoints.values())
    return {
        "ids": np.array(list(keypoints), np.int64),
        "counts": np.array([len(r) for r in rows], np.int64),
        "rows": np.concatenate(rows) if rows else np.empty((0, 2), np.float32),
    }


def _split(
    ids: NDArray[np.int64], counts: NDArray[np.int64], rows: NDArray[np.float32]
) -> dict[int, NDArray[np.float32]]:
    parts = np.split(rows, np.cumsum(counts)[:-1]) if len(counts) else []
    return {int(i): part for i, part in zip(ids, parts, strict=True)}
