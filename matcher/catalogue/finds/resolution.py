"""Finds decided by a person: a new record, a further reference of a known one, or none.

In: open finds, proposed by the machine (`proposals`, whose names are offered here too); out: decisions. What the
machine established (pose, crop) is taken over, the rest the person says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

from matcher.catalogue.finds.evidence import decision_evidence
from matcher.catalogue.finds.proposals import (
    FindRow,
    State,
    check_day,
    count_finds,
    find,
    finds,
    no_such_find,
    propose,
)
from matcher.catalogue.finds.proposed_fields import READ, ProposedField
from matcher.catalogue.log.changes import Draft, check_plain
from matcher.catalogue.log.decisions import Actor, DecisionRow, Entry, decided
from matcher.catalogue.records.ingest import add_record, copy_of
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.finds import Find
from matcher.catalogue.tables.given_ids import next_id
from matcher.catalogue.tables.models import Record, RecordRow, Reference
from matcher.core.answer import CandidateResult
from matcher.core.errors import CatalogueError
from matcher.core.ladder.mark import NO_MARK

__all__ = [
    "FindRow",
    "RecordFields",
    "State",
    "accept",
    "as_closest",
    "check_day",
    "club_left_blank",
    "count_finds",
    "find",
    "finds",
    "merge",
    "next_letter",
    "open_find",
    "propose",
    "reject",
]


@dataclass(frozen=True)
class RecordFields:
    """What a person says of the record that a find becomes; None: as the identification established it, or nothing."""

    record_id: str | None = None
    subject: str | None = None
    pose: str | None = None
    crop: str | None = None
    caption: str | None = None
    club: str | None = None
    issuer: str | None = None
    year: str | None = None
    series: str | None = None
    mark: str | None = None
    caption_place: str | None = None
    copy: str = ""
    note: str = ""

    def with_read(self, fields: Mapping[str, ProposedField]) -> RecordFields:
        """The same with the words that were read on the card, their place and its mark, where nothing else is said."""
        read = {name: one.value for name, one in fields.items() if one.origin == READ and one.value}
        taken: dict[str, Any] = {name: value for name, value in read.items() if getattr(self, name) is None}
        return replace(self, **taken)


def accept(
    catalogue: Catalogue, wanted_find: str, who: Actor, wanted: RecordFields = RecordFields(), **logged: Any
) -> DecisionRow:
    """Make a find a new record, with its photo as the first reference. logged: further fields of the log's entry.

    Raises CatalogueError no_such_find, already_decided, missing_value, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "accept", **logged) as entry:
        row = open_find(entry.draft, wanted_find)
        record = _record_of(entry.draft, row, wanted, f"find {wanted_find}")
        add_record(entry.draft, record)
        _become(entry, row, record.record_id, "accepted", wanted)
    return decided(entry)


def check_accept(
    catalogue: Catalogue, outcome: str, pose: str | None, crop: str | None, wanted: RecordFields, about: str
) -> None:
    """See, before it is proposed, whether a card so answered could be accepted. about: what it is called.

    Raises CatalogueError missing_value, clash, odd_text.
    """
    with catalogue.reading() as connection:
        record = _record_of(Draft(connection), {"outcome": outcome, "pose": pose, "crop": crop}, wanted, about)
    check_plain(about, {**asdict(record), "copy": wanted.copy, "note": wanted.note})


def merge(
    catalogue: Catalogue, wanted_find: str, record_id: str, who: Actor, copy: str = "", **logged: Any
) -> DecisionRow:
    """Make a find a further reference of a known record.

    Raises CatalogueError no_such_find, already_decided, no_such_record, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "merge_find", **logged) as entry:
        row = open_find(entry.draft, wanted_find)
        if entry.draft.row(Record, record_id) is None:
            raise CatalogueError("no_such_record", f"no record {record_id}", "list them: platekin records list")
        _become(entry, row, record_id, "merged", RecordFields(copy=copy, note=entry.note))
    return decided(entry)


def reject(catalogue: Catalogue, wanted_find: str, who: Actor, **logged: Any) -> DecisionRow:
    """Decide that a find is none; it stays in the list of rejected ones, and is not proposed again.

    Raises CatalogueError no_such_find, already_decided.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "reject", **logged) as entry:
        row = open_find(entry.draft, wanted_find)
        entry.draft.update(Find, [wanted_find], state="rejected")
        entry.about, entry.outcome = wanted_find, "rejected"
        entry.evidence = decision_evidence(row)
    return decided(entry)


def as_closest(
    catalogue: Catalogue, outcome: str, candidates: Sequence[CandidateResult], wanted: RecordFields, read: str = ""
) -> tuple[RecordFields, str]:
    """What a person left open filled in from the closest record of the negative; and, in words, from which.

    A card whose words are new may be of another club: its club is left open; one whose mark is new keeps the record's
    words. A new negative takes nothing over. read: the club as it was read on the card, "" where it was not.
    """
    record = None if outcome == "new_pose" else _closest_record(catalogue, candidates)
    if record is None:
        return wanted, club_left_blank(wanted, read)
    names = (
        "issuer",
        "year",
        "series",
        *(("caption",) if outcome == "new_mark" else ("mark", "caption_place")),
        *(() if outcome == "new_caption" else ("club",)),
    )
    taken = {name: getattr(record, name) for name in names if getattr(wanted, name) is None and getattr(record, name)}
    words = ", ".join(f"{name} {value!r}" for name, value in taken.items())
    told = [f"taken over from {record.record_id}: {words}"] if taken else []
    told += [club_left_blank(wanted, read, record)] if outcome == "new_caption" else []
    return replace(wanted, **taken), "; ".join(filter(None, told))


