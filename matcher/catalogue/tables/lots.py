"""The tables of scans that are tagged together: working state of `matcher.jobs.lot`, and no part of the log."""

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
    LargeBinary,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base, UtcTime


class Lot(Base):
    """Scans that are tagged together.

    key: SHA-256 of where they come from: what is given again goes on. compared: of the cards that were laid over each
    other. served: whether the service works on it.
    """

    __tablename__ = "lots"
    __table_args__ = (CheckConstraint("state IN ('open', 'cancelled')", name="state"),)

    lot_id: Mapped[str] = mapped_column(String(16), primary_key=True)
    key: Mapped[str] = mapped_column(String(64), index=True)
    name: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(Text)
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    state: Mapped[str] = mapped_column(String(10))
    served: Mapped[bool]
    compared: Mapped[str] = mapped_column(String(64))
    sources: Mapped[list[str]] = mapped_column(JSON)
    options: Mapped[dict[str, Any]] = mapped_column(JSON)


class LotItem(Base):
    """One page of one file of a lot. path: as the file system has it, whatever its bytes; name: for people.

    size, mtime_ns: of the file when it was hashed. code, message: why it failed.
    """

    __tablename__ = "lot_items"
    __table_args__ = (
        CheckConstraint("state IN ('queued', 'done', 'failed')", name="state"),
        UniqueConstraint("lot_id", "path", "page"),
        Index("ix_lot_items_content", "lot_id", "sha256", "page"),
        Index("ix_lot_items_state", "lot_id", "state"),
    )

    lot_id: Mapped[str] = mapped_column(ForeignKey("lots.lot_id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    path: Mapped[bytes] = mapped_column(LargeBinary)
    name: Mapped[str] = mapped_column(Text)
    page: Mapped[int]
    pages: Mapped[int]
    size: Mapped[int] = mapped_column(BigInteger)
    mtime_ns: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(64))
    state: Mapped[str] = mapped_column(String(8))
    code: Mapped[str] = mapped_column(String(32))
    message: Mapped[str] = mapped_column(Text)


class LotAnswer(Base):
    """What was found on one page of a content, by one fingerprint of the program: asked once in a lot."""

    __tablename__ = "lot_answers"

    lot_id: Mapped[str] = mapped_column(ForeignKey("lots.lot_id"), primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    page: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    fingerprint: Mapped[str] = mapped_column(String(16), primary_key=True)
    answer: Mapped[dict[str, Any]] = mapped_column(JSON)


class LotPair(Base):
    """Two cards of a lot laid over each other: probabilities by rung, None where a rung was not reached."""

    __tablename__ = "lot_pairs"

    lot_id: Mapped[str] = mapped_column(ForeignKey("lots.lot_id"), primary_key=True)
    first: Mapped[str] = mapped_column(String(32), primary_key=True)
    second: Mapped[str] = mapped_column(String(32), primary_key=True)
    pose: Mapped[float | None] = mapped_column(Double)
    crop: Mapped[float | None] = mapped_column(Double)
    caption: Mapped[float | None] = mapped_column(Double)
    copy: Mapped[float | None] = mapped_column(Double)


class LotSkip(Base):
    """A card that a person has put off."""

    __tablename__ = "lot_skips"

    lot_id: Mapped[str] = mapped_column(ForeignKey("lots.lot_id"), primary_key=True)
    card: Mapped[str] = mapped_column(String(32), primary_key=True)
