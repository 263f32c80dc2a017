"""The tables of the catalogue (SQLAlchemy mappings), and the frozen rows that everybody else sees.

Mappings stay inside this package: a live object would load from a database that another process is writing.
`RecordRow` and `ReferenceRow` are plain values, safe to keep, to compare and to send to a worker.

    records 1 ── n references    an image of a known card
    records 1 ── n copies 1 ── n references    one physical card; a reference need not say which
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    JSON,
    DateTime,
    Dialect,
    ForeignKey,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from matcher.describe import Description

Quad = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
"""TL TR BR BL of the upright card, pixels of the upright image."""


class UtcTime(TypeDecorator[datetime]):
    """A moment in UTC. SQLite drops time zones: taken off on the way in, it is put back on the way out."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Named constraints, so that a later migration can change them by name."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class Record(Base):
    """One known variation."""

    __tablename__ = "records"

    record_id: Mapped[str] = mapped_column(String, primary_key=True)
    subject: Mapped[str] = mapped_column(Text, index=True)
    pose: Mapped[str] = mapped_column(String, index=True)
    crop: Mapped[str] = mapped_column(String)
    caption: Mapped[str] = mapped_column(Text)
    club: Mapped[str] = mapped_column(Text, default="")
    issuer: Mapped[str] = mapped_column(Text, default="")
    year: Mapped[str] = mapped_column(String, default="")
    note: Mapped[str] = mapped_column(Text, default="")
    extra: Mapped[dict[str, str]] = mapped_column(JSON, default=dict)


class Copy(Base):
    """One physical card of a record, by the label its owner gave it."""

    __tablename__ = "copies"
    __table_args__ = (UniqueConstraint("record_id", "label"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    record_id: Mapped[str] = mapped_column(ForeignKey("records.record_id", ondelete="CASCADE"))
    label: Mapped[str] = mapped_column(String)


class Reference(Base):
    """An image of a known card. Its id is never given again: the index and old answers may still name it."""

    __tablename__ = "references"
    __table_args__ = (UniqueConstraint("record_id", "sha256"), {"sqlite_autoincrement": True})

    id: Mapped[int] = mapped_column(primary_key=True)
    record_id: Mapped[str] = mapped_column(ForeignKey("records.record_id", ondelete="CASCADE"))
    copy_id: Mapped[int | None] = mapped_column(ForeignKey("copies.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    suffix: Mapped[str] = mapped_column(String(8))
    name: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)
    extra: Mapped[dict[str, str]] = mapped_column(JSON)
    added_at: Mapped[datetime] = mapped_column(UtcTime)
    width: Mapped[int]
    height: Mapped[int]
    quad: Mapped[list[list[float]]] = mapped_column(JSON)
    facts: Mapped[dict[str, Any]] = mapped_column(JSON)
    # The description comes last: SQLite then reads the small columns without touching the large ones.
    fingerprint: Mapped[str] = mapped_column(String(16))
    hashes: Mapped[bytes] = mapped_column(LargeBinary)
    points: Mapped[bytes] = mapped_column(LargeBinary)
    angles: Mapped[bytes] = mapped_column(LargeBinary)
    scales: Mapped[bytes] = mapped_column(LargeBinary)
    descriptors: Mapped[bytes] = mapped_column(LargeBinary)


@dataclass(frozen=True)
class RecordRow:
    """One known variation. Optional texts are "" where nothing is stated.

    note, extra: of the table's row that brought the record in; extra holds the table's unknown columns.
    """

    record_id: str
    subject: str
    pose: str
    crop: str
    caption: str
    club: str = ""
    issuer: str = ""
    year: str = ""
    note: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ReferenceRow:
    """One reference image.

    copy:   label of the physical card, or None where nobody has said which it is.
    suffix: of the stored image file, by its content (".jpg").
    name:   what the image was called when it was enrolled.
    note, extra: of the table's row that brought it.
    width, height, quad: of the upright image, pixels.
    facts:  turned (degrees), trusted (share of the face), outlines (cards found in the image), outline_score,
            dpi and size_mm ([width, height] of the card) where the file states a scan resolution, else None.
    fingerprint: of the stored description.
    """

    id: int
    record_id: str
    copy: str | None
    sha256: str
    suffix: str
    name: str
    source: str
    note: str
    extra: Mapping[str, str]
    added_at: datetime
    width: int
    height: int
    quad: Quad
    facts: Mapping[str, Any]
    fingerprint: str


def description_columns(description: Description) -> dict[str, Any]:
    """A description as the values of its columns; numbers little-endian whatever the machine."""
    return {
        "fingerprint": description.fingerprint,
        "hashes": description.hashes.tobytes(),
        "points": description.points.astype("<f4").tobytes(),
        "angles": description.angles.astype("<f4").tobytes(),
        "scales": description.scales.astype("<f4").tobytes(),
        "descriptors": description.descriptors.tobytes(),
    }


def description_of(columns: Mapping[str, Any]) -> Description:
    """The reverse of `description_columns`. Raises ValueError where lengths do not fit each other."""
    return Description(
        hashes=np.frombuffer(columns["hashes"], np.uint8).copy(),
        points=_floats(columns["points"]).reshape(-1, 2),
        angles=_floats(columns["angles"]),
        scales=_floats(columns["scales"]),
        descriptors=np.frombuffer(columns["descriptors"], np.uint8).reshape(-1, 32).copy(),
        fingerprint=columns["fingerprint"],
    )


def _floats(stored: bytes) -> NDArray[np.float32]:
    return np.frombuffer(stored, "<f4").astype(np.float32)
