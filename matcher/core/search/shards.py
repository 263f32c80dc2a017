"""An index larger than one machine's memory: parts of it on several workers, asked in one call, answering as one.

Each part lives as an actor on a worker of a Dask cluster. A part whose worker is lost is opened again on another one,
from its folder; if that fails too, the call says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.errors import PlatekinError
from matcher.core.parallel.processes import one_thread
from matcher.core.search.reference_index import ReferenceIndex, search
from matcher.core.search.voting import Hit, Neighbours

PATIENCE_S = 60
"""How long a part may take to answer, being opened included."""


class Shard:
    """One part, in the process that holds it: `ReferenceIndex` with what a search asks of it, and no more."""

    def __init__(self, folder: Path, fingerprint: str) -> None:
        one_thread()
        self._index = ReferenceIndex.open(folder, fingerprint)

    def asked(self, description: Description) -> Description:
        return self._index.asked(description)

    def neighbours(self, asked: Description) -> Neighbours:
        return self._index.neighbours(asked)

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int) -> list[tuple[int, int]]:
        return self._index.nearest_hashes(hashes, count)

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        return self._index.points_of(references)

    def size(self) -> int:
        return len(self._index)


class ShardedIndex:
    """Several parts on a cluster that answer as one index."""

    def __init__(self, client: Any, folders: Sequence[Path], fingerprint: str) -> None:
        """client: a `distributed.Client`. Raises PlatekinError shard_lost."""
        self._client = client
        self._folders = [folder.resolve() for folder in folders]
        self._fingerprint = fingerprint
        self._parts: list[Any] = [None] * len(folders)
        self._size = int(sum(self._all("size")))

    def __len__(self) -> int:
        return self._size

    def search(self, description: Description, limit: int = 12) -> tuple[Hit, ...]:
        """The references most like this description, best first. Raises PlatekinError shard_lost."""
        return search(self, description, limit)

    def asked(self, description: Description) -> Description:
        found: Description = self._ask(0, "asked", description)
        return found

    def neighbours(self, asked: Description) -> Neighbours:
        return Neighbours.joined(self._all("neighbours", asked))

    def nearest_hashes(self, hashes: NDArray[np.uint8], count: int = 4) -> list[tuple[int, int]]:
        found = [pair for part in self._all("nearest_hashes", hashes, count) for pair in part]
        return sorted(found, key=lambda pair: (pair[1], pair[0]))[:count]

    def points_of(self, references: Sequence[int]) -> Mapping[int, NDArray[np.float32]]:
        found: dict[int, NDArray[np.float32]] = {}
        for part in self._all("points_of", list(references)):
            found.update(part)
        return found

    def _all(self, method: str, *arguments: Any) -> list[Any]:
        """Ask all parts at once; one that does not answer is asked again where it has been opened anew."""
        waiting = [self._started(number, method, arguments) for number in range(len(self._folders))]
        return [
            self._ask(number, method, *arguments) if answer is None else self._waited(number, answer, method, arguments)
            for number, answer in enumerate(waiting)
        ]

    def _started(self, number: int, method: str, arguments: tuple[Any, ...]) -> Any:
        try:
            return self._call(number, method, arguments)
        except Exception:  # the engine has no one kind of error for a lost actor
            self._parts[number] = None
            return None

    def _waited(self, number: int, answer: Any, method: str, arguments: tuple[Any, ...]) -> Any:
        try:
            return answer.result(timeout=PATIENCE_S)
        except Exception:
            self._parts[number] = None
            return self._ask(number, method, *arguments)

    def _ask(self, number: int, method: str, *arguments: Any) -> Any:
        """Ask one part, and where it is lost, once more on another worker."""
        trouble: Exception | None = None
        for _ in range(2):
            try:
                return self._call(number, method, arguments).result(timeout=PATIENCE_S)
            except Exception as error:
                trouble, self._parts[number] = error, None
        told = f"{self._folders[number]}: this part of the index does not answer ({type(trouble).__name__})"
        todo = "see that a worker with room for it runs, and that it sees the folder"
        raise PlatekinError("shard_lost", told, todo) from trouble

    def _call(self, number: int, method: str, arguments: tuple[Any, ...]) -> Any:
        """A future of what a part answers; the part is opened first where it is not."""
        with self._client.as_current():  # an actor asks for the client of the day
            if self._parts[number] is None:
                future = self._client.submit(Shard, self._folders[number], self._fingerprint, actor=True, pure=False)
                self._parts[number] = future.result(timeout=PATIENCE_S)
            return getattr(self._parts[number], method)(*arguments)


def split(index: ReferenceIndex, folders: Sequence[Path], load: Callable[[int], Description]) -> None:
    """Write the parts of an index: reference by reference in turn, over the same cells. load: its descriptions."""
    parts = [ReferenceIndex(folder, index.fingerprint, index.cells) for folder in folders]
    for number, reference_id in enumerate(sorted(index.reference_ids())):
        parts[number % len(parts)].add(reference_id, load(reference_id))
    for part in parts:
        part.save()
