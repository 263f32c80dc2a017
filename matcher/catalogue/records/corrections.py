"""Corrections by a person: records, poses and subjects joined or parted, and what they say put right.

Each function is one decision; references, copies, sightings and finds follow. Nothing is lost that undoing could want.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import Any

from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import Actor, DecisionRow, decided, references_told
from matcher.catalogue.records.ingest import copy_of, remove_record
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.facts import CropWindow, PoseFrame, Spelling
from matcher.catalogue.tables.finds import Find, Sighting
from matcher.catalogue.tables.models import Copy, Record, Reference
from matcher.core.errors import CatalogueError

EDITABLE = (
    "subject", "pose", "crop", "caption", "club", "issuer", "year", "note", "series", "mark", "caption_place",
)  # fmt: skip
MUST_SAY = ("subject", "pose", "crop")
VARIATION = ("pose", "crop", "caption", "club", "issuer", "mark")
"""What tells one record from another."""


def edit_record(
    catalogue: Catalogue, record_id: str, fields: Mapping[str, str], who: Actor, **logged: Any
) -> DecisionRow:
    """Put right what a record says. Raises CatalogueError no_such_record, missing_value, clash, nothing_changed."""
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "edit", about=record_id, **logged) as entry:
        _record(entry.draft, record_id)
        _check_fields(fields)
        entry.draft.update(Record, [record_id], **fields)
        _check_variation(entry.draft, record_id)
        entry.outcome = f"{record_id}: {', '.join(sorted(fields))} corrected"
    return decided(entry)


def take_out(catalogue: Catalogue, record_id: str, who: Actor, **logged: Any) -> DecisionRow:
    """Take out a record with all that hangs on it; undoing brings it back. Raises CatalogueError no_such_record."""
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "remove", about=record_id, **logged) as entry:
        _record(entry.draft, record_id)
        gone = len(entry.draft.rows(Reference, record_id=record_id))
        remove_record(entry.draft, record_id)
        entry.outcome = f"{record_id} removed with {references_told(gone)}"
    return decided(entry)


def merge_records(catalogue: Catalogue, gone: str, into: str, who: Actor, **logged: Any) -> DecisionRow:
    """Find that two records are one: all that hangs on `gone` goes over to `into`.

    A copy whose label both know keeps it with the old record's id added; an image that both have is kept once.
    Raises CatalogueError no_such_record, clash.
    """
    if gone == into:
        raise CatalogueError("clash", f"{gone} and {into} are one record already", "name two records")
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "merge_records", about=into, **logged) as entry:
        draft = entry.draft
        _record(draft, gone)
        _record(draft, into)
        moved = _move_all(draft, gone, into)
        remove_record(draft, gone)
        entry.outcome = f"{gone} merged into {into}, {references_told(moved)} followed"
    return decided(entry)


def split_record(
    catalogue: Catalogue, record_id: str, references: Sequence[int], new_id: str, fields: Mapping[str, str], who: Actor,
    sightings: Sequence[int] = (), **logged: Any,
) -> DecisionRow:  # fmt: skip
    """Find that one record was two: these references (and sightings) become a new record, which says `fields`.

    Raises CatalogueError no_such_record, no_such_reference, no_such_sighting, missing_value, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "split_record", about=record_id, **logged) as entry:
        draft = entry.draft
        old = _record(draft, record_id)
        if draft.row(Record, new_id) is not None:
            raise CatalogueError("clash", f"record {new_id} is there already", "name one that is not there yet")
        _check_fields(fields)
        held = {row["id"]: row for row in draft.rows(Reference, record_id=record_id)}
        strange = [number for number in references if number not in held]
        if strange or not references:
            why = f"record {record_id} has no reference {strange[0]}" if strange else "no reference is named"
            raise CatalogueError("no_such_reference", why, "look at the record's references")
        if len(set(references)) == len(held):
            raise CatalogueError("clash", f"no reference would be left to {record_id}", "leave one, or edit the record")
        draft.insert(Record, **{**old, "record_id": new_id, **fields})
        _check_variation(draft, new_id)
        for number in sorted(set(references)):
            _move_reference(draft, held[number], new_id)
        for number in sorted(set(sightings)):
            row = draft.row(Sighting, number)
            if row is None or row["record_id"] != record_id:
                raise CatalogueError("no_such_sighting", f"record {record_id} has no sighting {number}", "list them")
            _move_sighting(draft, row, new_id)
        entry.outcome = (
            f"{new_id} split from {record_id} with references {', '.join(map(str, sorted(set(references))))}"
        )
    return decided(entry)


