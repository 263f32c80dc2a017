"""What comes into the catalogue: what the stages found out about an image, and how that becomes rows.

In: `RecordRow` and `Arrival`; out: rows in the session's transaction, which its owner commits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from matcher.catalogue.files import image_name, suffix_of
from matcher.catalogue.models import Copy, Quad, Record, RecordRow, Reference, description_columns
from matcher.describe import Description


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


@dataclass(frozen=True)
class Arrival:
    """One reference image on its way into the catalogue: its bytes, and what the table says of it."""

    data: bytes
    name: str
    prepared: PreparedReference
    copy: str = ""
    source: str = ""
    note: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)

    @property
    def image(self) -> str:
        """Path of its stored image, relative to the catalogue."""
        return image_name(self.prepared.sha256, suffix_of(self.data))


def add_record(session: Session, record: RecordRow) -> None:
    """Add a record, unless it is there; one that is there is never changed from here."""
    if session.get(Record, record.record_id) is None:
        session.add(Record(**asdict(record)))
        session.flush()


def add_reference(session: Session, record_id: str, arrival: Arrival) -> int:
    """Add a reference, with its copy where the label is new; returns its id."""
    prepared = arrival.prepared
    result = session.execute(
        insert(Reference)
        .values(
            record_id=record_id,
            copy_id=_copy_id(session, record_id, arrival.copy),
            sha256=prepared.sha256,
            suffix=suffix_of(arrival.data),
            name=arrival.name,
            source=arrival.source,
            note=arrival.note,
            extra=dict(arrival.extra),
            added_at=datetime.now(UTC),
            width=prepared.width,
            height=prepared.height,
            quad=[list(corner) for corner in prepared.quad],
            facts=dict(prepared.facts),
            **description_columns(prepared.description),
        )
        .returning(Reference.id)
    )
    return int(result.scalar_one())


def _copy_id(session: Session, record_id: str, label: str) -> int | None:
    if not label:
        return None
    held = session.scalar(select(Copy).where(Copy.record_id == record_id, Copy.label == label))
    if held is None:
        held = Copy(record_id=record_id, label=label)
        session.add(held)
        session.flush()
    return held.id
