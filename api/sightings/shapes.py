"""The shapes of sightings."""

from __future__ import annotations

from pydantic import BaseModel, Field

from api.curation.shapes import Decision, ProposeQuery
from api.parameters import Paged, Words


class SeeQuery(ProposeQuery):
    by: Words | None = Field(None, description="Who decides, on this machine; elsewhere it is the token's name.")
    record: Words | None = Field(
        None,
        min_length=1,
        description="The record that the only card is, as a person says. Needs `quad`.",
    )


class SightingsQuery(Paged):
    record: Words | None = Field(None, description="Only of this record.")


class Sighting(BaseModel):
    id: int
    record_id: str
    copy_: str | None = Field(None, alias="copy", description="Which physical card it is, where a person has said so.")
    confirmed: bool
    seen_on: str
    source: str
    who: str
    name: str
    residual_contrast: float | None
    suggested_reference: int | None
    suggested_probability: float | None


class SightingPage(BaseModel):
    total: int
    items: list[Sighting]


class Seen(BaseModel):
    decision: Decision | None = Field(description="Null where there was nothing new to note.")
    records: list[str] = Field(description="Those that were seen.")
    pages: int = Field(description="How many pages the file has; each is sent by itself, see `page`.")
