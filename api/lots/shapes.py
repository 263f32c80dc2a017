"""The shapes of lots: what is sent, what is answered, and the decisions on a lot's queue."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Path
from fastapi import Query as QueryParameter
from pydantic import BaseModel, ConfigDict, FailFast, Field, StrictBool, model_validator

from api.curation.decision_requests import MOST_NAMED, Deciding, Name, Text
from api.curation.shapes import Decision
from api.parameters import STRIP, Paged, QuadText, Query, Stripping, UprightFlag, Words, few_keys

LotId = Annotated[str, Path(pattern=r"^L[0-9]{5,14}$")]
CardId = Annotated[str, Field(pattern=r"^[0-9]{1,9}\.[0-9]{1,9}$")]
CardPath = Annotated[str, Path(pattern=r"^[0-9]{1,9}\.[0-9]{1,9}$")]
ResultsName = Annotated[Literal["results.csv", "results.jsonl", "results.xlsx"], Path()]
ItemNumber = Annotated[
    int | None, QueryParameter(ge=1, le=2**31 - 1, description="One page's number; without it, all that failed.")
]
State = Literal["queued", "done", "failed"]


class NewLot(Stripping):
    name: Words = Field("", description="Your name for it.")
    sides: Literal["names", "order", "none"] = Field("names", description="How fronts and backs are told apart.")


class ScanFolder(BaseModel):
    folder: str = Field(description="Its path within the folder of scans; `.` is that folder itself.")
    pictures: int = Field(description="How many files of it look like pictures, folders inside not counted.")


class ScanFolders(BaseModel):
    items: list[ScanFolder] = Field(description="Empty where the service was started without a folder of scans.")


class FolderLot(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    few_keys = model_validator(mode="before")(few_keys)

    folder: Annotated[str, Field(min_length=1, max_length=1000)]
    name: Words = Field("", description="Your name for it; without one, the folder's.")
    sides: Literal["names", "order", "none"] = Field("names", description="How fronts and backs are told apart.")
    strip: bool = Field(False, description=f"{STRIP} The scans themselves stay.")


class ItemsQuery(Paged):
    state: State | None = Field(None, description="Only in this state.")


class Counts(BaseModel):
    queued: int
    done: int
    failed: int


class Lot(BaseModel):
    lot_id: str
    name: str
    who: str = Field(description="Whose it is.")
    made_at: datetime
    state: Literal["open", "cancelled"]
    served: bool = Field(description="False for a lot made on the command line, on which the service does not work.")
    compared: bool = Field(description="Whether its cards have been compared with each other.")
    items: Counts


class LotPage(BaseModel):
    total: int
    items: list[Lot]


class Item(BaseModel):
    """One page of one file. code, message: why it failed."""

    number: int
    name: str
    page: int = Field(description="From 1.")
    pages: int
    sha256: str
    state: State
    code: str
    message: str


class ItemPage(BaseModel):
    total: int
    items: list[Item]


class CardPage(BaseModel):
    """One row per card, as in the tables."""

    total: int
    items: list[Mapping[str, Any]]


class Case(BaseModel):
    """One decision that waits. like: the cards that it would settle as well."""

    model_config = ConfigDict(populate_by_name=True)

    etag: str = Field(description="To send as If-Match with the decision.")
    card: str
    like: list[str]
    find_id: str | None
    skipped: bool
    row: Mapping[str, Any] = Field(description="The card's row, as in the tables.")
    candidates: list[Mapping[str, Any]] = Field(description="Closest first, as `identify` gives them.")
    fields: Mapping[str, Mapping[str, Any]] = Field(
        description="What a new record of it would say: by field value, origin in words, confirm, as with a find."
    )


class OutlineQuery(Query):
    quad: QuadText
    upright: UprightFlag = False
    by: Words | None = Field(None, description="Who decides, on this machine; elsewhere it is the token's name.")


class CasePage(BaseModel):
    total: int
    cards: int = Field(description="Cards that the waiting decisions would settle.")
    known: int = Field(description="Known cards that can be confirmed in one go.")
    items: list[Case]


class AboutCard(Deciding):
    """apart: like cards to leave out. alone: leave all of them out."""

    card: CardId
    apart: Annotated[tuple[CardId, ...], Field(max_length=MOST_NAMED), FailFast()] = ()
    alone: StrictBool = False


class AcceptCard(AboutCard):
    action: Literal["accept"]
    caption: Text | None = None
    record_id: Name | None = None
    subject: Name | None = None
    pose: Name | None = None
    crop: Name | None = None
    club: Text = ""
    issuer: Text = ""
    year: Text = ""
    series: Text = ""
    mark: Text = ""
    caption_place: Text = ""


class ChooseRecord(AboutCard):
    action: Literal["choose"]
    record_id: Name | None = Field(None, description="Without it, the closest record's.")


class RejectCard(AboutCard):
    action: Literal["reject"]


class SkipCard(AboutCard):
    action: Literal["skip"]
    back: StrictBool = Field(False, description="Put it back among what waits.")


class ConfirmKnown(Deciding):
    action: Literal["confirm"]
    above: float = Field(0.9, ge=0, le=1)
    cards: tuple[CardId, ...] | None = Field(None, description="Only these cards, which a person has looked through.")


class UndoLot(Deciding):
    action: Literal["undo"]
    whole: StrictBool = Field(False, description="Everything that was decided on this lot, proposals too.")


Wish = Annotated[
    AcceptCard | ChooseRecord | RejectCard | SkipCard | ConfirmKnown | UndoLot, Field(discriminator="action")
]


class Decided(BaseModel):
    decisions: list[Decision] = Field(description="One batch; empty for skip.")
