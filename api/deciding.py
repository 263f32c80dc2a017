"""Requests for decisions: their shapes, what scope they need, what they are about, and how they are carried out.

One address takes them all, so that one rule holds for all: an Idempotency-Key, the ETag of what was seen, a name.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from sqlalchemy import select

from api.problems import Problem
from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds import sightings as copies
from matcher.catalogue.log.changes import Draft, canonical
from matcher.catalogue.log.decisions import Actor, DecisionRow, last
from matcher.catalogue.records import corrections, series
from matcher.catalogue.tables.finds import Find
from matcher.catalogue.tables.models import Record, Reference
from matcher.catalogue.tables.service import RequestKey
from matcher.catalogue.tokens import Scope
from matcher.jobs import crop_map

Text = Annotated[str, StringConstraints(max_length=2000, pattern=r"^[^\x00]*$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00]*$", strip_whitespace=True)]
Number = Annotated[int, Field(ge=1, le=2**31 - 1)]
Fields = dict[Literal[corrections.EDITABLE], Text]  # type: ignore[valid-type]


class Deciding(BaseModel):
    """What every decision may say. by: who decides, on this machine; elsewhere the token's name counts."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    note: Text = ""
    by: Name | None = None


class AboutFind(Deciding):
    find_id: Name


class AboutRecord(Deciding):
    record_id: Name


class Accept(AboutFind):
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
    issuer_mark: Text = ""
    caption_place: Text = ""
    copy_: Text = Field("", alias="copy")


class MergeFind(AboutFind):
    action: Literal["merge_find"]
    record_id: Name
    copy_: Text = Field("", alias="copy")


class Reject(AboutFind):
    action: Literal["reject"]


class Edit(AboutRecord):
    action: Literal["edit"]
    fields: Fields


class Remove(AboutRecord):
    action: Literal["remove"]


class MergeRecords(AboutRecord):
    action: Literal["merge_records"]
    into: Name


class SplitRecord(AboutRecord):
    action: Literal["split_record"]
    new_record_id: Name
    references: list[Number]
    sightings: list[Number] = []
    fields: Fields = {}


class MergePoses(Deciding):
    action: Literal["merge_poses"]
    pose: Name
    into: Name
    crops: dict[Name, Name] = {}


class SplitPose(Deciding):
    action: Literal["split_pose"]
    pose: Name
    new_pose: Name
    records: list[Name]


class MergeSubjects(Deciding):
    action: Literal["merge_subjects"]
    subject: Name
    into: Name


class Spelling(Deciding):
    action: Literal["spelling"]
    subject: Name
    spelling: Name


class SetSeries(Deciding):
    action: Literal["series"]
    series: Name
    fields: dict[Literal["title", "issuer", "years", "width_mm", "height_mm", "note"], Text]


class JoinCopy(Deciding):
    action: Literal["join_copy"]
    kind: Literal["reference", "sighting"]
    number: Number
    copy_: Name | None = Field(None, alias="copy")


class PartCopy(Deciding):
    action: Literal["part_copy"]
    kind: Literal["reference", "sighting"]
    number: Number


class MapCrops(Deciding):
    action: Literal["map_crops"]
    pose: Name


class Undo(Deciding):
    action: Literal["undo"]
    number: Number
    whole_batch: bool = False


class Redo(Deciding):
    action: Literal["redo"]
    number: Number


Wish = Annotated[
    Accept | MergeFind | Reject | Edit | Remove | MergeRecords | SplitRecord | MergePoses | SplitPose | MergeSubjects
    | Spelling | SetSeries | JoinCopy | PartCopy | MapCrops | Undo | Redo,
    Field(discriminator="action"),
]  # fmt: skip

DECIDE = ("accept", "merge_find", "reject", "join_copy", "part_copy", "undo", "redo")


def scope_of(wish: Deciding) -> Scope:
    """Deciding on finds and copies needs less than changing what others have decided."""
    return "decide" if getattr(wish, "action", "") in DECIDE else "manage"


