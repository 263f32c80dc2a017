"""What comes into the catalogue and goes out of it: what the stages found out about an image becomes rows.

In: `RecordRow` and `NewReference`, or the id of a record that is to go; out: changes in a draft, whose owner commits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, delete, insert

from matcher.catalogue.log.changes import Draft
from matcher.catalogue.records.files import face_name, image_name, suffix_of
from matcher.catalogue.tables.finds import Find, Sighting
from matcher.catalogue.tables.models import (
    Copy,
    Described,
    Quad,
    Record,
    RecordRow,
    Reference,
    description_columns,
    description_digest,
    outline_key,
)
from matcher.core.describe import Description
from matcher.core.shared_settings import FaceSize


@dataclass(frozen=True)
class PreparedReference:
    """All that the stages found out about one reference image, ready to be stored.

    sha256: of the file's bytes. width, height, quad: of the upright image, pixels. facts: see `ReferenceRow`.
    face: the flattened face as JPEG, see `files.encode_face`.
    description: of the face as it comes back from that JPEG, so that it can be made again from the cache.
    """

    sha256: str
    width: int
    height: int
    quad: Quad
    facts: Mapping[str, Any]
    face: bytes
    description: Description
    size: FaceSize = field(default_factory=FaceSize)

    @property
    def outline(self) -> str:
        """See `outline_key`."""
        return outline_key(self.quad, str(self.facts.get("format", "")))

    @property
    def face_name(self) -> str:
        """Path that its face is kept under."""
        return face_name(self.sha256, self.quad, self.size)


@dataclass(frozen=True)
class NewReference:
    """One reference image on its way into the catalogue: its bytes, and what is said of it."""

    data: bytes
    name: str
    prepared: PreparedReference
    copy: str = ""
    source: str = ""
    note: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    seen_on: str = ""

    @property
    def image(self) -> str:
        """Path of its stored image, relative to the catalogue."""
        return image_name(self.prepared.sha256, suffix_of(self.data))


def add_record(draft: Draft, record: RecordRow) -> None:
    """Add a record, unless it is there; one that is there is never changed from here."""
    if draft.row(Record, record.record_id) is None:
        draft.insert(Record, **asdict(record))


def add_reference(draft: Draft, record_id: str, arrival: NewReference) -> int:
    """Add a reference, with its copy where the label is new; returns its id."""
    prepared = arrival.prepared
    number = draft.give(Reference)
    draft.insert(
        Reference,
        id=number,
        record_id=record_id,
        copy_id=copy_of(draft, record_id, arrival.copy),
        sha256=prepared.sha256,
        suffix=suffix_of(arrival.data),
        name=arrival.name,
        source=arrival.source,
        note=arrival.note,
        extra=dict(arrival.extra),
        added_at=datetime.now(UTC),
        seen_on=arrival.seen_on,
        width=prepared.width,
        height=prepared.height,
        quad=prepared.quad,
        facts=dict(prepared.facts),
        outline=prepared.outline,
    )
    keep_description(draft.connection, prepared.sha256, prepared.outline, prepared.description)
    return number


def remove_record(draft: Draft, record_id: str) -> None:
    """Remove a record with all that hangs on it; a find that had become it counts as rejected."""
    for find in draft.rows(Find, record_id=record_id):
        draft.update(Find, [find["find_id"]], state="rejected", record_id=None, reference_id=None)
    for sighting in draft.rows(Sighting, record_id=record_id):
        draft.delete(Sighting, sighting["id"])
    for reference in draft.rows(Reference, record_id=record_id):
        draft.delete(Reference, reference["id"])
    for copy in draft.rows(Copy, record_id=record_id):
        draft.delete(Copy, copy["id"])
    draft.delete(Record, record_id)


def copy_of(draft: Draft, record_id: str, label: str) -> int | None:
    """The id of the record's copy with this label, which is made where there is none; None for no label."""
    if not label:
        return None
    held = draft.rows(Copy, record_id=record_id, label=label)
    if held:
        return int(held[0]["id"])
    number = draft.give(Copy)
    draft.insert(Copy, id=number, record_id=record_id, label=label)
    return number


def keep_description(connection: Connection, sha256: str, outline: str, description: Description) -> None:
    """Store a face's description, in place of an older one."""
    which = (Described.sha256 == sha256) & (Described.outline == outline)
    connection.execute(delete(Described).where(which))
    columns = description_columns(description)
    digest = description_digest(sha256, outline, columns)
    connection.execute(insert(Described).values(sha256=sha256, outline=outline, digest=digest, **columns))
