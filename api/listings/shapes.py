"""The shapes of what is said of a listing, claim by claim."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from api.identify.shapes import Contract, Identification, PhotoError
from api.parameters import Probability

Status = Literal["agrees", "contradicts", "cannot be told"]


class Claim(Contract):
    """One claim of the text, and what the pictures show of it."""

    kind: str
    value: str = Field(description="In the catalogue's or the vocabulary's words.")
    denied: bool = Field(description="The text says that it is not so.")
    with_reserve: bool
    may_also_mean: list[str]
    unsure: str = Field(description="Why the reading is not sure; empty if it is.")
    words: str
    spans: list[tuple[int, int]] = Field(description="Places in `text`, counted in characters.")
    status: Status
    confidence: Probability | None = Field(description="That the status is right; null where it cannot be told.")
    reason: str
    about: str = Field(description="Photo and card that decided it.")
    evidence: dict[str, Any]


class Unread(Contract):
    words: str
    start: int
    end: int
    why: str = Field(description="Empty for words that are not known.")


class SeenBefore(Contract):
    kind: Literal["same file", "same card"]
    where: Literal["reference", "sighting"]
    number: int
    record_id: str
    seen_on: str
    source: str
    probability: float
    words: str
    photo: str


class Verdict(Contract):
    step: Literal["in accord", "at odds", "open"]
    meaning: str
    words: str


class Listing(Contract):
    """What the pictures show of a listing: never what it is worth, nor whether it is genuine."""

    listing: str
    error: PhotoError | None
    verdict: Verdict | None
    claims: list[Claim]
    unread: list[Unread]
    seen_before: list[SeenBefore]
    notes: list[str]
    questions: list[str] = Field(description="Worth asking the seller.")
    cautions: list[str]
    text: str = Field(description="The text as it was given; show it as plain text, whatever it contains.")
    photos: list[Identification]
    versions: dict[str, str]