def carry_out(catalogue: Catalogue, wish: Deciding, who: Actor, told: Mapping[str, Any]) -> DecisionRow:
    """Make the decision. Raises CatalogueError. told: further fields for `Catalogue.deciding`."""
    told = {**told, "note": wish.note}
    match wish:
        case Accept():
            skipped = {"note", "by", "action", "find_id"}
            wanted = resolution.RecordFields(**{k.rstrip("_"): v for k, v in wish.model_dump(exclude=skipped).items()})
            return resolution.accept(catalogue, wish.find_id, who, wanted, **told)
        case MergeFind():
            return resolution.merge(catalogue, wish.find_id, wish.record_id, who, wish.copy_, **told)
        case Reject():
            return resolution.reject(catalogue, wish.find_id, who, **told)
        case Edit():
            return corrections.edit_record(catalogue, wish.record_id, wish.fields, who, **told)
        case Remove():
            return corrections.take_out(catalogue, wish.record_id, who, **told)
        case MergeRecords():
            return corrections.merge_records(catalogue, wish.record_id, wish.into, who, **told)
        case SplitRecord():
            return corrections.split_record(
                catalogue, wish.record_id, wish.references, wish.new_record_id, wish.fields, who, wish.sightings, **told
            )
        case Undo():
            numbers = undo_redo.batch_of(catalogue, wish.number) if wish.whole_batch else (wish.number,)
            return undo_redo.undo(catalogue, numbers, who, **told)[-1]
        case Redo():
            return undo_redo.redo(catalogue, (wish.number,), who, **told)[-1]
        case _:
            return _carry_out_others(catalogue, wish, who, told)


def _carry_out_others(catalogue: Catalogue, wish: Deciding, who: Actor, told: Mapping[str, Any]) -> DecisionRow:
    match wish:
        case MergePoses():
            return corrections.merge_poses(catalogue, wish.pose, wish.into, who, wish.crops, **told)
        case SplitPose():
            return corrections.split_pose(catalogue, wish.pose, wish.records, wish.new_pose, who, **told)
        case MergeSubjects():
            return corrections.merge_subjects(catalogue, wish.subject, wish.into, who, **told)
        case Spelling():
            return corrections.add_spelling(catalogue, wish.subject, wish.spelling, who, **told)
        case SetSeries():
            return series.set_series(catalogue, wish.series, dict(wish.fields.items()), who, **told)
        case JoinCopy():
            return copies.join_copy(catalogue, wish.kind, wish.number, wish.copy_, who, **told)
        case PartCopy():
            return copies.part_copy(catalogue, wish.kind, wish.number, who, **told)
        case MapCrops():
            done = crop_map.map_crops(
                catalogue, wish.pose, **{k: told[k] for k in ("idempotency", "check") if k in told}
            )
            if done is None:
                raise Problem("nothing_changed")
            return done
        case _:
            raise TypeError(f"no decision: {wish!r}")


def tag_of(draft: Draft, kind: Literal["find", "record", "log"], name: str = "") -> str:
    """The entity tag of a find, of a record with its references, or of the log: another as soon as they change."""
    if kind == "log":
        told: Any = last(draft.connection)
    elif kind == "find":
        told = draft.row(Find, name)
    else:
        told = [draft.row(Record, name), draft.rows(Reference, record_id=name)]
    return f'"{hashlib.sha256(canonical(told).encode()).hexdigest()[:32]}"'


def unchanged_since(wish: Deciding | None, if_match: str) -> Callable[[Draft], None]:
    """What to check inside the transaction: that the client has seen the present state of what it decides on.

    wish: None where all of the catalogue is concerned; then it has to have seen the log's.
    """
    named = {each.strip() for each in if_match.split(",")}

    def check(draft: Draft) -> None:
        tags = {tag_of(draft, "log")}
        if isinstance(wish, AboutFind):
            tags.add(tag_of(draft, "find", wish.find_id))
        elif isinstance(wish, AboutRecord):
            tags.add(tag_of(draft, "record", wish.record_id))
        if named != {"*"} and not tags & named:
            raise Problem("changed_since")

    return check


def asked_before(catalogue: Catalogue, key: str, request: str) -> DecisionRow | None:
    """The decision that this key was answered with. Raises Problem bad_key where it was for another request."""
    with catalogue.reading() as connection:
        row = connection.execute(
            select(RequestKey.request, RequestKey.decision).where(RequestKey.key == key)
        ).one_or_none()
    if row is None:
        return None
    if row.request != request:
        raise Problem("bad_key")
    return catalogue.decision(row.decision)
