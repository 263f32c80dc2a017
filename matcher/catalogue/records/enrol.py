"""A table of records and a catalogue folder in; the catalogue with all of them in, and a report, out.

The rows of one record are stored together or not at all, in the order of the table. Killed at any moment, the
same call may be made again and ends with the same catalogue. Originals are only read.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

import numpy as np

from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import Actor, whoever_runs_this
from matcher.catalogue.records import files
from matcher.catalogue.records.enrol_report import EnrolReport, RowOutcome, Tally
from matcher.catalogue.records.formats import row_formats
from matcher.catalogue.records.indexing import bring_index_up_to_date
from matcher.catalogue.records.ingest import NewReference, PreparedReference
from matcher.catalogue.records.prepare import (
    OFF_SIZE,
    Prepare,
    Prepared,
    Sought,
    is_given,
    off_size,
    prepare_in_order,
    prepare_reference,
)
from matcher.catalogue.records.renumber import moved, renumber
from matcher.catalogue.records.scratch import scratch_folder
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.records.table import SAME_IF_STATED, Reading, Table, TableRow, find_clashes, read_table
from matcher.catalogue.tables.database import guarded
from matcher.catalogue.tables.models import Quad, RecordRow, ReferenceRow
from matcher.core.detect.geometry import overlap
from matcher.core.detect.given_outline import outline_text
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.image_files import pages_told
from matcher.core.ordinary_files import open_ordinary
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.elsewhere import Elsewhere, here
from matcher.core.settings import PhotoLimits, Settings
from matcher.core.strip import stripped

LONG_PATIENCE = 120.0
"""Seconds that one record of a long table waits for another writer: longer than a decision that somebody watches."""


def enrol(
    csv_path: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    settings: Settings | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
    on_row: Callable[[RowOutcome], None] | None = None,
    prepare: Prepare = prepare_reference,
    who: Actor | None = None,
    images: str | os.PathLike[str] | None = None,
    check: Callable[[Draft], None] | None = None,
    cluster: Cluster | None = None,
    strip: bool = False,
    reading: Reading | None = None,
    new_ids: bool = False,
    elsewhere: Elsewhere = here,
) -> EnrolReport:
    """Bring all rows of a table into a catalogue, which is made where there is none.

    progress: called with (rows done, rows in all). on_row: called with each row's outcome. Both are called
    in this process. workers, prepare, cluster: see `prepare_in_order`. who: decides; whoever runs this, if not given.
    All that one call stores is one batch of the log. images: folder that image paths are relative to; the table's.
    strip: keep pictures without what their files say of place and device.
    check: called first, with nobody else writing; what it raises ends the call. reading: how the table is to be read.
    new_ids: the table's records and poses get free ids of this catalogue, see `renumber`. elsewhere: where pictures
    are decoded that no pool is started for.

    Raises BadTable where the table as a whole cannot be used, and CatalogueError (locked, read_only,
    disk_full, newer_version, ...); what was stored before stays, and the same call goes on from there.
    """
    settings = settings or Settings()
    reading = reading or Reading()
    table = read_table(Path(csv_path), reading if images is None else replace(reading, images=Path(images)))
    told = list(table.notes)
    with (
        removed_if_unused(Path(folder)),
        Catalogue.open(folder, create=True, settings=settings, elsewhere=elsewhere) as catalogue,
        only_enroller(catalogue.folder),
        ExitStack() as held,
    ):
        with catalogue.writing():  # somebody else who writes is told at once, not after an hour's work
            if check:
                with catalogue.reading() as connection:
                    check(Draft(connection))
        catalogue.describe_lacking()
        tally = Tally(len(table.rows) + len(table.bad), progress, on_row)
        if new_ids:
            table, moves = renumbered(table, catalogue)
            told += moves
        table = _sound(table, catalogue, tally)
        if strip:
            table = _stripped(table, held.enter_context(scratch_folder(catalogue.folder)), catalogue, tally)
        rows = _new_rows(table, catalogue, tally)
        batch = _Batch(who or whoever_runs_this())
        sought = _sought(rows, catalogue, table)
        with closing(prepare_in_order(sought, catalogue.settings, workers, prepare, cluster, elsewhere)) as results:
            for _, group in groupby(zip(rows, results, strict=True), key=lambda pair: pair[0].record_id):
                _store_group(catalogue, table, list(group), tally, batch)
        bring_index_up_to_date(catalogue)
        counts = catalogue.counts()
    return tally.report(counts.records, counts.references, tuple(told))


def _sought(rows: Sequence[TableRow], catalogue: Catalogue, table: Table) -> list[Sought]:
    """What has to be looked at for these rows, in their order."""
    formats = row_formats(catalogue, table)
    sizes = {record_id: form.face if form else None for record_id, form in formats.items()}
    return [Sought(row.path, sizes[row.record_id], row.quad) for row in rows]


@contextmanager
def removed_if_unused(folder: Path) -> Iterator[None]:
    """Take a catalogue's folder away again that was made meanwhile and into which nothing came."""
    there = folder.exists()
    try:
        yield
    finally:
        if not there and not _is_used(folder):
            shutil.rmtree(folder, ignore_errors=True)


