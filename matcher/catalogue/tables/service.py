"""What the HTTP service keeps: who may use it, which browsers are signed in, and which requests it has answered."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base, UtcTime


class Token(Base):
    """A right to use the HTTP service. Only the token's SHA-256 is kept: it is 256 bits of chance, not a password.

    expires_at: None where it holds until it is revoked. used_at: the last time, to within an hour.
    """

    __tablename__ = "tokens"
    __table_args__ = (CheckConstraint("scope IN ('read', 'decide', 'manage')", name="scope"),)

    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    scope: Mapped[str] = mapped_column(String(8))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    expires_at: Mapped[datetime | None] = mapped_column(UtcTime)
    used_at: Mapped[datetime | None] = mapped_column(UtcTime)


class SignedIn(Base):
    """A browser that was signed in with a token: its cookie is a secret of its own, kept as its SHA-256."""

    __tablename__ = "sessions"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    token: Mapped[str] = mapped_column(ForeignKey("tokens.name"), index=True)
    expires_at: Mapped[datetime] = mapped_column(UtcTime)


class RequestKey(Base):
    """A request that was answered under an Idempotency-Key: asked again, it gets the same decision."""

    __tablename__ = "answered"

    key: Mapped[str] = mapped_column(String(128), primary_key=True)
    request: Mapped[str] = mapped_column(String(64))
    decision: Mapped[int]
