"""What the stages ask of a catalogue, and nothing more: its known cards, their faces, and which of them look alike.

`matcher.catalogue.reference_set` answers from a catalogue's folder; anything else that has these methods will do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeVar

from matcher.core.describe import Description
from matcher.core.flatten import Face
from matcher.core.search.voting import Hit
from matcher.core.shared_settings import FaceSize

Written = TypeVar("Written")


class Reading(Protocol[Written]):
    """How something is read off a face that is worth keeping: the same of the same face, as long as `key` is the same.

    Hashable; two that are equal read alike.
    """

    @property
    def key(self) -> str:
        """Letters and digits that differ whenever what is read could; empty where nothing can be read now, and so
        nothing may be kept."""

    def __hash__(self) -> int: ...

    def read(self, face: Face) -> Written:
        """What stands on a face."""

    def encode(self, written: Written, /) -> bytes:
        """To be kept."""

    def decode(self, data: bytes) -> Written:
        """The reverse, for what is known to be whole."""


@dataclass(frozen=True)
class KnownRecord:
    """One known variation: which negative, which window of it, which words, which mark (`core.ladder.mark`)."""

    record_id: str
    subject: str
    pose: str
    crop: str
    caption: str
    club: str = ""
    issuer: str = ""
    mark: str = ""


@dataclass(frozen=True)
class KnownReference:
    """One picture of a known card.

    legibility: residual contrast of its face, 0 to 1; the strongest print of several is compared with first.
    size:       its face's, which tells the card's format.
    """

    id: int
    record: KnownRecord
    legibility: float
    size: FaceSize = FaceSize()


class ReferenceSet(Protocol):
    """The known cards, searched and looked up."""

    @property
    def sizes(self) -> tuple[FaceSize, ...]:
        """Of the formats that the known cards have; none where nothing is known."""

    def search(self, description: Description) -> tuple[Hit, ...]:
        """The shortlist for a face, the most matches first."""

    def known(self, reference_id: int) -> KnownReference | None:
        """One reference; None where it is there no more."""

    def of_pose(self, pose: str) -> tuple[KnownReference, ...]:
        """All references of a pose, the most legible first."""

    def face(self, reference_id: int) -> Face:
        """The flattened card that a reference shows."""

    def read(self, reference_id: int, reading: Reading[Written]) -> Written:
        """What a reading gives of that face; it may be kept."""

    def description(self, reference_id: int) -> Description:
        """What that face was described by."""
