"""The log's tables: which catalogue it is, its decisions, and all that is given out once and for good."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, CheckConstraint, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base, UtcTime


class Identity(Base):
    """Which catalogue this is: a log says the same, so that it is not taken for another's."""

    __tablename__ = "catalogue"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)


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


class Import(Base):
    """Decisions that came in from elsewhere, `first` to `last`, and who brought them.

    No part of the log, which stays what it was: what it says of who decided is then another catalogue's word.
    """

    __tablename__ = "imports"

    first: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    last: Mapped[int]
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(Text)


class Image(Base):
    """An image file that a row has named at some time."""

    __tablename__ = "images"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    suffix: Mapped[str] = mapped_column(String(8))


class LastNumber(Base):
    """The last number given out of a kind ('references', 'copies', 'finds', 'sightings')."""

    __tablename__ = "given"

    kind: Mapped[str] = mapped_column(String(16), primary_key=True)
    last: Mapped[int]


class IdPrefix(Base):
    """Ids with one beginning: the highest number, how many digits it is written with, how often one was used."""

    __tablename__ = "namings"
    __table_args__ = (Index("ix_namings_commonest", "kind", "times"),)

    kind: Mapped[str] = mapped_column(String(8), primary_key=True)
    prefix: Mapped[str] = mapped_column(Text, primary_key=True)
    digits: Mapped[int]
    last: Mapped[int] = mapped_column(BigInteger)
    times: Mapped[int]
