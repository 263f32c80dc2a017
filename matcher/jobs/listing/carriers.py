"""What goes between the parts of `listing`: claims, readings, judgements. Frozen, picklable, plain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

KINDS = (
    "subject", "club", "pose", "crop", "caption", "series", "issuer", "year", "size", "condition", "count", "unlisted",
)  # fmt: skip

Status = Literal["agrees", "contradicts", "cannot be told"]


@dataclass(frozen=True)
class Described:
    """How a catalogue describes a pose or a crop.

    parts: of each part of the description the terms that say it: its own words, and what the vocabulary reads in them
    ('bat on shoulder' also says 'with bat').
    """

    parts: tuple[frozenset[str], ...] = ()

    @cached_property
    def terms(self) -> frozenset[str]:
        return frozenset[str]().union(*self.parts)

    def __bool__(self) -> bool:
        return bool(self.terms)

    def all_in(self, said: frozenset[str]) -> bool:
        """Whether a listing that says these terms says every part, each in one way at least."""
        return all(part & said for part in self.parts)


@dataclass(frozen=True)
class Claim:
    """One thing that the listing says.

    kind:    one of `KINDS`. value: what is claimed, in the catalogue's or the vocabulary's words.
    words, spans: what it rests on, and where that stands in the text.
    negated: the listing says that it is not so. hedged: it says so with reserve.
    group:   of the vocabulary: claims of one group exclude each other.
    others:  what else the words may mean. unsure: why the reading is not sure, or "".
    numbers: of a size, a year or a count.
    """

    kind: str
    value: str
    words: str
    spans: tuple[tuple[int, int], ...]
    negated: bool = False
    hedged: bool = False
    group: str = ""
    others: tuple[str, ...] = ()
    unsure: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Unread:
    """Words that nothing was read from. why: "" unknown words, else what they were taken for."""

    words: str
    start: int
    end: int
    why: str = ""


@dataclass(frozen=True)
class ListingReading:
    """A text, its claims in the order of the text, and what was not read."""

    text: str
    claims: tuple[Claim, ...]
    unread: tuple[Unread, ...]


@dataclass(frozen=True)
class Judgement:
    """What the pictures say about one claim.

    confidence: probability that the status is right; None where it cannot be told.
    about:      'photo, card n' that decided, "" where none did. evidence: the numbers behind it.
    """

    claim: Claim
    status: Status
    confidence: float | None
    reason: str
    about: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
