"""What goes to a worker and comes back: a `Job` with the steps that follow identifying, and a `JobResult`.

A step is a frozen, picklable callable that belongs to the room whose affair it is: the lot keeps faces, the listing
looks for earlier sightings, rendering draws. It runs in the worker, where the photo's pixels are at hand, and hands
back a small typed extra, or None.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.answer import PhotoAnswer, Quad
from matcher.core.identify import Identification
from matcher.core.photo import Photo
from matcher.core.settings import Settings

T = TypeVar("T")


class WorkerContext:
    """What the steps of one worker work with: the opened references, the settings, and what they keep between jobs."""

    def __init__(self, references: CatalogueReferences, settings: Settings) -> None:
        self.references = references
        self.settings = settings
        self._kept: dict[Any, Any] = {}

    def once(self, make: Callable[[CatalogueReferences, Settings], T]) -> T:
        """What `make` gives: made for the first job that asks, and kept as long as the worker lives."""
        if make not in self._kept:
            self._kept[make] = make(self.references, self.settings)
        made: T = self._kept[make]
        return made


class Preparation(Protocol):
    """What is done with a photo that was read: gives the photo that the answer is about."""

    def __call__(self, photo: Photo, context: WorkerContext) -> Photo: ...


class Step(Protocol):
    """What is done with a photo that was identified. name: what the job calls it."""

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> object | None: ...


@dataclass(frozen=True)
class Job:
    """One photo to identify: a path or bytes, and the name to report it under.

    page: of a TIFF or PDF, from 0. quad: corners of its only card as a person has drawn them; None: find the cards.
    upright: `quad` begins at the card's upper left, by that person's word.
    look: False where the photo is only read, for the steps: no card is looked for.
    """

    name: str
    source: Path | bytes
    page: int = 0
    quad: Quad | None = None
    upright: bool = False
    look: bool = True
    preparation: Preparation | None = None
    steps: tuple[Step, ...] = ()


@dataclass(frozen=True)
class JobResult:
    """The answer, and what the job's steps handed back; no extras where the photo could not be identified."""

    answer: PhotoAnswer
    extras: tuple[object, ...] = ()

    def extra(self, kind: type[T]) -> T | None:
        """The extra of this kind, None where no step handed one back."""
        return next((extra for extra in self.extras if isinstance(extra, kind)), None)
