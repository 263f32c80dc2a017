"""Which format a record's cards have: said of the record, else of its series, else the common one; and said anew.

A record's references keep the format that they were cut out as with their facts: what is said of a format later
changes them only by a decision, `set_formats`, that outlines them again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue.log.decisions import Actor, DecisionRow, decided, references_told
from matcher.catalogue.records.ingest import PreparedReference, keep_description
from matcher.catalogue.records.prepare import (
    OFF_SIZE,
    fits,
    off_shape,
    off_size,
    prepare_outline,
    prepare_photo,
    seen_words,
)
from matcher.catalogue.records.series import FIELDS, all_series
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.records.table import Table
from matcher.catalogue.tables.facts import Series
from matcher.catalogue.tables.models import Quad, Record, RecordRow, Reference, ReferenceRow
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import BadTable, CatalogueError, UnreadablePhoto
from matcher.core.formats import COMMON, INSERT, PRESETS, CardFormat, parse_format
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings


@dataclass(frozen=True)
class FormatRow:
    """One format. format: how it is written; words: with its size; records, references: how many have it."""

    format: str
    words: str
    width_mm: float
    height_mm: float
    records: int
    references: int


def list_formats(catalogue: Catalogue) -> tuple[FormatRow, ...]:
    """The formats that the catalogue knows, the commonest first, then the other presets."""
    series = series_formats(catalogue)
    records = {row.record_id: record_format(row, series) or INSERT for row in catalogue.records()}
    of_records = Counter(records.values())
    of_references = Counter(parse_format(row.format) if row.format else INSERT for row in catalogue.references())
    known = sorted({*of_records, *of_references}, key=lambda one: (-of_records[one], one.text))
    usual = [one for one in PRESETS.values() if one not in known]
    return tuple(
        FormatRow(one.text, one.words, one.width_mm, one.height_mm, of_records[one], of_references[one])
        for one in (*known, *usual)
    )


def series_formats(catalogue: Catalogue) -> Mapping[str, CardFormat]:
    """Of the series whose size is said, by their ids."""
    found = {}
    for row in all_series(catalogue):
        if row.width_mm and row.height_mm:
            try:
                found[row.series] = parse_format(f"{row.width_mm}x{row.height_mm}")
            except BadTable:  # an earlier version let in what is no card's size
                continue
    return found


def record_format(row: RecordRow, series: Mapping[str, CardFormat]) -> CardFormat | None:
    """What is said of a record's format; None where nothing is, or that it is the common one."""
    said = parse_format(row.format) if row.format else series.get(row.series)
    return None if said is None or said.face == COMMON else said


def row_formats(catalogue: Catalogue, table: Table) -> dict[str, CardFormat | None]:
    """The format of each record that a table names; what the catalogue says of it already counts where the table is
    silent."""
    series = series_formats(catalogue)
    held = {row.record_id: row for row in catalogue.records_among({row.record_id for row in table.rows})}
    said: dict[str, CardFormat | None] = {}
    for row in table.rows:
        known = held.get(row.record_id)
        text = row.format or (known.format if known else "")
        named = row.series or (known.series if known else "")
        found = parse_format(text) if text else series.get(named)
        said[row.record_id] = said.get(row.record_id) or (None if found is None or found.face == COMMON else found)
    return said