def merge_poses(
    catalogue: Catalogue, gone: str, into: str, who: Actor, crops: Mapping[str, str] | None = None, **logged: Any
) -> DecisionRow:
    """Find that two poses are one negative. crops: what crops of `gone` are called in `into`, where they differ.

    Raises CatalogueError no_such_record, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "merge_poses", about=into, **logged) as entry:
        draft = entry.draft
        moving, there = _of_pose(draft, gone), _of_pose(draft, into)
        if gone == into:
            raise CatalogueError("clash", f"{gone} is one pose", "name two poses")
        sitters = moving[0]["subject"], there[0]["subject"]
        if sitters[0] != sitters[1]:
            why = f"{gone} shows {sitters[0]!r}, {into} shows {sitters[1]!r}"
            first = f"if they are one sitter, first: platekin subjects merge {shlex.join(sitters)}"
            raise CatalogueError("clash", why, first)
        for row in moving:
            crop = (crops or {}).get(row["crop"], row["crop"])
            draft.update(Record, [row["record_id"]], pose=into, crop=crop)
        for row in moving:
            _check_variation(draft, row["record_id"])
        _forget_maps(draft, gone, into)
        for find in draft.rows(Find, pose=gone):
            draft.update(Find, [find["find_id"]], pose=into)
        entry.outcome = f"pose {gone} merged into {into}, {len(moving)} records followed"
    return decided(entry)


def split_pose(
    catalogue: Catalogue, pose: str, record_ids: Sequence[str], new_pose: str, who: Actor, **logged: Any
) -> DecisionRow:
    """Find that one pose was two negatives: these records are of the new one.

    Raises CatalogueError no_such_record, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "split_pose", about=pose, **logged) as entry:
        draft = entry.draft
        held = [row["record_id"] for row in _of_pose(draft, pose)]
        if draft.rows(Record, pose=new_pose):
            raise CatalogueError("clash", f"pose {new_pose} is there already", "name one that is not there yet")
        if not set(record_ids) or not set(record_ids) < set(held):
            raise CatalogueError(
                "clash", f"pose {pose} has the records {', '.join(held)}", "name some of these, and not all"
            )
        for record_id in sorted(set(record_ids)):
            draft.update(Record, [record_id], pose=new_pose)
        _forget_maps(draft, pose)
        entry.outcome = f"pose {new_pose} split from {pose} with {', '.join(sorted(set(record_ids)))}"
    return decided(entry)


def merge_subjects(catalogue: Catalogue, gone: str, into: str, who: Actor, **logged: Any) -> DecisionRow:
    """Find that two names are one sitter: `gone` becomes a spelling of `into`. Raises CatalogueError no_such_record."""
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "merge_subjects", about=into, **logged) as entry:
        draft = entry.draft
        moving = draft.rows(Record, subject=gone)
        if not moving or gone == into or not draft.rows(Record, subject=into):
            missing = into if moving else gone
            raise CatalogueError(
                "no_such_record", f"no record shows {missing!r}", "list the names: platekin subjects list"
            )
        for row in moving:
            draft.update(Record, [row["record_id"]], subject=into)
        for row in draft.rows(Spelling, subject=gone):
            draft.update(Spelling, [row["spelling"]], subject=into)
        if draft.row(Spelling, gone) is None:
            draft.insert(Spelling, spelling=gone, subject=into)
        entry.outcome = f"{gone!r} is a spelling of {into!r}, {len(moving)} records followed"
    return decided(entry)


