"""What would become of somebody's table: its columns under a mapping, its first rows, and all that speaks against them.

Nothing is stored. The rows themselves go the way of `enrol`, which reads the table in the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from matcher.catalogue.records.cells import read_cells
from matcher.catalogue.records.columns import OURS, columns_of, known_under, lacking, suggestions
from matcher.catalogue.records.table import Reading, Table, find_clashes, read_table
from matcher.catalogue.tables.models import RecordRow

SHOWN = 5


@dataclass(frozen=True)
class Preview:
    """What a reading does. columns: (theirs, ours or ""). lacking: needed columns that nothing is mapped to.

    rows: the first few, by our columns. total: how many there are. meant: their column -> ours that is missing, where
    one was probably meant. conflicts: with the line where there is one. notes: how the table was read.
    """

    columns: tuple[tuple[str, str], ...]
    lacking: tuple[str, ...]
    rows: tuple[Mapping[str, str], ...]
    total: int
    meant: Mapping[str, str]
    conflicts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


NewIds = Callable[[Table], tuple[Table, list[str]]]
"""Gives a table ids that are free, and tells which they are: `enrol.renumbered` of a catalogue."""


def preview(path: Path, reading: Reading, records: Iterable[RecordRow] = (), new_ids: NewIds | None = None) -> Preview:
    """Look at a table. records: those of the catalogue that it is to go into. new_ids: where it is somebody else's.

    Raises BadTable.
    """
    cells = read_cells(path, known_under(reading.columns), reading.encoding)
    columns = columns_of(path, cells.header.line, cells.header.cells, reading.columns)
    named = [(theirs, ours) for theirs, ours in zip(cells.header.cells, columns, strict=True) if theirs]
    shown = tuple(
        {name: cell for name, cell in zip(columns, [*row.cells, *[""] * len(columns)], strict=False) if name}
        for row in cells.rows[:SHOWN]
    )
    found = Preview(
        columns=tuple((theirs, ours if ours in OURS else "") for theirs, ours in named),
        lacking=tuple(lacking(columns)),
        rows=shown,
        total=len(cells.rows),
        meant=suggestions(columns),
        notes=cells.notes,
    )
    if found.lacking or not found.total:
        return found
    table, moved = read_table(path, reading), list[str]()
    if new_ids:
        table, moved = new_ids(table)
    conflicts = _conflicts(table, tuple(records))
    if not new_ids:  # with them, an id that is there already is that of a picture that is there already
        conflicts += _joined(table, tuple(records))
    return replace(found, conflicts=tuple(conflicts), notes=(*found.notes, *moved))


def _conflicts(table: Table, records: tuple[RecordRow, ...]) -> list[str]:
    """Every row that would be refused."""
    clashes = find_clashes(table, records)
    wrong = {bad.line: bad.error for bad in table.bad} | clashes
    missing = {row.line: row for row in table.rows if row.line not in wrong and not row.path.is_file()}
    return [
        str(wrong[line]) if line in wrong else f"line {line}: there is no picture {missing[line].path}"
        for line in sorted({*wrong, *missing})
    ]


def _joined(table: Table, records: tuple[RecordRow, ...]) -> Iterator[str]:
    """Records and poses of the table that bear an id of the catalogue and say the same: one only if they are one."""
    held = {record.record_id for record in records}
    poses = {record.pose: record.subject for record in records}
    for what, ids, known in (
        ("record", [row.record_id for row in table.rows], held),
        ("pose", [row.pose for row in table.rows], set(poses)),
    ):
        both = sorted(set(ids) & known)
        if both:
            some = ", ".join(both[:SHOWN]) + (f" and {len(both) - SHOWN} more" if len(both) > SHOWN else "")
            ids_are = f"1 {what} id is" if len(both) == 1 else f"{len(both)} {what} ids are"
            yield (
                f"{ids_are} in the catalogue already ({some}): right if they mean the same "
                f"{'variation' if what == 'record' else 'negative'}; if the table is somebody else's, add --renumber"
            )
