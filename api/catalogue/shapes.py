"""The shapes of what is asked of a catalogue and answered: records, subjects, crops, series, scarcity, gaps."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from api.parameters import PLAIN, Paged, Quad, Query, RowId, Words

Text = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=PLAIN)]


Grouping = Literal["subject", "club", "pose", "issuer", "year", "series", "group", "format"]


class RecordsQuery(Query):
    subject: Words | None = Field(None, description="Only of this subject, in upper or lower case.")
    pose: Words | None = Field(None, description="Only of this pose.")
    series: Words | None = Field(None, description="Only of this series.")
    mark: Words | None = Field(
        None, description="Only with this issuer's mark; none: known to bear none; empty: not said."
    )
    q: Words | None = Field(None, description="Only with this text in any field but `extra`, pose and crop.")
    limit: int = Field(100, ge=1, le=500, description="Most records to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="Records to skip.")


class SearchQuery(Query):
    name: Words = Field(description="The name as you remember it.")
    limit: int = Field(10, ge=1, le=500)


class SeriesQuery(Paged):
    series: Words | None = Field(None, description="Only of this series.")


class ScarcityQuery(SeriesQuery):
    mark: Words | None = Field(
        None, description="Only with this issuer's mark; none: known to bear none; empty: not said."
    )


class PlotQuery(Query):
    series: Words | None = Field(None, description="Only of this series.")


class SubjectsQuery(Query):
    by: Grouping = Field("subject", description="What to group by; subjects are sorted by surname.")
    limit: int = Field(24, ge=1, le=500, description="Most groups to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="Groups to skip.")


class ThumbnailQuery(Query):
    record: Text | None = Field(None, description="Of this record, its most legible reference.")
    reference: RowId | None = None
    find: Text | None = None
    size: Literal["small", "whole", "large"] = Field(
        "small", description="184 x 320 px, 368 x 640 px, or as large as its photo shows it."
    )


class PoseQuery(Query):
    pose: Text


class Record(BaseModel):
    """One known variation; texts are empty where nothing is stated."""

    model_config = ConfigDict(from_attributes=True)

    record_id: str
    subject: str
    pose: str
    crop: str
    caption: str
    club: str
    issuer: str
    year: str
    note: str
    extra: Mapping[str, str] = Field(description="Further columns of the table that it came from.")
    series: str = Field(description="Id of its series.")
    mark: str = Field(description="The issuer's mark as printed; none: known to bear none; empty: not said.")
    caption_place: str = Field(description="Where the words stand.")
    format: str = Field(description="Of its cards; empty where it is its series', or the common one.")


class RecordPage(BaseModel):
    total: int = Field(description="How many there are, on all pages.")
    items: list[Record] = Field(description="In the order of their ids.")


class Reference(BaseModel):
    """One image of a known card."""

    model_config = ConfigDict(from_attributes=True, populate_by_name=True)

    id: int
    image: str = Field(description="Address of the image.")
    copy_: str | None = Field(alias="copy", description="Label of the physical card, where one was given.")
    sha256: str = Field(description="Of the file as it was enrolled.")
    name: str = Field(description="What the file was called when it was enrolled.")
    source: str
    note: str
    extra: Mapping[str, str]
    added_at: datetime
    seen_on: str = Field(description="Day on which the card was seen, where it is stated.")
    width: int
    height: int
    quad: Quad = Field(description="Corners TL TR BR BL of the upright card, pixels of the upright image.")
    facts: Mapping[str, Any]


class RecordDetail(Record):
    references: list[Reference]


class SearchHit(BaseModel):
    likeness: float
    record: Record


class SearchPage(BaseModel):
    items: list[SearchHit]


class Pose(BaseModel):
    pose: str
    records: list[Record] = Field(description="By crop, then caption.")


class Subject(BaseModel):
    """One group."""

    subject: str = Field(description="The sitter; or the club, negative, ... that was grouped by.")
    also: str = Field("", description="Of a negative: the sitter.")
    records: int
    poses: list[Pose]


class SubjectPage(BaseModel):
    total: int
    letters: dict[str, int] = Field(description="How many groups stand before the first one of this letter.")
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
    shown_mm: tuple[float, float, float, float] = Field(
        description="Left, top, right, bottom of all crops together in the frame: the window of the negative's picture."
    )
    crops: list[MappedCrop]


class Series(BaseModel):
    """A series of cards; texts are empty where nothing is stated."""

    series: str
    title: str
    issuer: str
    years: str
    width_mm: str = Field(description="Nominal width of its cards.")
    height_mm: str
    note: str
    records: int = Field(description="How many records name it.")


class SeriesPage(BaseModel):
    total: int
    items: list[Series]


class CardFormat(BaseModel):
    """A format of cards."""

    format: str = Field(description="How it is written: `cabinet`, `cabinet landscape`, `108x165`.")
    words: str = Field(description="The same with its size.")
    width_mm: float = Field(description="Of the upright card.")
    height_mm: float
    records: int = Field(description="How many have it.")
    references: int


class Scarcity(BaseModel):
    record: str
    mark: str = Field(description="The issuer's mark as printed; none: known to bear none; empty: not said.")
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


class Gap(BaseModel):
    kind: str
    about: str
    detail: str


class GapPage(BaseModel):
    total: int
    items: list[Gap]
