"""What is known beside the records: series, other spellings of names, the common frame and the crops of each pose."""

from __future__ import annotations

from sqlalchemy import JSON, Double, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from matcher.catalogue.tables.models import Base


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