def add_spelling(catalogue: Catalogue, subject: str, spelling: str, who: Actor, **logged: Any) -> DecisionRow:
    """Note another spelling of a subject's name; finding by either finds both.

    Raises CatalogueError no_such_record, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "spelling", about=subject, **logged) as entry:
        draft = entry.draft
        if not draft.rows(Record, subject=subject):
            raise CatalogueError(
                "no_such_record", f"no record shows {subject!r}", "list the names: platekin subjects list"
            )
        if draft.row(Spelling, spelling) is not None or draft.rows(Record, subject=spelling):
            raise CatalogueError("clash", f"{spelling!r} is a name already", "merge the two subjects")
        draft.insert(Spelling, spelling=spelling, subject=subject)
        entry.outcome = f"{spelling!r} is a spelling of {subject!r}"
    return decided(entry)


def _move_all(draft: Draft, gone: str, into: str) -> int:
    there = {row["sha256"] for row in draft.rows(Reference, record_id=into)}
    taken = {row["label"] for row in draft.rows(Copy, record_id=into)}
    for copy in draft.rows(Copy, record_id=gone):
        label = copy["label"] if copy["label"] not in taken else f"{copy['label']} ({gone})"
        draft.update(Copy, [copy["id"]], record_id=into, label=label)
    moved = 0
    for row in draft.rows(Reference, record_id=gone):
        if row["sha256"] not in there:
            draft.update(Reference, [row["id"]], record_id=into)
            moved += 1
    for row in draft.rows(Sighting, record_id=gone):
        draft.update(Sighting, [row["id"]], record_id=into)
    for row in draft.rows(Find, record_id=gone):
        reference = draft.row(Reference, row["reference_id"])
        kept = row["reference_id"] if reference and reference["record_id"] == into else None
        draft.update(Find, [row["find_id"]], record_id=into, reference_id=kept)
    return moved


def _move_reference(draft: Draft, row: Mapping[str, Any], new_id: str) -> None:
    draft.update(Reference, [row["id"]], record_id=new_id, copy_id=_copy_there(draft, row["copy_id"], new_id))
    for find in draft.rows(Find, reference_id=row["id"]):
        draft.update(Find, [find["find_id"]], record_id=new_id)


def _move_sighting(draft: Draft, row: Mapping[str, Any], new_id: str) -> None:
    draft.update(Sighting, [row["id"]], record_id=new_id, copy_id=_copy_there(draft, row["copy_id"], new_id))


def _copy_there(draft: Draft, copy_id: int | None, new_id: str) -> int | None:
    """The copy of the same label in another record: a physical card goes with what shows it."""
    if copy_id is None:
        return None
    held = draft.row(Copy, copy_id)
    assert held is not None  # a foreign key says so
    return copy_of(draft, new_id, str(held["label"]))


def _record(draft: Draft, record_id: str) -> dict[str, Any]:
    row = draft.row(Record, record_id)
    if row is None:
        raise CatalogueError("no_such_record", f"no record {record_id}", "list them: platekin records list")
    return row


def _of_pose(draft: Draft, pose: str) -> list[dict[str, Any]]:
    rows = draft.rows(Record, pose=pose)
    if not rows:
        raise CatalogueError("no_such_record", f"no record is of pose {pose}", "list the poses: platekin records list")
    return rows


def _check_fields(fields: Mapping[str, str]) -> None:
    strange = sorted(set(fields) - set(EDITABLE))
    if strange:
        raise CatalogueError("missing_value", f"a record has no {strange[0]}", f"name some of {', '.join(EDITABLE)}")
    blank = [name for name in MUST_SAY if name in fields and not fields[name].strip()]
    if blank:
        raise CatalogueError("missing_value", f"{blank[0]} may not be blank", "fill it in")


def _check_variation(draft: Draft, record_id: str) -> None:
    """Refuse a record that says the same as another, or a pose that shows two sitters."""
    row = _record(draft, record_id)
    same = [r["record_id"] for r in draft.rows(Record, **{n: row[n] for n in VARIATION}) if r["record_id"] != record_id]
    if same:
        why = f"{record_id} would be the same variation as {same[0]}: {row['pose']} {row['crop']} {row['caption']!r}"
        raise CatalogueError("clash", why, "merge the two records, or say what differs")
    sitters = {r["subject"] for r in draft.rows(Record, pose=row["pose"])}
    if len(sitters) > 1:
        why = f"pose {row['pose']} would show {' and '.join(sorted(map(repr, sitters)))}"
        raise CatalogueError("clash", why, "merge the two subjects, or name another pose")


def _forget_maps(draft: Draft, *poses: str) -> None:
    """A crop map of a pose that has changed is no longer true: it is made again at need."""
    for pose in poses:
        for crop in draft.rows(CropWindow, pose=pose):
            draft.delete(CropWindow, pose, crop["crop"])
        if draft.row(PoseFrame, pose) is not None:
            draft.delete(PoseFrame, pose)
