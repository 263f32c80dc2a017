"""Stage 5: a `Description` in, a shortlist of references out.

Small catalogues are compared with descriptor by descriptor; beyond `SearchSettings.exact_below` descriptors the
coarsest ones of each reference lie in an inverted file (`descriptor_store`). What is stored is a cache: it is rebuilt
from the catalogue when the fingerprint differs or a file is missing or damaged.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search.descriptor_store import DescriptorStore
from matcher.core.search.settings import SearchSettings
from matcher.core.search.voting import Hit, shortlist

__all__ = ["Hit", "ReferenceIndex", "synchronise"]

FORMAT = 3
_PARTS = {"descriptors": "", "hashes": "", "keypoints": ".npz"}
"""The files of an index, and how their names end."""

_OWN_FILE = re.compile(r"(descriptors|hashes|keypoints|recent|removed|index)-\d+-[0-9a-f]{8}(\.npz|\.npy|\.tmp)?")
_OWN_FOLDER = re.compile(r"lists-\d+-[0-9a-f]{8}")
_IN_FOLDER = ("cells.faiss", "lists.bin", "sizes.npy", "references.npy", "starts.npy", "points.npy", "hashes.npy")
"""Earlier versions kept large indexes in such folders, `recent` and `removed`."""

_DAMAGED = (OSError, ValueError, TypeError, KeyError, EOFError, RuntimeError, BadZipFile)


class ReferenceIndex:
    """All references' descriptors and hashes in memory; add and remove at any time; saved atomically."""

    def __init__(self, folder: Path, fingerprint: str, settings: SearchSettings = SearchSettings()) -> None:
        """An empty index. folder: where `save` writes; fingerprint: of the descriptions that may be added."""
        self.folder = folder
        self.fingerprint = fingerprint
        self.settings = settings
        self._store = DescriptorStore(settings)
        self.damaged = False
        """Whether something is stored that was not what had been saved, and is left aside."""

    @classmethod
    def open(cls, folder: Path, fingerprint: str, settings: SearchSettings = SearchSettings()) -> ReferenceIndex:
        """Read the index, or start an empty one where it is missing, damaged or of another fingerprint."""
        index = cls(folder, fingerprint, settings)
        try:
            facts = json.loads((folder / "index.json").read_text())
            if facts["fingerprint"] == fingerprint and facts["format"] == FORMAT:
                _check_whole(folder, facts)
                descriptors, hashes, keypoints = (folder / facts[part] for part in _PARTS)
                index._store = DescriptorStore.read(descriptors, hashes, keypoints, settings)
        except FileNotFoundError as error:
            index.damaged = Path(error.filename or "").name != "index.json"
        except _DAMAGED:
            index.damaged = True
        return index

    def __len__(self) -> int:
        return len(self._store)

    def reference_ids(self) -> set[int]:
        """Ids of all references held."""
        return self._store.reference_ids()

    @property
    def kind(self) -> str:
        """'exact' or 'inverted file': which kind of index answers now."""
        return "exact" if self._store.exact else "inverted file"

    @property
    def cells(self) -> int:
        """Lists of the inverted file; 0 where all is compared."""
        return self._store.cells

    def add(self, reference_id: int, description: Description) -> None:
        """Add one reference. Raises ValueError for a foreign fingerprint or an id that is there already."""
        if description.fingerprint != self.fingerprint:
            raise ValueError(f"description {description.fingerprint} does not fit index {self.fingerprint}")
        if reference_id in self._store:
            raise ValueError(f"reference {reference_id} is in the index already")
        self._store.add(reference_id, description)
        if self._store.exact and self._store.rows > self.settings.exact_below:
            self._store = self._store.in_cells()

    def remove(self, *reference_ids: int) -> None:
        """Remove references; unknown ids are ignored."""
        self._store.remove(reference_ids)

    def search(self, description: Description, limit: int | None = None) -> tuple[Hit, ...]:
        """The references most like this description, best first, at most `limit` (the settings' number)."""
        settings, store = self.settings, self._store
        asked = store.asked(description)
        neighbours = store.neighbours(asked).without_last_ties()
        by_hash = [reference for reference, _ in self.nearest_hashes(description.hashes, settings.by_hash)]
        limit = settings.shortlist if limit is None else limit
        return shortlist(asked, neighbours, by_hash, store.points_of, limit, settings.voting)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        """(reference id, bits that differ) of the faces with the nearest perceptual hashes; hashes: (32,) uint8."""
        return sorted(self._store.nearest_hashes(hashes, count), key=lambda pair: (pair[1], pair[0]))

    def save(self) -> None:
        """Write the index under new names, then switch to it in one step; old files go last.

        Cells are trained anew first where the index has outgrown them. Raises OSError, RuntimeError.
        """
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not len(self):
            self._store = DescriptorStore(self.settings)
        elif self._store.outgrown():
            self._store = self._store.in_cells()
        stamp = f"{os.getpid()}-{os.urandom(4).hex()}"
        names = {part: f"{part}-{stamp}{end}" for part, end in _PARTS.items()}
        self._store.write(*(self.folder / name for name in names.values()))
        facts = {"format": FORMAT, "fingerprint": self.fingerprint, "references": len(self), "kind": self.kind, **names}
        facts["digests"] = {part: _digest(self.folder / name) for part, name in names.items()}
        facts["digest"] = _digest_of(facts)
        draft = self.folder / f"index-{stamp}.tmp"
        draft.write_text(json.dumps(facts, indent=1))
        draft.replace(self.folder / "index.json")
        self._tidy(set(names.values()))

    def _tidy(self, kept: set[str]) -> None:
        """Only files of our own making are ever removed, whatever else a person keeps in this folder."""
        for path in self.folder.iterdir():
            if path.name in kept:
                continue
            if _OWN_FILE.fullmatch(path.name):
                path.unlink(missing_ok=True)
            elif _OWN_FOLDER.fullmatch(path.name):
                for name in _IN_FOLDER:
                    (path / name).unlink(missing_ok=True)
                with suppress(OSError):  # somebody keeps something of their own in it
                    path.rmdir()


def _check_whole(folder: Path, facts: Mapping[str, Any]) -> None:
    """Raises ValueError where a file is not what was saved: a damaged index would find other references."""
    if facts["digest"] != _digest_of(facts):
        raise ValueError(f"{folder / 'index.json'}: not what was saved")
    for part in _PARTS:
        if _digest(folder / facts[part]) != facts["digests"][part]:
            raise ValueError(f"{folder / facts[part]}: not what was saved")


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _digest_of(facts: Mapping[str, Any]) -> str:
    told = {name: value for name, value in facts.items() if name != "digest"}
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def synchronise(
    index: ReferenceIndex, wanted: Iterable[int], load: Callable[[int], Description], keep: bool = False
) -> int:
    """Make the index hold just the wanted references; returns how many were added or removed.

    load: the description of one. keep: save now and then on the way, so that a break costs little. Raises what `load`
    and `save` raise.
    """
    target = set(wanted)
    held = index.reference_ids()
    gone, new = held - target, sorted(target - held)
    index.remove(*gone)
    for number, reference_id in enumerate(new, start=1):
        index.add(reference_id, load(reference_id))
        if keep and number % index.settings.save_every == 0:
            index.save()
    return len(gone) + len(new)
