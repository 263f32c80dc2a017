"""Comparisons kept for a while, so that a browser can fetch their pictures one by one: limited in number, age and size.

In memory only: a comparison is a view of what can be asked again, and nothing is lost with it.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from api.problems import Problem

MOST = 200
LONGEST_S = 3600.0
MOST_BYTES = 256_000_000


@dataclass(frozen=True)
class Kept:
    """answer: what the client was told. pictures: encoded JPEG or WebP, by name."""

    answer: Mapping[str, Any]
    pictures: Mapping[str, bytes]
    until: float

    @property
    def size(self) -> int:
        return sum(map(len, self.pictures.values()))


class Keeper:
    """Keeps comparisons under names of chance; the oldest go first. May be asked from several threads."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, most_bytes: int = MOST_BYTES) -> None:
        self._clock = clock
        self._most_bytes = most_bytes
        self._kept: OrderedDict[str, Kept] = OrderedDict()
        self._size = 0
        self._lock = threading.Lock()

    def new_name(self) -> str:
        return secrets.token_urlsafe(18)

    def keep(self, name: str, answer: Mapping[str, Any], pictures: Mapping[str, bytes]) -> None:
        with self._lock:
            kept = Kept(answer, pictures, self._clock() + LONGEST_S)
            self._kept[name] = kept
            self._size += kept.size
            while self._kept and self._too_much():
                self._size -= self._kept.popitem(last=False)[1].size

    def get(self, name: str) -> Kept:
        """Raises Problem no_such_comparison."""
        with self._lock:
            kept = self._kept.get(name)
        if kept is None or kept.until < self._clock():
            raise Problem("no_such_comparison")
        return kept

    def _too_much(self) -> bool:
        oldest = next(iter(self._kept.values()))
        return len(self._kept) > MOST or self._size > self._most_bytes or oldest.until < self._clock()