def _is_used(folder: Path) -> bool:
    try:
        with Catalogue.open(folder) as catalogue:
            return catalogue.last_decision() > 0
    except CatalogueError as error:
        return error.code != "not_a_catalogue"  # what cannot be looked at stays


def renumbered(table: Table, catalogue: Catalogue) -> tuple[Table, list[str]]:
    """Somebody else's table with free ids of this catalogue, and in words what has become of its own.

    A picture that is enrolled already keeps the record that it shows.
    """
    held, known = _by_image(catalogue.references()), dict[int, str]()
    for row in table.rows:
        showing = held.get(_hash(row.path), [])
        there = [one for one in showing if _may_be_shown(row, one)] or (showing if row.quad is None else [])
        if there:
            known[row.line] = there[0].record_id
    done = renumber(table, catalogue.records(), known)
    return done.table, moved(done)


def _by_image(references: Sequence[ReferenceRow]) -> Mapping[str, list[ReferenceRow]]:
    """References by the SHA-256 of their images."""
    held: dict[str, list[ReferenceRow]] = {}
    for one in references:
        held.setdefault(one.sha256, []).append(one)
    return held


@contextmanager
def only_enroller(folder: Path) -> Iterator[None]:
    """Be the one who enrols into this catalogue; decisions go on in between. Raises CatalogueError locked."""
    with ExitStack() as held:
        with guarded(folder):
            held.enter_context(files.only_writer(folder, name="enrolling.lock"))
        yield


def _sound(table: Table, catalogue: Catalogue, tally: Tally) -> Table:
    """The table without the rows that cannot be used, or that contradict others."""
    clashes = find_clashes(table, catalogue.records())
    for bad in table.bad:
        tally.failed_row(bad.line, "", bad.image, bad.error)
    for row in table.rows:
        if row.line in clashes:
            tally.fail(row, clashes[row.line])
    return replace(table, rows=tuple(row for row in table.rows if row.line not in clashes), bad=())


def _stripped(table: Table, scratch: Path, catalogue: Catalogue, tally: Tally) -> Table:
    """The table with copies of its pictures that say nothing of place and device; one that fails is not enrolled."""
    rows = []
    for number, row in enumerate(table.rows):
        try:
            bare = catalogue.elsewhere(stripped, row.path.read_bytes(), catalogue.settings.photo, str(row.path))
        except OSError:
            rows.append(row)  # it is not there: `prepare` will say so
            continue
        except PlatekinError as error:
            tally.fail(row, error)
            continue
        path = scratch / f"{number}{files.suffix_of(bare)}"
        path.write_bytes(bare)
        rows.append(replace(row, path=path))
    return replace(table, rows=tuple(rows))


def _new_rows(table: Table, catalogue: Catalogue, tally: Tally) -> list[TableRow]:
    """Rows whose image has to be looked at, those of one record together; the others are settled here."""
    held = _by_image(catalogue.references())
    images: dict[str, list[TableRow]] = {}
    for row in table.rows:
        images.setdefault(_hash(row.path) or f"unreadable on line {row.line}", []).append(row)
    new: list[TableRow] = []
    for sha256, rows in images.items():
        there = held.get(sha256, [])
        restored = catalogue.restore_image(there[0], rows[0].path) if there else False
        new += _settle_image(table, rows, there, tally, restored)
    first: dict[str, int] = {}
    for row in table.rows:
        first.setdefault(row.record_id, row.line)
    return sorted(new, key=lambda row: (first[row.record_id], row.line))


