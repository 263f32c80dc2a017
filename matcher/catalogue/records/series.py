"""Series of cards: what people have said of each, and how many records belong to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select

from matcher.catalogue.log.decisions import Actor, DecisionRow, decided
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.facts import Series
from matcher.catalogue.tables.models import Record
from matcher.core.errors import CatalogueError

FIELDS = ("title", "issuer", "years", "width_mm", "height_mm", "note")


@dataclass(frozen=True)
class SeriesRow:
    """One series. Texts are "" where nothing is said; width_mm, height_mm: nominal size of its cards, as written.

    records: how many name it.
    """

    series: str
    title: str
    issuer: str
    years: str
    width_mm: str
    height_mm: str
    note: str
    records: int


def all_series(catalogue: Catalogue) -> tuple[SeriesRow, ...]:
    """All series by id: those that were described, and those that records only name."""
    with catalogue.reading() as connection:
        naming = select(Record.series, func.count()).where(Record.series != "").group_by(Record.series)
        named = {series: int(count) for series, count in connection.execute(naming)}
        described = {row.series: row._asdict() for row in connection.execute(select(*Series.__table__.columns))}
    blank = dict.fromkeys(FIELDS, "")
    return tuple(
        SeriesRow(**{"series": series, **blank, **described.get(series, {})}, records=named.get(series, 0))
        for series in sorted({*named, *described})
    )


def set_series(catalogue: Catalogue, series: str, fields: Mapping[str, str], who: Actor, **logged: Any) -> DecisionRow:
    """Say what a series is: title, issuer, years, nominal size in mm, note; made where it is not there.

    logged: further fields of the log's entry. Raises CatalogueError missing_value, nothing_changed.
    """
    if not series.strip():
        raise CatalogueError("missing_value", "a series needs an id", "use the id that the records use")
    for name in ("width_mm", "height_mm"):
        _check_size(name, fields.get(name, ""))
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "series", about=series, **logged) as entry:
        if entry.draft.row(Series, series) is None:
            entry.draft.insert(Series, series=series, **{**dict.fromkeys(FIELDS, ""), **fields})
        else:
            entry.draft.update(Series, [series], **fields)
        entry.outcome = f"series {series}: {', '.join(sorted(fields)) or 'noted'}"
    return decided(entry)


def _check_size(name: str, text: str) -> None:
    try:
        sound = not text or 5 <= float(text) <= 1000
    except ValueError:
        sound = False
    if not sound:
        raise CatalogueError(
            "missing_value", f"{name} {text!r} is not a valid size of a card in mm", "write it like 36.5"
        )
