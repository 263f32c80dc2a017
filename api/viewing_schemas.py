"""The shapes of what `viewing` takes and answers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from api.growth_schemas import Paged
from api.schemas import Query, Record, RowId, Words

Text = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00]*$")]


class SubjectsQuery(Query):
    limit: int = Field(24, ge=1, le=500, description="Most subjects to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="Subjects to skip.")


class ThumbnailQuery(Query):
    record: Text | None = Field(None, description="Of this record, its most legible reference.")
    reference: RowId | None = None
    find: Text | None = None
    size: Literal["small", "whole"] = "small"


class PoseQuery(Query):
    pose: Text


class SightingsQuery(Paged):
    record: Words | None = Field(None, description="Only of this record.")


class Pose(BaseModel):
    pose: str
    records: list[Record] = Field(description="By crop, then caption.")


class Subject(BaseModel):
    subject: str
    records: int
    poses: list[Pose]


class SubjectPage(BaseModel):
    total: int
    letters: dict[str, int] = Field(description="How many subjects stand before the first one of this letter.")
    items: list[Subject]


class MappedCrop(BaseModel):
    crop: str
    window_mm: tuple[float, float, float, float] = Field(description="Left, top, right, bottom in the frame.")
    sigma_mm: float


class MappedPose(BaseModel):
    pose: str
    frame: int | None = Field(description="The reference whose face is the frame.")
    width_mm: float = Field(description="Of the frame.")
    height_mm: float
    crops: list[MappedCrop]


class Sighting(BaseModel):
    id: int
    record_id: str
    copy_: str | None = Field(None, alias="copy", description="Which physical card, where a person has said it.")
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