def _settle_image(
    table: Table, rows: Sequence[TableRow], held: Sequence[ReferenceRow], tally: Tally, restored: bool
) -> Iterator[TableRow]:
    """Of the rows with one and the same image, those of whose cards it has to be looked at. held: its references."""
    for place, row in enumerate(rows):
        own = next((one for one in held if one.record_id == row.record_id), None)
        another = next((one for one in held if _may_be_shown(row, one)), None)
        twin = next((one for one in rows if one.record_id != row.record_id and _is_same_card(row, one)), None)
        before = next((one for one in rows[:place] if one.record_id == row.record_id), None)
        if own is not None:
            note = "its stored image was missing and has been restored" if restored else _kept(row, own)
            tally.add(row, "unchanged", note)
        elif another is not None:
            tally.fail(row, _image_of_another(table, row, another))
        elif twin is not None:
            tally.fail(row, _duplicate_image(table, row, twin))
        elif before is not None:
            tally.add(row, "unchanged", f"the same image as on line {before.line}, for the same record")
        else:
            yield row


SAME_CARD = 0.5
"""Two outlines in one picture that have more than this share in common are one card's; own choice."""


def _may_be_shown(row: TableRow, held: ReferenceRow) -> bool:
    """Whether a row may tell the card of a reference that has its very image.

    A row that does not tell an outline may be any card of it; its own is known once it was looked for.
    """
    return not is_given(held.facts, held.quad) if row.quad is None else _overlap(row.quad, held.quad)


def _is_same_card(row: TableRow, other: TableRow) -> bool:
    """The same for two rows with one image."""
    if row.quad is None or other.quad is None:
        return row.quad is other.quad
    return _overlap(row.quad, other.quad)


def _overlap(quad: Quad, other: Quad) -> bool:
    return overlap(np.array(quad), np.array(other)) > SAME_CARD


def _duplicate_image(table: Table, row: TableRow, other: TableRow) -> UnreadablePhoto:
    return UnreadablePhoto(
        "duplicate_image",
        f"{table.path} line {row.line}: {row.image} is the same image as {other.image} on line {other.line}, "
        f"but for records {row.record_id} and {other.record_id}",
        "keep the line of the record that the image shows; of two cards in it, tell the outline of each",
    )


def _image_of_another(table: Table, row: TableRow, held: ReferenceRow) -> UnreadablePhoto:
    return UnreadablePhoto(
        "duplicate_image",
        f"{table.path} line {row.line}: {row.image} is in the catalogue already, as {held.name} "
        f"of record {held.record_id}, not {row.record_id}",
        "correct the line, or remove that record from the catalogue first",
    )


def _kept(row: TableRow, held: ReferenceRow) -> str:
    """What the table now says differently of an image that is enrolled; enrolling never overwrites."""
    pairs = {"copy": held.copy or "", "source": held.source, "note": held.note}
    if row.quad is not None and not _overlap(row.quad, held.quad):
        pairs["outline"] = outline_text(held.quad)
    if row.seen_on:
        pairs["seen_on"] = held.seen_on
    changed = [f"{name} {old!r}" for name, old in pairs.items() if getattr(row, name) != old]
    return f"enrolled before; the catalogue keeps {', '.join(changed)}" if changed else ""


def _hash(path: Path) -> str:
    """SHA-256 of the file, or "" where it cannot be read: `prepare` will say why."""
    try:
        with open_ordinary(path) as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""


@dataclass
class _Batch:
    """Who enrols, and the number of the first decision that this call made, 0 before there is one."""

    who: Actor
    number: int = 0


def _store_group(
    catalogue: Catalogue, table: Table, group: Sequence[tuple[TableRow, Prepared]], tally: Tally, batch: _Batch
) -> None:
    """Store one record's new references; a record of which no image can be used is not stored."""
    arrivals: list[tuple[TableRow, NewReference]] = []
    errors: list[tuple[TableRow, PlatekinError]] = []
    for row, prepared in group:
        try:
            arrivals.append((row, _arrival(row, prepared)))
        except PlatekinError as failed:
            errors.append((row, failed))
    record_id = group[0][0].record_id
    if arrivals:
        same = [row for row in table.rows if row.record_id == record_id]
        arrivals = _stored(catalogue, _record(same), arrivals, batch, tally, errors)
    for row, arrival in arrivals:
        told = (_taken_of(arrival, catalogue.settings.photo), *size_remark(arrival.prepared))
        tally.add(row, "added", "; ".join(filter(None, told)))
    known = bool(arrivals) or bool(catalogue.references(record_id))
    then = "" if known else f"; record {record_id} was not stored: none of its images can be used"
    for row, error in errors:
        tally.fail(row, error, then)