def set_formats(
    catalogue: Catalogue, text: str, who: Actor, *, records: Sequence[str] = (), series: str = "", **logged: Any
) -> DecisionRow:
    """Say which format the cards of records, or of a series, have; their references are outlined anew as such.

    As one decision. A record that says a format of its own keeps it when its series gets another.
    Raises BadTable bad_format; UnreadablePhoto wrong_format, no_card; CatalogueError no_such_record, missing_value,
    nothing_changed.
    """
    wanted = parse_format(text)
    if bool(records) == bool(series.strip()):
        raise CatalogueError("missing_value", "say of which records, or of which series", "name records, or one series")
    concerned = _concerned(catalogue, records, series.strip())
    form = "" if wanted.face == COMMON else wanted.text
    rows = catalogue.references_among((), list(concerned)) if concerned else ()
    made = {row.id: _outlined(catalogue, row, wanted) for row in rows if row.format != form}
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing({one.face_name: one.face for one in made.values()}),
        catalogue.deciding(who, "format", about=series or " ".join(records), **logged) as entry,
    ):
        draft = entry.draft
        if series:
            size = {"width_mm": f"{wanted.width_mm:g}", "height_mm": f"{wanted.height_mm:g}"}
            if draft.row(Series, series) is None:
                draft.insert(Series, series=series, **{**dict.fromkeys(FIELDS, ""), **size})
            else:
                draft.update(Series, [series], **size)
        for record_id in records:
            draft.update(Record, [record_id], format=wanted.text)
        for number, one in made.items():
            keep_description(draft.connection, one.sha256, one.outline, one.description)
            draft.update(Reference, [number], quad=one.quad, facts=dict(one.facts), outline=one.outline)
        whose = f"series {series}" if series else ", ".join(records)
        yet = "" if records or _bears(catalogue, series) else "no record bears this series yet; "
        entry.outcome = f"{whose}: {wanted.words}; {yet}{references_told(len(made))} outlined anew"
    return decided(entry)


def _concerned(catalogue: Catalogue, records: Sequence[str], series: str) -> list[str]:
    if series:
        return [row.record_id for row in catalogue.records() if row.series == series and not row.format]
    return [catalogue.record(record_id).record_id for record_id in records]


def _bears(catalogue: Catalogue, series: str) -> bool:
    return any(row.series == series for row in catalogue.records())


def _outlined(catalogue: Catalogue, row: ReferenceRow, wanted: CardFormat) -> PreparedReference:
    """A reference looked at as a card of that format."""
    turned = wanted.landscape != _is_landscape(row)
    try:
        return catalogue.elsewhere(
            _looked_at, catalogue.image_path(row), row.name, row.quad, dict(row.facts), turned, wanted,
            catalogue.settings,
        )  # fmt: skip
    except UnreadablePhoto as error:
        raise UnreadablePhoto(
            error.code, f"reference {row.id} of record {row.record_id}: {error.message}", error.remedy
        ) from None


def _looked_at(
    path: Path, name: str, quad: Quad, facts: Mapping[str, Any], turned: bool, wanted: CardFormat, settings: Settings
) -> PreparedReference:
    """Within its outline where that has the shape and the card lies as before; else found again."""
    photo = read_photo(path, settings.photo, name)
    size = None if wanted.face == COMMON else wanted.face
    drawn = CardQuad(np.array(quad, np.float32), float(facts.get("outline_score", 1.0)))
    if not turned and fits(photo, drawn, wanted.face):
        one = prepare_outline(photo, drawn, settings, int(facts.get("outlines", 1)), size)
    else:
        try:
            one = prepare_photo(photo, settings, size, name)
        except UnreadablePhoto as error:
            raise _no_such_card(photo, drawn, wanted) if error.code == "wrong_format" else error from None
    found = CardQuad(np.array(one.quad, np.float32), 1.0)
    if off_size(one) > OFF_SIZE and off_shape(photo, found, wanted.face) > OFF_SHAPE_TOO:
        raise _no_such_card(photo, found, wanted, one.facts["size_mm"])
    return one


OFF_SHAPE_TOO = 0.08
"""From this difference in shape, as in `OFF_SHAPE`, a card that by its scan's resolution is of another size as well is
of another format: half of what a cut alone may do. Where the resolution is told wrongly the shape is still right; an
insert is 0.09 from a carte de visite and 0.13 from a cabinet. Own choice."""


def _no_such_card(photo: Photo, seen: CardQuad, wanted: CardFormat, size_mm: Sequence[float] = ()) -> UnreadablePhoto:
    by_scan = f", by its scan's resolution {size_mm[0]:.0f} x {size_mm[1]:.0f} mm" if size_mm else ""
    why = f"it shows {seen_words(photo, seen)}{by_scan}; {wanted.words} is {wanted.slenderness:.2f} : 1"
    return UnreadablePhoto("wrong_format", why, "name another format, or correct the outline: platekin records outline")


def _is_landscape(row: ReferenceRow) -> bool:
    return bool(row.format) and parse_format(row.format).landscape
