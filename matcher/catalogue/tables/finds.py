"""What came from outside: finds, decided or waiting for a person, and sightings of cards that are no references."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Double, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base, UtcTime


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
    format: Mapped[str] = mapped_column(String, default="", server_default="")
