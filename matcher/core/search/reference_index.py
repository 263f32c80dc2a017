"""Stage 5: a `Description` in, a shortlist of references out.

Small catalogues are compared with descriptor by descriptor. From `EXACT_BELOW` descriptors on, the coarsest ones of
each reference lie in inverted lists, in files that are mapped into memory; what comes and goes afterwards is kept
beside them until they are written anew. All of it is a cache: it is rebuilt from the catalogue when the fingerprint
differs or a file is missing.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search import stored_lists as stored_files
from matcher.core.search.exact import ExactRows
from matcher.core.search.inverted_lists import cells_for, train_cells
from matcher.core.search.rebuild import rebuild
from matcher.core.search.recent_lists import KEPT, RecentRows
from matcher.core.search.selection import coarsest
from matcher.core.search.stored_lists import StoredRows
from matcher.core.search.voting import Hit, Neighbours, shortlist

__all__ = ["Hit", "ReferenceIndex", "search", "synchronise"]

EXACT_BELOW = 150_000
"""Up to this many descriptors the exact index answers a whole face in well under 0.1 s on one core."""

ASKED = 256
"""Features of a query that a large index is asked for."""

FEW = 1000
SHARE = 0.05
"""Recent references are written into the lists when there are more than `FEW` and than this share of the stored."""

MOST_DEAD = 0.1
"""Share of removed references from which the lists are written anew."""

AT_ONCE = 50_000
"""References added between two savings, so that building a large index takes bounded memory."""

FORMAT = 2
_OWN_FILE = re.compile(r"(descriptors|hashes|keypoints|recent|removed|index)-\d+-[0-9a-f]{8}(\.npz|\.npy|\.tmp)?")
_OWN_FOLDER = re.compile(r"lists-\d+-[0-9a-f]{8}")
_DAMAGED = (OSError, ValueError, TypeError, KeyError, EOFError, RuntimeError, BadZipFile)


class ReferenceIndex:
    """All references' descriptors and hashes; add and remove without a rebuild; saved atomically."""

    def __init__(self, folder: Path, fingerprint: str, cells: Any = None) -> None:
        """An empty index. cells: those of another one that this is to be a shard of."""
        self.folder = folder
        self.fingerprint = fingerprint
        self._exact = ExactRows() if cells is None else None
        self._stored: StoredRows | None = None
        self._recent: RecentRows | None = None if cells is None else RecentRows(cells)

    @classmethod
    def open(cls, folder: Path, fingerprint: str) -> ReferenceIndex:
        """Read the index, or start an empty one where it is missing, damaged or of another fingerprint."""
        index = cls(folder, fingerprint)
        try:
            facts = json.loads((folder / "index.json").read_text())
            if facts["fingerprint"] == fingerprint and facts["format"] == FORMAT:
                index._read(facts)
        except _DAMAGED:
            return cls(folder, fingerprint)
        return index

    def _read(self, facts: Mapping[str, Any]) -> None:
        if "lists" not in facts:
            self._exact = ExactRows.read(
                *(self.folder / facts[part] for part in ("descriptors", "hashes", "keypoints"))
            )
            return
        self._exact, self._stored = None, StoredRows(self.folder / facts["lists"])
        self._stored.remove_all(np.load(self.folder / facts["removed"]).tolist())
        self._recent = RecentRows(self._stored.cells)
        self._recent.read(self.folder / facts["recent"])
        if len(self) != facts["references"]:
            raise ValueError(f"{self.folder}: not what its index.json says")

    def __len__(self) -> int:
        return sum(map(len, self._parts))

    @property
    def _parts(self) -> list[ExactRows | StoredRows | RecentRows]:
        return [part for part in (self._exact, self._stored, self._recent) if part is not None]

    def reference_ids(self) -> set[int]:
        if self._exact is not None:
            return self._exact.reference_ids()
        found = set(self._recent.kept()) if self._recent else set()
        return found | set(self._stored.reference_ids().tolist()) if self._stored else found

    @property
    def kind(self) -> str:
        """'exact' or 'inverted lists': which kind of index answers now."""
        return "exact" if self._exact is not None else "inverted lists"

    def add(self, reference_id: int, description: Description) -> None:
        """Add one reference. Raises ValueError for a foreign fingerprint or an id that is there already."""
        if description.fingerprint != self.fingerprint:
            raise ValueError(f"description {description.fingerprint} does not fit index {self.fingerprint}")
        if any(reference_id in part for part in self._parts):
            raise ValueError(f"reference {reference_id} is in the index already")
        if self._recent is not None:
            self._recent.add(reference_id, description)
        elif self._exact is not None:
            self._exact.add(reference_id, description)
            self.fit_size()

    def remove(self, reference_id: int) -> None:
        """Remove one reference; an unknown id is ignored."""
        for part in self._parts:
            part.remove(reference_id)

    def search(self, description: Description, limit: int = 12) -> tuple[Hit, ...]:
        """The references most like this description, best first, at most `limit`."""
        return search(self, description, limit)

    def asked(self, description: Description) -> Description:
        """The features that this index is asked for."""
        return description if self._exact is not None else coarsest(description, ASKED)

    def neighbours(self, asked: Description) -> Neighbours:
        """The nearest descriptors of each of these features."""
        return Neighbours.joined([part.neighbours(asked) for part in self._parts])

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int = 4) -> list[tuple[int, int]]:
        """(reference id, bits that differ) of the faces with the nearest perceptual hashes; hashes: (32,) uint8."""
        found = [pair for part in self._parts if len(part) for pair in part.nearest_hashes(hashes, count)]
        return sorted(found, key=lambda pair: (pair[1], pair[0]))[:count]

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        """(n, 2) points of each of these references, as `Neighbours.rows` counts them; unknown ones are left out."""
        found: dict[int, NDArray[np.float32]] = {}
        for part in self._parts:
            found.update(part.points_of(references))
        return found

    @property
    def cells(self) -> Any:
        """What shards of this index must have in common; None for an exact index."""
        return self._recent.cells if self._recent is not None else None

    def fit_size(self) -> None:
        """Change from the exact to the approximate index where the number of descriptors asks for it."""
        if self._exact is None or self._exact.rows <= EXACT_BELOW:
            return
        texts = [(reference_id, coarsest(text, KEPT)) for reference_id, text in self._exact.descriptions()]
        rows = np.concatenate([text.descriptors for _, text in texts])
        self._recent = RecentRows(train_cells(rows, min(cells_for(len(rows)), len(rows))))
        self._exact = None
        for reference_id, text in texts:
            self._recent.add(reference_id, text)

    def save(self) -> None:
        """Write what has changed under new names, then switch to it in one step; old files go last.

        A process that has the old files open goes on with them, see `renewed`. Raises OSError, RuntimeError.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        self.fit_size()
        if self._exact is None and not len(self):
            self._exact, self._stored, self._recent = ExactRows(), None, None
        stamp = f"{os.getpid()}-{os.urandom(4).hex()}"
        names = self._write_exact(stamp) if self._exact is not None else self._write_lists(stamp)
        facts = {"format": FORMAT, "fingerprint": self.fingerprint, "references": len(self), "kind": self.kind, **names}
        draft = self.folder / f"index-{stamp}.tmp"
        draft.write_text(json.dumps(facts, indent=1))
        draft.replace(self.folder / "index.json")
        self._tidy(set(names.values()))

    def _write_exact(self, stamp: str) -> dict[str, str]:
        assert self._exact is not None
        names = {part: f"{part}-{stamp}" for part in ("descriptors", "hashes")} | {
            "keypoints": f"keypoints-{stamp}.npz"
        }
        self._exact.write(*(self.folder / name for name in names.values()))
        return names

    def _write_lists(self, stamp: str) -> dict[str, str]:
        assert self._recent is not None
        if self._wants_rebuild():
            folder = self.folder / f"lists-{stamp}"
            rebuild(folder, self._stored, self._recent)
            self._stored = StoredRows(folder)
            self._recent = RecentRows(self._stored.cells)
        assert self._stored is not None
        names = {"lists": self._stored.folder.name, "recent": f"recent-{stamp}.npz", "removed": f"removed-{stamp}.npy"}
        self._recent.write(self.folder / names["recent"])
        np.save(self.folder / names["removed"], self._stored.removed())
        return names

    def _wants_rebuild(self) -> bool:
        if self._stored is None or self._recent is None:
            return True
        return (
            len(self._recent) > max(FEW, SHARE * len(self._stored))
            or self._stored.dead > MOST_DEAD * len(self._stored.ids)
            or not self._stored.folder.is_dir()
        )

    def _tidy(self, kept: set[str]) -> None:
        """Only files of our own making are ever removed, whatever else a person keeps in this folder."""
        for path in self.folder.iterdir():
            if path.name in kept:
                continue
            if _OWN_FILE.fullmatch(path.name):
                path.unlink(missing_ok=True)
            elif _OWN_FOLDER.fullmatch(path.name):
                for name in (*stored_files.NAMES, "draft.bin"):
                    (path / name).unlink(missing_ok=True)
                with suppress(OSError):  # somebody keeps something of their own in it
                    path.rmdir()

    def renewed(self) -> ReferenceIndex | None:
        """The index as it lies in the folder now, if its lists have been written anew; None if not.

        Opening it takes no time to speak of, and this one answers until the other takes its place.
        """
        try:
            lists = json.loads((self.folder / "index.json").read_text()).get("lists")
        except (OSError, ValueError):
            return None
        if lists is None or (self._stored is not None and self._stored.folder.name == lists):
            return None
        index = ReferenceIndex.open(self.folder, self.fingerprint)
        return index if len(index) else None


def search(index: Any, description: Description, limit: int = 12) -> tuple[Hit, ...]:
    """The shortlist of one index, or of several that answer as one (`core.search.shards`)."""
    asked = index.asked(description)
    by_hash = [reference for reference, _ in index.nearest_hashes(description.hashes)]
    return shortlist(asked, index.neighbours(asked).without_last_ties(), by_hash, index.points_of, limit)


def synchronise(
    index: ReferenceIndex, wanted: Iterable[int], load: Callable[[int], Description], keep: bool = False
) -> int:
    """Make the index hold just the wanted references; returns how many were added or removed.

    keep: save now and then on the way, so that what is in memory stays little.
    """
    target = set(wanted)
    held = index.reference_ids()
    gone, new = held - target, sorted(target - held)
    for reference_id in gone:
        index.remove(reference_id)
    for number, reference_id in enumerate(new, start=1):
        index.add(reference_id, load(reference_id))
        if keep and number % AT_ONCE == 0:
            index.save()
    return len(gone) + len(new)
