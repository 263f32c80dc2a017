"""The tables beside records, copies and references: what the catalogue knows of itself, and what came to it.

catalogue      one row: which catalogue this is
decisions      the log: append-only, each entry chained to the one before (`decisions`)
finds          proposals that wait for a person, and those that were decided (`finds`)
sightings      cards seen that are no references (`copies`)
series, spellings, poses, crops    facts about series, subjects' variant names, common frames, crop maps
images         every image ever named, never forgotten: undoing may want it again
given, namings the last number given out of each kind, and of ids like V00017, so that none is given twice
tokens, keys   of the HTTP service: who may write, and requests that were answered already
lots, ...      scans that are tagged together (`lot_registers`)
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    Double,
    ForeignKey,
    Index,
    String,
    Text,
)
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base, UtcTime


class Identity(Base):
    """Which catalogue this is: a log says the same, so that it is not taken for another's."""

    __tablename__ = "catalogue"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)


class Given(Base):
    """The last number given out of a kind ('references', 'copies', 'finds', 'sightings')."""

    __tablename__ = "given"

    kind: Mapped[str] = mapped_column(String(16), primary_key=True)
    last: Mapped[int]


class Naming(Base):
    """Ids with one beginning: the highest number, how many digits it is written with, how often one was used."""

    __tablename__ = "namings"
    __table_args__ = (Index("ix_namings_commonest", "kind", "times"),)

    kind: Mapped[str] = mapped_column(String(8), primary_key=True)
    prefix: Mapped[str] = mapped_column(Text, primary_key=True)
    digits: Mapped[int]
    last: Mapped[int] = mapped_column(BigInteger)
    times: Mapped[int]


class Image(Base):
    """An image file that a row has named at some time."""

    __tablename__ = "images"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    suffix: Mapped[str] = mapped_column(String(8))


class Decision(Base):
    """One entry of the log. Rows are only ever added."""

    __tablename__ = "decisions"
    __table_args__ = (CheckConstraint("actor IN ('person', 'machine')", name="actor"),)

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    batch: Mapped[int | None] = mapped_column(index=True)
    at: Mapped[datetime] = mapped_column(UtcTime)
    actor: Mapped[str] = mapped_column(String(8))
    by: Mapped[str] = mapped_column(Text)
    action: Mapped[str] = mapped_column(String(24))
    about: Mapped[str] = mapped_column(Text, index=True)
    outcome: Mapped[str] = mapped_column(Text)
    evidence: Mapped[dict[str, Any]] = mapped_column(JSON)
    note: Mapped[str] = mapped_column(Text)
    undoes: Mapped[int | None] = mapped_column(index=True)
    changes: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    digest: Mapped[str] = mapped_column(String(64))


class Series(Base):
    """One series of cards."""

    __tablename__ = "series"

    series: Mapped[str] = mapped_column(String, primary_key=True)
    title: Mapped[str] = mapped_column(Text)
    issuer: Mapped[str] = mapped_column(Text)
    years: Mapped[str] = mapped_column(String)
    width_mm: Mapped[str] = mapped_column(String)
    height_mm: Mapped[str] = mapped_column(String)
    note: Mapped[str] = mapped_column(Text)


class Spelling(Base):
    """Another spelling under which a subject is known."""

    __tablename__ = "spellings"

    spelling: Mapped[str] = mapped_column(Text, primary_key=True)
    subject: Mapped[str] = mapped_column(Text, index=True)


class PoseFrame(Base):
    """The common frame of a pose: the face of one reference, by its image, in mm from its top left corner."""

    __tablename__ = "poses"

    pose: Mapped[str] = mapped_column(String, primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64))
    outline: Mapped[str] = mapped_column(String(16))
    note: Mapped[str] = mapped_column(Text)


class CropWindow(Base):
    """A crop as a rectangle of its pose's common frame: left, top, right, bottom in mm, with its uncertainty."""

    __tablename__ = "crops"

    pose: Mapped[str] = mapped_column(String, primary_key=True)
    crop: Mapped[str] = mapped_column(String, primary_key=True)
    window_mm: Mapped[list[float]] = mapped_column(JSON)
    sigma_mm: Mapped[float] = mapped_column(Double)


class Find(Base):
    """A proposal: a card that an identification took for something new, with its evidence."""

    __tablename__ = "finds"
    __table_args__ = (
        CheckConstraint("state IN ('open', 'accepted', 'merged', 'rejected')", name="state"),
        Index("ix_finds_card", "sha256", "outline"),
    )

    find_id: Mapped[str] = mapped_column(String(16), primary_key=True)
    state: Mapped[str] = mapped_column(String(8), index=True)
    outcome: Mapped[str] = mapped_column(String(16))
    pose: Mapped[str | None] = mapped_column(String)
    crop: Mapped[str | None] = mapped_column(String)
    record_id: Mapped[str | None] = mapped_column(ForeignKey("records.record_id"), index=True)
    reference_id: Mapped[int | None] = mapped_column(ForeignKey("references.id"), index=True)
    proposed_at: Mapped[datetime] = mapped_column(UtcTime)
    proposed_by: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    suffix: Mapped[str] = mapped_column(String(8))
    outline: Mapped[str] = mapped_column(String(16))
    name: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(Text)
    seen_on: Mapped[str] = mapped_column(String(10))
    width: Mapped[int]
    height: Mapped[int]
    quad: Mapped[list[list[float]]] = mapped_column(JSON)
    facts: Mapped[dict[str, Any]] = mapped_column(JSON)
    evidence: Mapped[dict[str, Any]] = mapped_column(JSON)


class Sighting(Base):
    """A card seen on a day that is no reference.

    suggested_*: what the machine takes it for. copy_id, confirmed: a person's word.
    """

    __tablename__ = "sightings"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    record_id: Mapped[str] = mapped_column(ForeignKey("records.record_id"), index=True)
    copy_id: Mapped[int | None] = mapped_column(ForeignKey("copies.id"), index=True)
    seen_on: Mapped[str] = mapped_column(String(10))
    source: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(Text)
    confirmed: Mapped[bool]
    sha256: Mapped[str] = mapped_column(String(64))
    suffix: Mapped[str] = mapped_column(String(8))
    outline: Mapped[str] = mapped_column(String(16))
    name: Mapped[str] = mapped_column(Text)
    quad: Mapped[list[list[float]]] = mapped_column(JSON)
    residual_contrast: Mapped[float | None] = mapped_column(Double)
    suggested_reference: Mapped[int | None]
    suggested_probability: Mapped[float | None] = mapped_column(Double)
    evidence: Mapped[dict[str, Any]] = mapped_column(JSON)


class Token(Base):
    """A right to use the HTTP service. Only the token's SHA-256 is kept: it is 256 bits of chance, not a password."""

    __tablename__ = "tokens"
    __table_args__ = (CheckConstraint("scope IN ('read', 'decide', 'manage')", name="scope"),)

    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    scope: Mapped[str] = mapped_column(String(8))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    made_at: Mapped[datetime] = mapped_column(UtcTime)


class Answered(Base):
    """A request that was answered under an Idempotency-Key: asked again, it gets the same decision."""

    __tablename__ = "answered"

    key: Mapped[str] = mapped_column(String(128), primary_key=True)
    request: Mapped[str] = mapped_column(String(64))
    decision: Mapped[int]
