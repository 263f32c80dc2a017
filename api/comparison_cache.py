"""Comparisons kept for a while, so that a browser can fetch their pictures one by one.

In memory only: a comparison is a view of what can be asked again, and nothing is lost with it.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from cachetools import TTLCache

from api.problems import Problem
from matcher.jobs.job import Job

MOST = 200
LONGEST_S = 3600.0
MOST_BYTES = 256_000_000


@dataclass(frozen=True)
class KeptComparison:
    """answer: what the client was told. pictures: encoded JPEG or WebP, by name. job: reads its photo again."""

    answer: Mapping[str, Any]
    pictures: Mapping[str, bytes]
    job: Job | None = None

    @property
    def size(self) -> int:
        """Bytes that it takes up."""
        source = self.job.source if self.job else b""
        return sum(map(len, self.pictures.values())) + (len(source) if isinstance(source, bytes) else 0)


class ComparisonCache:
    """At most MOST comparisons of `most_bytes` in all, for LONGEST_S; what was asked for longest ago goes first.

    May be asked from several threads.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic, most_bytes: int = MOST_BYTES) -> None:
        # Each takes up at least its share of the room: so one limit holds both their number and their size.
        share = most_bytes / MOST
        self._cache: TTLCache[str, KeptComparison, float] = TTLCache(
            most_bytes, LONGEST_S, clock, lambda kept: max(share, kept.size)
        )
        self._lock = threading.Lock()

    def keep(self, name: str, answer: Mapping[str, Any], pictures: Mapping[str, bytes], job: Job | None = None) -> None:
        """Keep a comparison; one that is larger than all the room there is, is not kept."""
        with self._lock, suppress(ValueError):
            self._cache[name] = KeptComparison(answer, pictures, job)

    def add(self, name: str, pictures: Mapping[str, bytes]) -> None:
        """Keep further pictures with a comparison, if it is still kept and there is room."""
        with self._lock, suppress(ValueError):
            kept = self._cache.get(name)
            if kept is not None:
                self._cache[name] = replace(kept, pictures={**kept.pictures, **pictures})

    def get(self, name: str) -> KeptComparison:
        """Raises Problem no_such_comparison."""
        with self._lock:
            kept = self._cache.get(name)
        if kept is None:
            raise Problem("no_such_comparison")
        return kept


def new_name() -> str:
    """A name of chance, which nobody can guess: 144 bits."""
    return secrets.token_urlsafe(18)