def _taken_of(arrival: NewReference, limits: PhotoLimits) -> str:
    """What was taken of a picture that shows more; "" where that is all of it."""
    pages, cards = pages_told(arrival.data, limits), arrival.prepared.facts.get("outlines", 1)
    told = [
        f"{pages} pages in the file; the first was taken" if pages > 1 else "",
        f"{cards} cards in the picture; the clearest was taken" if cards > 1 else "",
    ]
    return "; ".join(filter(None, told))


def _stored(
    catalogue: Catalogue, record: RecordRow, arrivals: Sequence[tuple[TableRow, NewReference]], batch: _Batch,
    tally: Tally, errors: list[tuple[TableRow, PlatekinError]],
) -> list[tuple[TableRow, NewReference]]:  # fmt: skip
    """Store what still fits: others may have decided since the table was held against the catalogue."""
    with catalogue.writing(LONG_PATIENCE):
        held = catalogue.records_among([record.record_id])
        fitting = []
        for row, arrival in arrivals:
            try:
                _check_against(catalogue, record, held[0] if held else None, row, arrival)
            except PlatekinError as error:
                errors.append((row, error))
            else:
                fitting.append((row, arrival))
        if fitting:
            tally.references_added += catalogue.add(record, [one for _, one in fitting], batch.who, batch.number)
            batch.number = batch.number or catalogue.last_decision()
    return fitting


def _check_against(
    catalogue: Catalogue, record: RecordRow, held: RecordRow | None, row: TableRow, arrival: NewReference
) -> None:
    """Raises UnreadablePhoto clash, duplicate_image for what somebody else has decided otherwise meanwhile."""
    where = f"{row.path}: meanwhile "
    if held is not None and (held.subject, held.pose, held.crop, held.caption) != (
        record.subject, record.pose, record.crop, record.caption
    ):  # fmt: skip
        raise UnreadablePhoto(
            "clash", f"{where}record {held.record_id} says something else", "look at it, then run again"
        )
    for one in catalogue.references_of_image(arrival.prepared.sha256):
        if one.record_id == record.record_id or _overlap(arrival.prepared.quad, one.quad):
            why = f"{row.path}: the card that was found in this image is a reference of record {one.record_id} already"
            raise UnreadablePhoto("duplicate_image", why, "correct the line, or tell the outline of the other card")


def size_remark(one: PreparedReference) -> list[str]:
    """Where a scan's resolution says that a card of a stated format has another size."""
    measured, stated = one.facts.get("size_mm"), one.facts.get("format")
    if not measured or not stated or off_size(one) <= OFF_SIZE:
        return []
    width, height = measured
    return [f"by its resolution this card has {width:.0f} x {height:.0f} mm, which is no {stated}: look at both"]


def _arrival(row: TableRow, prepared: Prepared) -> NewReference:
    if isinstance(prepared, PlatekinError):
        raise prepared
    try:
        data = row.path.read_bytes()
    except OSError as error:
        raise UnreadablePhoto("missing_file", f"{row.path}: {error.strerror}", "run again") from None
    if hashlib.sha256(data).hexdigest() != prepared.sha256:
        raise UnreadablePhoto("changed", f"{row.path}: was changed while it was being read", "run again")
    return NewReference(data, Path(row.image).name, prepared, row.copy, row.source, row.note, row.extra, row.seen_on)


def _record(rows: Sequence[TableRow]) -> RecordRow:
    """What the table says of a record: its first row, and the first stated club, issuer, year and so on."""
    first = rows[0]
    stated = {name: next((getattr(row, name) for row in rows if getattr(row, name)), "") for name in SAME_IF_STATED}
    return RecordRow(
        record_id=first.record_id,
        subject=first.subject,
        pose=first.pose,
        crop=first.crop,
        caption=first.caption,
        note=first.note,
        extra=dict(first.extra),
        **stated,
    )
