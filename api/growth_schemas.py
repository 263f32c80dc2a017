"""The shapes of what `growth` answers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Path
from pydantic import BaseModel, Field

from api.schemas import Quad, QuadText, Query, Record, Words
from matcher.catalogue import RecordRow

Word = Annotated[str, Path(min_length=1, max_length=200, pattern=r"^[^\x00/]*$")]
DecisionNumber = Annotated[int, Path(ge=1, le=2**31 - 1)]
ExportName = Annotated[Literal["records.csv", "records.jsonl", "decisions.jsonl"], Path()]
State = Literal["open", "accepted", "merged", "rejected"]


class Paged(Query):
    limit: int = Field(100, ge=1, le=500, description="Most to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="How many to skip.")


class FindsQuery(Paged):
    state: State | None = Field(None, description="Only in this state.")
    outcome: Literal["new_crop", "new_caption", "new_pose"] | None = None


class ProposeQuery(Query):
    quad: QuadText | None = None
    source: Words = Field("", description="Where the card was seen.")
    seen_on: Words = Field("", description="Day, month or year (ISO 8601).")

    @property
    def said(self) -> bytes:
        """What makes this another request than one with the same photo; nothing where nothing is said."""
        told = self.model_dump(exclude_defaults=True)
        return json.dumps(told, sort_keys=True).encode() if told else b""


class DecisionsQuery(Paged):
    about: Words | None = Field(None, description="Only about this find, record, ...")
    actor: Literal["person", "machine"] | None = None


class SearchQuery(Query):
    name: Words = Field(description="As somebody remembers it.")
    limit: int = Field(10, ge=1, le=500)


class SeriesQuery(Paged):
    series: Words | None = Field(None, description="Only of this series.")


class SeeQuery(ProposeQuery):
    by: Words | None = Field(None, description="Who decides, on this machine; elsewhere the token's name counts.")


class PlotQuery(Query):
    series: Words | None = Field(None, description="Only of this series.")


class Find(BaseModel):
    """A card that was taken for something new: the machine's suggestion until a person has decided."""

    find_id: str
    state: State
    outcome: str
    pose: str | None
    crop: str | None
    record_id: str | None = Field(description="What it became.")
    reference_id: int | None
    proposed_at: datetime
    proposed_by: str
    sha256: str
    name: str
    source: str
    seen_on: str
    width: int
    height: int
    quad: Quad
    facts: Mapping[str, Any]
    evidence: Mapping[str, Any]


class FindPage(BaseModel):
    total: int
    items: list[Find]


class Proposed(BaseModel):
    items: list[Find] = Field(description="The photo's new cards; empty where none is new.")


class Decision(BaseModel):
    """One entry of the log."""

    number: int
    batch: int | None
    at: datetime
    actor: Literal["person", "machine"]
    by: str
    action: str
    about: str
    outcome: str
    evidence: Mapping[str, Any]
    note: str
    undoes: int | None
    changes: list[Mapping[str, Any]]
    digest: str
    standing: bool = Field(description="False once it has been undone.")


class DecisionPage(BaseModel):
    total: int = Field(description="How many there are in the whole log.")
    items: list[Decision]


class SearchHit(BaseModel):
    likeness: float
    record: Record


class SearchPage(BaseModel):
    items: list[SearchHit]


class Scarcity(BaseModel):
    record: str
    seen: int
    at_least: int
    at_most: int
    first: str
    last: str
    best: float | None
    worst: float | None


class ScarcityPage(BaseModel):
    total: int
    items: list[Scarcity]


class Series(BaseModel):
    """A series of cards; texts are empty where nobody has said."""

    series: str
    title: str
    issuer: str
    years: str
    width_mm: str = Field(description="Nominal width of its cards.")
    height_mm: str
    note: str
    records: int = Field(description="How many name it.")


class SeriesPage(BaseModel):
    total: int
    items: list[Series]


class Gap(BaseModel):
    kind: str
    about: str
    detail: str


class GapPage(BaseModel):
    total: int
    items: list[Gap]


class Seen(BaseModel):
    decision: Decision | None = Field(description="Null where there was nothing new to note.")
    records: list[str] = Field(description="Those that were seen.")


class Trouble(BaseModel):
    kind: str
    what: str
    todo: str


class Checked(BaseModel):
    troubles: list[Trouble] = Field(description="Empty where all is well.")


def record_of(row: RecordRow) -> Record:
    return Record(**asdict(row))
