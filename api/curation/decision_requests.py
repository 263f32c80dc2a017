"""Requests for decisions: their shapes, what scope they need, and how they are carried out.

One address takes them all, so that one rule holds for all: an Idempotency-Key, the ETag of what was seen, a name.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, FailFast, Field, StrictBool, StringConstraints, model_validator

from api.parameters import PLAIN, few_keys
from api.problems import Problem
from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.finds import resolution, sightings
from matcher.catalogue.log.decisions import Actor, DecisionRow
from matcher.catalogue.records import corrections, formats, series
from matcher.catalogue.records.indexing import outlined_anew
from matcher.catalogue.tokens import Scope
from matcher.jobs import crop_map

Text = Annotated[str, StringConstraints(max_length=2000, pattern=PLAIN)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=PLAIN, strip_whitespace=True)]
Number = Annotated[int, Field(ge=1, le=2**31 - 1)]
MOST_FORMATTED = 100
"""Records whose pictures one decision looks at anew; more are said of a series on the command line."""
MOST_NAMED = 1000
"""Records, references or sightings in one decision."""

Numbers = Annotated[list[Number], Field(max_length=MOST_NAMED), FailFast()]
Fields = dict[Literal[corrections.EDITABLE], Text]  # type: ignore[valid-type]


class Deciding(BaseModel):
    """What every decision may say. by: who decides, on this machine; elsewhere the token's name counts."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    few_keys = model_validator(mode="before")(few_keys)
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
    mark: Text = ""
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
    references: Numbers
    sightings: Numbers = []
    fields: Fields = {}


class MergePoses(Deciding):
    action: Literal["merge_poses"]
    pose: Name
    into: Name
    crops: Annotated[dict[Name, Name], Field(max_length=MOST_NAMED)] = {}


class SplitPose(Deciding):
    action: Literal["split_pose"]
    pose: Name
    new_pose: Name
    records: Annotated[list[Name], Field(max_length=MOST_NAMED), FailFast()]


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


class SetFormat(Deciding):
    action: Literal["format"]
    format: Name
    records: Annotated[list[Name], Field(max_length=MOST_FORMATTED), FailFast()] = Field(default_factory=list)
    series: Text = ""


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
    whole_batch: StrictBool = False


class Redo(Deciding):
    action: Literal["redo"]
    number: Number


Wish = Annotated[
    Accept | MergeFind | Reject | Edit | Remove | MergeRecords | SplitRecord | MergePoses | SplitPose | MergeSubjects
    | Spelling | SetSeries | SetFormat | JoinCopy | PartCopy | MapCrops | Undo | Redo,
    Field(discriminator="action"),
]  # fmt: skip

DECIDE = ("accept", "merge_find", "reject", "join_copy", "part_copy", "undo", "redo")


def scope_of(wish: Deciding) -> Scope:
    """Deciding on finds and copies needs less than changing what others have decided."""
    return "decide" if getattr(wish, "action", "") in DECIDE else "manage"


def carry_out(catalogue: Catalogue, wish: Deciding, who: Actor, given: Mapping[str, Any]) -> DecisionRow:
    """Make the decision. given: what `Catalogue.deciding` takes besides: `idempotency`, `check`.

    Raises CatalogueError, and Problem nothing_changed.
    """
    entry = {**given, "note": wish.note}
    match wish:
        case Accept():
            skipped = {"note", "by", "action", "find_id"}
            wanted = resolution.RecordFields(**{k.rstrip("_"): v for k, v in wish.model_dump(exclude=skipped).items()})
            return resolution.accept(catalogue, wish.find_id, who, wanted, **entry)
        case MergeFind():
            return resolution.merge(catalogue, wish.find_id, wish.record_id, who, wish.copy_, **entry)
        case Reject():
            return resolution.reject(catalogue, wish.find_id, who, **entry)
        case Edit():
            return corrections.edit_record(catalogue, wish.record_id, wish.fields, who, **entry)
        case Remove():
            return corrections.take_out(catalogue, wish.record_id, who, **entry)
        case MergeRecords():
            return corrections.merge_records(catalogue, wish.record_id, wish.into, who, **entry)
        case SplitRecord():
            return corrections.split_record(
                catalogue, wish.record_id, wish.references, wish.new_record_id, wish.fields, who, wish.sightings,
                **entry,
            )  # fmt: skip
        case Undo():
            numbers = undo_redo.batch_of(catalogue, wish.number) if wish.whole_batch else (wish.number,)
            return _indexed(catalogue, *undo_redo.undo(catalogue, numbers, who, **entry))
        case Redo():
            return _indexed(catalogue, *undo_redo.redo(catalogue, (wish.number,), who, **entry))
        case _:
            return _carry_out_others(catalogue, wish, who, entry)


def _indexed(catalogue: Catalogue, *done: DecisionRow) -> DecisionRow:
    """The last of the decisions, once the index knows what they have outlined anew."""
    outlined_anew(catalogue, *done)
    return done[-1]


def _carry_out_others(catalogue: Catalogue, wish: Deciding, who: Actor, entry: Mapping[str, Any]) -> DecisionRow:
    match wish:
        case MergePoses():
            return corrections.merge_poses(catalogue, wish.pose, wish.into, who, wish.crops, **entry)
        case SplitPose():
            return corrections.split_pose(catalogue, wish.pose, wish.records, wish.new_pose, who, **entry)
        case MergeSubjects():
            return corrections.merge_subjects(catalogue, wish.subject, wish.into, who, **entry)
        case Spelling():
            return corrections.add_spelling(catalogue, wish.subject, wish.spelling, who, **entry)
        case SetSeries():
            return series.set_series(catalogue, wish.series, dict(wish.fields.items()), who, **entry)
        case SetFormat():
            wanted: dict[str, Any] = {"records": wish.records, "series": wish.series}
            return _indexed(catalogue, formats.set_formats(catalogue, wish.format, who, **wanted, **entry))
        case JoinCopy():
            return sightings.join_copy(catalogue, wish.kind, wish.number, wish.copy_, who, **entry)
        case PartCopy():
            return sightings.part_copy(catalogue, wish.kind, wish.number, who, **entry)
        case MapCrops():
            measured = {name: value for name, value in entry.items() if name != "note"}  # the machine's: no note
            done = crop_map.map_crops(catalogue, wish.pose, **measured)
            if done is None:
                raise Problem("nothing_changed")
            return done
        case _:
            raise TypeError(f"no decision: {wish!r}")
