"""Finds: what an identification took for something new, proposed with its evidence, and decided by a person.

In: the published answer about a photo (`report.as_json`) with the photo's bytes; out: open finds. A person then
accepts one (a new record, the photo its first reference), merges it into a known record (a further reference) or
rejects it. The machine only proposes; what it established (pose, crop) is taken over, the rest the person says.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

import numpy as np
from sqlalchemy import Select, func, select

from matcher.catalogue import files
from matcher.catalogue.arrivals import PreparedReference, add_record, copy_of, keep_description
from matcher.catalogue.changes import Draft, find_id
from matcher.catalogue.decisions import Actor, DecisionRow, Entry, machine
from matcher.catalogue.models import Quad, Record, RecordRow, Reference, outline_key
from matcher.catalogue.naming import next_name
from matcher.catalogue.prepare import prepare_outline
from matcher.catalogue.registers import Find
from matcher.catalogue.store import PATIENCE, Catalogue
from matcher.catalogue.table import is_day
from matcher.errors import CatalogueError, UnreadablePhoto
from matcher.locate import Outline
from matcher.photo import read_photo

NEW = ("new_crop", "new_caption", "new_pose")
"""Outcomes that become proposals."""

State = Literal["open", "accepted", "merged", "rejected"]


@dataclass(frozen=True)
class FindRow:
    """One find.

    pose, crop: what the identification established, None where it did not.
    record_id, reference_id: what it became. facts: of the face, see `ReferenceRow`.
    evidence: the card's part of the published answer (outcome, confidence, candidates, reasons), and `versions`.
    """

    find_id: str
    state: State
    outcome: str
    pose: str | None
    crop: str | None
    record_id: str | None
    reference_id: int | None
    proposed_at: datetime
    proposed_by: str
    sha256: str
    suffix: str
    outline: str
    name: str
    source: str
    seen_on: str
    width: int
    height: int
    quad: Quad
    facts: Mapping[str, Any]
    evidence: Mapping[str, Any]


@dataclass(frozen=True)
class Wanted:
    """What a person says of the record that a find becomes; None: as the identification established it."""

    record_id: str | None = None
    subject: str | None = None
    pose: str | None = None
    crop: str | None = None
    caption: str | None = None
    club: str = ""
    issuer: str = ""
    year: str = ""
    series: str = ""
    issuer_mark: str = ""
    caption_place: str = ""
    copy: str = ""
    note: str = ""


def propose(
    catalogue: Catalogue, answer: Mapping[str, Any], data: bytes, *, source: str = "", seen_on: str = "",
    only: Collection[int] | None = None, **told: Any,
) -> tuple[FindRow, ...]:  # fmt: skip
    """Propose the new cards of one photo, as one decision of the machine; a card that was proposed before is left out.

    answer: the published object; data: the photo's bytes. only: places (from 0) of the cards to propose, whatever
    their outcome, as a person wants to decide on them. told: as `Catalogue.deciding` takes it.
    Returns the finds of this photo's new cards, old and new. Raises CatalogueError, UnreadablePhoto.
    """
    check_day(seen_on)
    if hashlib.sha256(data).hexdigest() != answer["sha256"]:
        raise UnreadablePhoto("changed", f"{answer['photo']}: was changed while it was being read", "run again")
    photo = read_photo(data, catalogue.settings.photo, str(answer["photo"]))
    cards = enumerate(answer["cards"])
    new = [card for place, card in cards if (card["outcome"] in NEW if only is None else place in only)]
    prepared = [
        prepare_outline(
            photo, Outline(np.array(card["quad"], np.float32), 1.0), catalogue.settings, len(answer["cards"])
        )
        for card in new
    ]
    named = {files.image_name(photo.sha256, files.suffix_of(data)): data} if new else {}
    for one in prepared:
        named[files.face_name(one.sha256, one.quad, catalogue.settings.face)] = one.face
    if not new:
        return ()
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing(named),
        catalogue.deciding(machine(), "propose", **told) as entry,
    ):
        known = [
            _propose(entry.draft, answer, card, one, data, source, seen_on)
            for card, one in zip(new, prepared, strict=True)
        ]
        made = [change.key[0] for change in entry.draft.changes if change.table == "finds"]
        entry.about = " ".join(made)
        entry.outcome = f"{len(made)} proposed from {answer['photo']}"
        entry.evidence = {"sha256": photo.sha256, "versions": answer["versions"]}
    return tuple(find(catalogue, known_id) for known_id in known)


def _propose(
    draft: Draft, answer: Mapping[str, Any], card: Mapping[str, Any], one: PreparedReference, data: bytes,
    source: str, seen_on: str,
) -> str:  # fmt: skip
    outline = outline_key(one.quad)
    for held in draft.rows(Find, sha256=one.sha256, outline=outline):
        return str(held["find_id"])
    new_id = find_id(draft.give(Find))
    keep_description(draft.connection, one.sha256, outline, one.description)
    draft.insert(
        Find,
        find_id=new_id,
        state="open",
        outcome=card["outcome"],
        pose=card["pose"],
        crop=card["crop"],
        record_id=None,
        reference_id=None,
        proposed_at=datetime.now(UTC),
        proposed_by=machine().name,
        sha256=one.sha256,
        suffix=files.suffix_of(data),
        outline=outline,
        name=str(answer["photo"]).rsplit("/", 1)[-1],
        source=source,
        seen_on=seen_on,
        width=one.width,
        height=one.height,
        quad=one.quad,
        facts=dict(one.facts),
        evidence={
            **{k: card[k] for k in ("confidence", "candidates", "reasons", "face")},
            "versions": answer["versions"],
        },
    )
    return new_id


def accept(catalogue: Catalogue, wanted_find: str, who: Actor, wanted: Wanted = Wanted(), **told: Any) -> DecisionRow:
    """Make a find a new record, with its photo as the first reference. told: further fields of the log's entry.

    Raises CatalogueError no_such_find, already_decided, missing_value, clash.
    """
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "accept", **told) as entry:
        row = _open_find(entry.draft, wanted_find)
        record = _record_of(entry.draft, row, wanted)
        if entry.draft.row(Record, record.record_id) is not None:
            raise _clash(f"record {record.record_id} is there already", "name another, or merge the find into it")
        _same_variation(entry.draft, record)
        add_record(entry.draft, record)
        _become(entry, row, record.record_id, "accepted", wanted)
    return decided(entry)


def merge(
    catalogue: Catalogue, wanted_find: str, record_id: str, who: Actor, copy: str = "", **told: Any
) -> DecisionRow:
    """Make a find a further reference of a known record."""
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "merge_find", **told) as entry:
        row = _open_find(entry.draft, wanted_find)
        if entry.draft.row(Record, record_id) is None:
            raise CatalogueError("no_such_record", f"no record {record_id}", "list the records to see their ids")
        _become(entry, row, record_id, "merged", Wanted(copy=copy, note=entry.note))
    return decided(entry)


def reject(catalogue: Catalogue, wanted_find: str, who: Actor, **told: Any) -> DecisionRow:
    """Decide that a find is none; it stays in the list of rejected ones, and is not proposed again."""
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "reject", **told) as entry:
        row = _open_find(entry.draft, wanted_find)
        entry.draft.update(Find, [wanted_find], state="rejected")
        entry.about, entry.outcome = wanted_find, "rejected"
        entry.evidence = _evidence(row)
    return decided(entry)


def find(catalogue: Catalogue, wanted_find: str) -> FindRow:
    """One find. Raises CatalogueError no_such_find."""
    for row in _found(catalogue, select(*Find.__table__.columns).where(Find.find_id == wanted_find)):
        return row
    raise _no_such_find(wanted_find)


def finds(
    catalogue: Catalogue,
    state: State | None = None,
    outcome: str | None = None,
    limit: int | None = None,
    offset: int = 0,
) -> tuple[FindRow, ...]:
    """Finds by id, a page of them."""
    query = _where(select(*Find.__table__.columns), state, outcome)
    return _found(catalogue, query.order_by(Find.find_id).limit(limit).offset(offset))


def count_finds(catalogue: Catalogue, state: State | None = None, outcome: str | None = None) -> int:
    with catalogue.reading() as connection:
        query = _where(select(func.count()).select_from(Find), state, outcome)
        return int(connection.execute(query).scalar_one())


def next_letter(known: Sequence[str]) -> str:
    """The first of A, B, ... Z, AA, AB, ... that is not taken.

    >>> next_letter(["A", "C"]), next_letter([])
    ('B', 'A')
    """
    letters = [chr(ord("A") + i) for i in range(26)]
    names = [*letters, *(a + b for a in letters for b in letters)]
    return next(name for name in names if name not in known)


def check_day(text: str) -> None:
    if not is_day(text):
        raise CatalogueError("bad_day", f"{text!r} is no day", "write it like 1987-05-23, 1987-05 or 1987")


def decided(entry: Entry) -> DecisionRow:
    """The decision that an entry became. Raises CatalogueError nothing_changed where it came to nothing."""
    if entry.row is None:
        raise CatalogueError("nothing_changed", "that is how it is already", "look at the record or the log")
    return entry.row


def _become(entry: Entry, row: Mapping[str, Any], record_id: str, state: State, wanted: Wanted) -> None:
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
    entry.evidence = _evidence(row)


def _record_of(draft: Draft, row: Mapping[str, Any], wanted: Wanted) -> RecordRow:
    """The record that a find becomes: what was established, unless the person says otherwise."""
    pose = wanted.pose or row["pose"]
    of_pose = draft.rows(Record, pose=pose) if pose else []
    subject = wanted.subject or (of_pose[0]["subject"] if of_pose else None)
    if not subject:
        raise CatalogueError("missing_value", f"find {row['find_id']}: who is shown?", "say it with --subject")
    if of_pose and of_pose[0]["subject"] != subject:
        why = f"pose {pose} shows {of_pose[0]['subject']!r}, not {subject!r}"
        raise _clash(why, "leave the subject out, or name another pose")
    if wanted.caption is None:
        why = f"find {row['find_id']}: what do the card's words say?"
        raise CatalogueError("missing_value", why, "say it with --caption; '' where there are none")
    crop = wanted.crop or row["crop"] or next_letter([str(one["crop"]) for one in of_pose])
    stated = ("club", "issuer", "year", "series", "issuer_mark", "caption_place", "note")
    return RecordRow(
        record_id=wanted.record_id or next_name(draft.connection, "record", "V00001"),
        subject=subject,
        pose=pose or next_name(draft.connection, "pose", "P0001"),
        crop=crop,
        caption=wanted.caption,
        **{name: getattr(wanted, name) for name in stated},
    )


def _same_variation(draft: Draft, record: RecordRow) -> None:
    """A record is one pose, crop and caption: a second one of the same would never be told from it."""
    same = {name: getattr(record, name) for name in ("pose", "crop", "caption", "club", "issuer", "issuer_mark")}
    held = draft.rows(Record, **same)
    if held:
        why = f"record {held[0]['record_id']} has this pose, crop and caption already"
        raise _clash(why, f"merge the find into {held[0]['record_id']}, or say what differs")


def _open_find(draft: Draft, wanted_find: str) -> dict[str, Any]:
    row = draft.row(Find, wanted_find)
    if row is None:
        raise _no_such_find(wanted_find)
    if row["state"] != "open":
        raise CatalogueError(
            "already_decided",
            f"find {wanted_find} is {row['state']} already" + (f", as {row['record_id']}" if row["record_id"] else ""),
            "undo that decision first",
        )
    return row


def _evidence(row: Mapping[str, Any]) -> dict[str, Any]:
    """What the log keeps of a find's evidence: scores, the closest reference, with what it was made."""
    told = row["evidence"]
    closest = told["candidates"][0] if told["candidates"] else None
    return {
        "sha256": row["sha256"],
        "outcome": row["outcome"],
        "confidence": told["confidence"],
        "closest": closest and {k: closest[k] for k in ("record_id", "reference", "confidence", "crop_shift_mm")},
        "description": told["versions"].get("description"),
    }


def _where(query: Select[Any], state: str | None, outcome: str | None) -> Select[Any]:
    query = query if state is None else query.where(Find.state == state)
    return query if outcome is None else query.where(Find.outcome == outcome)


def _found(catalogue: Catalogue, query: Select[Any]) -> tuple[FindRow, ...]:
    with catalogue.reading() as connection:
        rows = [dict(row._mapping) for row in connection.execute(query)]
    return tuple(FindRow(**{**row, "quad": tuple(map(tuple, row["quad"]))}) for row in rows)


def _no_such_find(wanted_find: str) -> CatalogueError:
    return CatalogueError("no_such_find", f"no find {wanted_find}", "list the finds to see their ids")


def _clash(why: str, remedy: str) -> CatalogueError:
    return CatalogueError("clash", why, remedy)
