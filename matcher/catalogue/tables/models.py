"""The tables of the catalogue (SQLAlchemy mappings), and the frozen rows that everybody else sees.

Mappings stay inside this package: a live object would load from a database that another process is writing.
`RecordRow` and `ReferenceRow` are plain values, safe to keep, to compare and to send to a worker.

    records 1 ── n references    an image of a known card
    records 1 ── n copies 1 ── n references    one physical card; a reference need not say which
    references n ── 1 descriptions    by image and outline: derived, kept apart from the facts, and made again at need

The other tables (finds, sightings, decisions, ...) are in `registers`.
"""

from __future__ import annotations

import hashlib
import json
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

from matcher.core.describe import Description

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
            "ck": "ck_%(table_name)s_%(constraint_name)s",
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
    series: Mapped[str] = mapped_column(String, default="", server_default="")
    mark: Mapped[str] = mapped_column(Text, default="", server_default="")
    caption_place: Mapped[str] = mapped_column(String, default="", server_default="")
    format: Mapped[str] = mapped_column(String, default="", server_default="")


class Copy(Base):
    """One physical card of a record, by the label its owner gave it."""

    __tablename__ = "copies"
    __table_args__ = (UniqueConstraint("record_id", "label"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    record_id: Mapped[str] = mapped_column(ForeignKey("records.record_id"))
    label: Mapped[str] = mapped_column(String)


class Reference(Base):
    """An image of a known card. Its id is never given again: the index and old answers may still name it."""

    __tablename__ = "references"
    __table_args__ = (UniqueConstraint("record_id", "sha256"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    record_id: Mapped[str] = mapped_column(ForeignKey("records.record_id"))
    copy_id: Mapped[int | None] = mapped_column(ForeignKey("copies.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    suffix: Mapped[str] = mapped_column(String(8))
    name: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)
    extra: Mapped[dict[str, str]] = mapped_column(JSON)
    added_at: Mapped[datetime] = mapped_column(UtcTime)
    seen_on: Mapped[str] = mapped_column(String(10))
    width: Mapped[int]
    height: Mapped[int]
    quad: Mapped[list[list[float]]] = mapped_column(JSON)
    facts: Mapped[dict[str, Any]] = mapped_column(JSON)
    outline: Mapped[str] = mapped_column(String(16))


class Described(Base):
    """The description of the face that an image shows within an outline: derived, and no part of the log."""

    __tablename__ = "descriptions"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    outline: Mapped[str] = mapped_column(String(16), primary_key=True)
    fingerprint: Mapped[str] = mapped_column(String(16))
    hashes: Mapped[bytes] = mapped_column(LargeBinary)
    points: Mapped[bytes] = mapped_column(LargeBinary)
    angles: Mapped[bytes] = mapped_column(LargeBinary)
    scales: Mapped[bytes] = mapped_column(LargeBinary)
    descriptors: Mapped[bytes] = mapped_column(LargeBinary)
    digest: Mapped[str] = mapped_column(String(64), default="", server_default="")
    """SHA-256 of all of it, see `description_digest`: a damaged description would give other answers."""


def outline_key(quad: Quad | list[list[float]], form: str = "") -> str:
    """Sixteen hexadecimal digits that tell one outline of an image, and the format it was cut out as, from another."""
    corners = [[round(float(v), 3) for v in corner] for corner in quad]
    told = json.dumps(corners) + (f" {form}" if form else "")
    return hashlib.sha256(told.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class RecordRow:
    """One known variation. Optional texts are "" where nothing is stated.

    note, extra: of the table's row that brought the record in; extra holds the table's unknown columns.
    series: id of its series. mark: the issuer's mark as it is printed, 'none' where the card is known to
    bear none. caption_place: where the words stand.
    format: see `core.formats.CardFormat.text`; "" where it is its series', or the common one.
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
    series: str = ""
    mark: str = ""
    caption_place: str = ""
    format: str = ""


@dataclass(frozen=True)
class ReferenceRow:
    """One reference image.

    copy:   label of the physical card, or None where nobody has said which it is.
    suffix: of the stored image file, by its content (".jpg").
    name:   what the image was called when it was enrolled.
    note, extra: of the table's row that brought it.
    width, height, quad: of the upright image, pixels.
    facts:  turned (degrees), trusted (share of the face), outlines (cards found in the image), outline_score,
            dpi and size_mm ([width, height] of the card) where the file states a scan resolution, else None;
            format (`core.formats.face_text`) where it is not the common one.
    seen_on: the day that the image shows the card on (year, month or day, ISO 8601), or "" where nobody has said.
    outline: see `outline_key`. fingerprint: of the stored description, "" where none is stored.
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
    seen_on: str
    outline: str
    fingerprint: str

    @property
    def format(self) -> str:
        """What its face was cut out as."""
        return str(self.facts.get("format", ""))


def description_digest(sha256: str, outline: str, columns: Mapping[str, Any]) -> str:
    """SHA-256 of a stored description with what it is of."""
    told = hashlib.sha256(f"{sha256} {outline} {columns['fingerprint']}".encode())
    for name in ("hashes", "points", "angles", "scales", "descriptors"):
        told.update(len(columns[name]).to_bytes(8, "little") + columns[name])
    return told.hexdigest()


def is_whole(sha256: str, outline: str, columns: Mapping[str, Any]) -> bool:
    """Whether a stored description is what was stored."""
    return bool(columns["digest"] == description_digest(sha256, outline, columns))


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
