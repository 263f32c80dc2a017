"""The shapes of finds and of entries of the log."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, Field

from api.parameters import Paged, PageNumber, Quad, QuadText, Query, Stripping, UprightFlag, Words

State = Literal["open", "accepted", "merged", "rejected"]


class FindsQuery(Paged):
    state: State | None = Field(None, description="Only in this state.")
    outcome: Literal["new_mark", "new_caption", "new_crop", "new_pose"] | None = None


class ProposeQuery(Stripping):
    quad: QuadText | None = None
    page: PageNumber = 1
    upright: UprightFlag = False
    source: Words = Field("", description="Where the card was seen.")
    seen_on: Words = Field("", description="When the card was seen: a day, month or year (ISO 8601).")

    whatever: bool = Field(False, description="Also cards on which nothing new was found, for a person to decide.")

    @property
    def said(self) -> bytes:
        """What makes this another request than one with the same photo; nothing where nothing is said."""
        given = self.model_dump(exclude_defaults=True)
        return json.dumps(given, sort_keys=True).encode() if given else b""


class OutlineQuery(Query):
    quad: QuadText
    upright: UprightFlag = False
    by: Words | None = Field(None, description="Who decides, on this machine; elsewhere it is the token's name.")


class DecisionsQuery(Paged):
    about: Words | None = Field(None, description="Only about this find, or this record with its finds, ...")
    action: Words | None = Field(None, description="Only of this kind.")
    actor: Literal["person", "machine"] | None = None


class Find(BaseModel):
    """A card proposed as something new: a suggestion until a person has decided."""

    find_id: str
    state: State
    outcome: str
    pose: str | None
    crop: str | None
    record_id: str | None = Field(description="The record that it became.")
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
    pages: int = Field(description="How many pages the file has; each is sent by itself, see `page`.")


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
    brought_by: str = Field("", description="Who imported it: `by` is then only what another catalogue's log says.")


class DecisionPage(BaseModel):
    total: int = Field(description="How many there are in the whole log.")
    items: list[Decision]
