"""Decisions of a log made again, many in few statements.

In: decisions that follow the catalogue's log; out: the rows and the log as if each change had been made by itself.
The rows that they touch are read at once, every change is held against them in memory, and what is left to write goes
out in groups of alike changes, in an order that no constraint can tell from the log's own. Where anything does not
fit, all of it is taken back and made again one by one, which says exactly where.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Table, UniqueConstraint, bindparam, delete, insert, select, tuple_, update
from sqlalchemy.exc import DataError, IntegrityError

from matcher.catalogue.log.changes import (
    AT_ONCE,
    LOGGED,
    Change,
    Draft,
    Misfit,
    batched,
    canonical,
    expect,
    remember,
    stored_values,
    to_json,
)
from matcher.catalogue.log.decisions import DecisionRow, write

Thing = tuple[str, ...]
"""What changes can meet in: a row (table, key), or the values of a unique constraint (table, columns, values)."""


class Misplayed(Exception):
    """A decision that does not fit, and why."""

    def __init__(self, row: DecisionRow, why: str) -> None:
        super().__init__(why)
        self.row = row


def play_rows(connection: Connection, rows: Sequence[DecisionRow]) -> None:
    """Make decisions again and write them into the log. Raises Misplayed for the first that does not fit."""
    try:
        with connection.begin_nested():
            _play_at_once(connection, [change for row in rows for change in row.changes])
    except (Misfit, IntegrityError, DataError):
        _play_singly(connection, rows)
    write(connection, rows)


def _play_singly(connection: Connection, rows: Sequence[DecisionRow]) -> None:
    for row in rows:
        draft = Draft(connection)
        try:
            for change in row.changes:
                draft.make(change)
        except Misfit as misfit:
            raise Misplayed(row, str(misfit)) from None
        except DataError as error:  # as a null character for PostgreSQL
            raise Misplayed(row, f"this database cannot hold it: {error.orig}") from None


def _play_at_once(connection: Connection, changes: Sequence[Change]) -> None:
    """Raises Misfit or IntegrityError where it does not fit, or where it takes more than this to see that it does."""
    rows = _rows_before(connection, changes)
    plan = _Plan()
    for change in changes:
        row = (change.table, canonical(list(change.key)))
        _insist_on_plain(change)
        expect(change, rows.get(row))
        before = rows.pop(row, None) or {}
        if change.after is not None:
            rows[row] = {**before, **change.after}
        plan.add(change, before, rows.get(row, {}))
    for group in plan.groups:
        connection.execute(*_statement(group))
    remember(connection, changes)


def _rows_before(connection: Connection, changes: Sequence[Change]) -> dict[Thing, dict[str, Any]]:
    """The rows that the changes name, as far as they are there, as JSON values."""
    keys: dict[str, dict[str, tuple[Any, ...]]] = {}
    for change in changes:
        keys.setdefault(change.table, {})[canonical(list(change.key))] = change.key
    found: dict[Thing, dict[str, Any]] = {}
    for name, wanted in keys.items():
        table = LOGGED[name]
        columns = list(table.primary_key.columns)
        for some in batched(wanted.values(), AT_ONCE):
            among = columns[0].in_([key[0] for key in some]) if len(columns) == 1 else tuple_(*columns).in_(some)
            for row in connection.execute(select(table).where(among)):
                values = to_json(table, row._asdict())
                found[name, canonical([values[column.name] for column in columns])] = values
    return found


def _insist_on_plain(change: Change) -> None:
    """New rows with all their columns, and keys that stay: what rows will hold is then known without asking."""
    table, after = LOGGED[change.table], change.after
    key = [column.name for column in table.primary_key.columns]
    if len(change.key) != len(key):
        raise Misfit(change.table, change.key, "has another key")
    if after is None:
        return
    if change.before is None and (
        set(after) != set(table.columns.keys()) or tuple(after[n] for n in key) != change.key
    ):
        raise Misfit(change.table, change.key, "is not told whole")
    if change.before is not None and set(after) & set(key):
        raise Misfit(change.table, change.key, "gets another key")


@dataclass
class _Plan:
    """Groups of alike changes, to be made one group after the other.

    Two changes that meet (one row, one the other points at, equal values of a unique constraint) stay in their order.
    """

    groups: list[list[Change]] = field(default_factory=list)
    _latest: dict[tuple[str, ...], int] = field(default_factory=dict)
    _written: dict[Thing, int] = field(default_factory=dict)
    _pointed_at: dict[Thing, int] = field(default_factory=dict)

    def add(self, change: Change, before: dict[str, Any], after: dict[str, Any]) -> None:
        """before, after: the whole row, {} where there is none."""
        table = LOGGED[change.table]
        written: set[Thing] = {(change.table, canonical(list(change.key)))}
        pointed_at: set[Thing] = set()
        for values in (before, after):
            written |= _unique_values(table, values)
            pointed_at |= _targets(table, values)
        earliest = max(
            *(self._written.get(thing, 0) for thing in written | pointed_at),
            *(self._pointed_at.get(thing, 0) for thing in written),
            0,
        )
        place = self._place(_kind(change), earliest)
        self.groups[place].append(change)
        for things, seen in ((written, self._written), (pointed_at, self._pointed_at)):
            seen.update((thing, max(place, seen.get(thing, 0))) for thing in things)

    def _place(self, kind: tuple[str, ...], earliest: int) -> int:
        place = self._latest.get(kind, -1)
        if place < earliest:
            place = len(self.groups)
            self.groups.append([])
            self._latest[kind] = place
        return place


def _kind(change: Change) -> tuple[str, ...]:
    """Changes of one kind can be made by one statement."""
    if change.after is None:
        return change.table, "delete"
    return (change.table, "insert") if change.before is None else (change.table, "update", *sorted(change.after))


def _unique_values(table: Table, row: dict[str, Any]) -> set[Thing]:
    uniques = [[c.name for c in u.columns] for u in table.constraints if isinstance(u, UniqueConstraint)]
    return {(table.name, *names, canonical([row[name] for name in names])) for names in uniques if row}


def _targets(table: Table, row: dict[str, Any]) -> set[Thing]:
    """The rows that a row points at."""
    keys = [(key.parent.name, key.column.table.name) for key in table.foreign_keys]
    return {(target, canonical([row[name]])) for name, target in keys if row and row[name] is not None}


def _statement(group: list[Change]) -> tuple[Any, list[dict[str, Any]]]:
    """One statement for changes of one kind, and its parameters for each."""
    table, first = LOGGED[group[0].table], group[0]
    if first.before is None:
        return insert(table), [stored_values(table, change.after or {}) for change in group]
    keys = [f"key {column.name}" for column in table.primary_key.columns]
    told = [dict(zip(keys, change.key, strict=True)) for change in group]
    of_key = [c == bindparam(key, type_=c.type) for c, key in zip(table.primary_key.columns, keys, strict=True)]
    if first.after is None:
        return delete(table).where(*of_key), told
    values = {name: bindparam(f"new {name}", type_=table.columns[name].type) for name in first.after}
    for one, change in zip(told, group, strict=True):
        one |= {f"new {name}": value for name, value in stored_values(table, change.after or {}).items()}
    return update(table).where(*of_key).values(values), told