def club_left_blank(wanted: RecordFields, read: str = "", record: RecordRow | None = None) -> str:
    """What to tell where a record is made without a club, and nobody has said that none is printed; "" elsewhere.

    read: the club as it was read on the card, "" where it was not. record: the closest one of the negative.
    """
    if wanted.club is not None:
        return ""
    here = f"on this card {read!r} was read" if read else "none was read on this card"
    there = f", {record.record_id} says {record.club!r}" if record and record.club else ""
    return f"the club was left blank; {here}{there}: if one is printed, platekin records edit RECORD --set club=..."


def _closest_record(catalogue: Catalogue, candidates: Sequence[CandidateResult]) -> RecordRow | None:
    """The record of the closest candidate; None where there is none, or none any more."""
    try:
        return catalogue.record(candidates[0].record_id) if candidates else None
    except CatalogueError:
        return None


def next_letter(known: Sequence[str]) -> str:
    """The first of A, B, ... Z, AA, AB, ... that is not taken.

    >>> next_letter(["A", "C"]), next_letter([])
    ('B', 'A')
    """
    letters = [chr(ord("A") + i) for i in range(26)]
    names = [*letters, *(a + b for a in letters for b in letters)]
    return next(name for name in names if name not in known)


def _become(entry: Entry, row: Mapping[str, Any], record_id: str, state: State, wanted: RecordFields) -> None:
    """Make the find a reference of a record that is there."""
    draft = entry.draft
    if draft.rows(Reference, record_id=record_id, sha256=row["sha256"]):
        raise _clash(f"record {record_id} has this image as a reference", "reject the find")
    number = draft.give(Reference)
    same = ("sha256", "suffix", "name", "source", "seen_on", "width", "height", "quad", "facts", "outline")
    draft.insert(
        Reference,
        id=number,
        record_id=record_id,
        copy_id=copy_of(draft, record_id, wanted.copy),
        note=wanted.note,
        extra={},
        added_at=datetime.now(UTC),
        **{name: row[name] for name in same},
    )
    draft.update(Find, [row["find_id"]], state=state, record_id=record_id, reference_id=number)
    entry.about, entry.outcome = str(row["find_id"]), f"{state}: {record_id}, reference {number}"
    entry.evidence = decision_evidence(row)


def _record_of(draft: Draft, row: Mapping[str, Any], wanted: RecordFields, about: str) -> RecordRow:
    """The record that a find becomes: what was established, unless the person says otherwise. about: what it is called.

    Raises CatalogueError missing_value, clash.
    """
    pose = wanted.pose or row["pose"]
    of_pose = draft.rows(Record, pose=pose) if pose else []
    crop = wanted.crop or row["crop"] or next_letter([str(one["crop"]) for one in of_pose])
    names = ("club", "issuer", "year", "series", "mark", "caption_place", "note")
    stated: dict[str, Any] = {name: getattr(wanted, name) or "" for name in names}
    record = RecordRow(
        record_id=wanted.record_id or next_id(draft.connection, "record", "V00001"),
        subject=_subject(pose, of_pose, wanted, about),
        pose=pose or next_id(draft.connection, "pose", "P0001"),
        crop=crop,
        caption=_printed(row["outcome"], wanted, about),
        **stated,
    )
    if draft.row(Record, record.record_id) is not None:
        raise _clash(f"record {record.record_id} is there already", "name another, or say that it is that record")
    _same_variation(draft, record)
    return record


def _subject(pose: str | None, of_pose: Sequence[Mapping[str, Any]], wanted: RecordFields, about: str) -> str:
    """Who is shown: as the person says, and as the pose's other records have it."""
    subject = wanted.subject or (of_pose[0]["subject"] if of_pose else None)
    if not subject:
        raise CatalogueError("missing_value", f"{about}: who is the sitter?", "say it with --subject")
    if of_pose and of_pose[0]["subject"] != subject:
        why = f"pose {pose} shows {of_pose[0]['subject']!r}, not {subject!r}"
        raise _clash(why, "leave the subject out, or name another pose")
    return str(subject)


def _printed(outcome: str, wanted: RecordFields, about: str) -> str:
    """The caption; refused where words or mark were left out that are what makes the card new."""
    if wanted.caption is None:
        why = f"{about}: what is printed on the card?"
        raise CatalogueError("missing_value", why, "say it with --caption; '' where there are none")
    if outcome == "new_mark" and wanted.mark is None:
        why = f"{about}: which issuer's mark does the card bear? It is what is new"
        raise CatalogueError("missing_value", why, f"say it with --mark; {NO_MARK} where there is none")
    return wanted.caption


def _same_variation(draft: Draft, record: RecordRow) -> None:
    """A record is one pose, crop, caption and mark: a second one of the same would never be told from it."""
    same = {name: getattr(record, name) for name in ("pose", "crop", "caption", "club", "issuer", "mark")}
    held = draft.rows(Record, **same)
    if held:
        why = f"record {held[0]['record_id']} has this pose, crop, caption and mark already"
        raise _clash(why, f"say that it is {held[0]['record_id']}, or what differs")


def open_find(draft: Draft, wanted_find: str) -> dict[str, Any]:
    """A find that waits for a decision. Raises CatalogueError no_such_find, already_decided."""
    row = draft.row(Find, wanted_find)
    if row is None:
        raise no_such_find(wanted_find)
    if row["state"] != "open":
        raise CatalogueError(
            "already_decided",
            f"find {wanted_find} is {row['state']} already" + (f", as {row['record_id']}" if row["record_id"] else ""),
            "undo that decision first",
        )
    return row


def _clash(why: str, remedy: str) -> CatalogueError:
    return CatalogueError("clash", why, remedy)
