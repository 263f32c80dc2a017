"""Single changes of rows: made, kept as JSON, made again, turned round.

A `Draft` changes rows inside a transaction and keeps what it did: for each row its table, key, and the values
before and after. From these the log can undo a decision, redo it, and rebuild a catalogue from nothing. A change
that does not fit the rows it meets raises `ChangeConflict`: nothing is ever guessed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Column, Connection, Table, and_, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from matcher.catalogue.log.past_words import columns_now
from matcher.catalogue.tables.content import OUTLINE, SHA256, SUFFIXES, is_plain
from matcher.catalogue.tables.facts import CropWindow, PoseFrame, Series, Spelling
from matcher.catalogue.tables.finds import Find, Sighting
from matcher.catalogue.tables.given_ids import keep_id
from matcher.catalogue.tables.log import Image, LastNumber
from matcher.catalogue.tables.models import Base, Copy, Record, Reference, UtcTime
from matcher.core.errors import CatalogueError

LOGGED: Mapping[str, Table] = {
    model.__tablename__: model.__table__  # type: ignore[misc]
    for model in (Series, Record, Copy, Reference, Spelling, PoseFrame, CropWindow, Find, Sighting)
}
"""Tables whose rows change only by decisions, in an order in which they can be filled."""

_NUMBERED = {"references": "id", "copies": "id", "sightings": "id", "finds": "find_id"}
_FINDS_PREFIX = "F"
_TOO_LARGE = 2**31
"""For an integer column of a database."""


class ChangeConflict(Exception):
    """A change meets rows that it was not made for: which row, and why it does not fit."""

    def __init__(self, table: str, key: Sequence[Any], why: str) -> None:
        super().__init__(f"{table} {', '.join(map(str, key))} {why}")
        self.table = table
        self.key = tuple(key)


@dataclass(frozen=True)
class Change:
    """One row's change. before None: the row is new; after None: it is gone; else both hold the changed columns.

    Its columns are called as they were when it was made: that is what the log's chain holds.
    """

    table: str
    key: tuple[Any, ...]
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None

    def now(self) -> Change:
        """The same by today's names of the columns."""
        return replace(self, before=columns_now(self.table, self.before), after=columns_now(self.table, self.after))

    def inverse(self) -> Change:
        """The change that takes this one back."""
        return Change(self.table, self.key, self.after, self.before)

    def as_json(self) -> dict[str, Any]:
        """As the log keeps it; `from_json` is the reverse."""
        return {"table": self.table, "key": list(self.key), "before": self.before, "after": self.after}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Change:
        """Raises ValueError for what is no change of a table of ours."""
        try:
            change = cls(str(stored["table"]), tuple(stored["key"]), stored["before"], stored["after"])
            columns = LOGGED[change.table].columns
        except (KeyError, TypeError) as error:
            raise ValueError(f"not a change of this catalogue's tables: {error}") from None
        todays = change.now() if all(isinstance(v, dict) for v in (change.before, change.after) if v) else change
        for values in (todays.before, todays.after):
            if values is not None and not (isinstance(values, dict) and set(values) <= set(columns.keys())):
                raise ValueError(f"{change.table} has no such columns: {values!r}")
            wrong = [name for name, value in (values or {}).items() if not _may_hold(columns[name], value)]
            if wrong:
                raise ValueError(f"{change.table} cannot hold this as {', '.join(wrong)}")
        if change.before is None and change.after is None:
            raise ValueError(f"a change of {change.table} that changes nothing")
        return change


@dataclass
class Draft:
    """Changes rows through one connection's transaction, and keeps the changes in order."""

    connection: Connection
    changes: list[Change] = field(default_factory=list)

    def row(self, model: type[Base], *key: Any) -> dict[str, Any] | None:
        """The row as JSON values, or None."""
        return read_row(self.connection, LOGGED[model.__tablename__], key)

    def rows(self, model: type[Base], **where: Any) -> list[dict[str, Any]]:
        """All rows with these values, by key, as JSON values."""
        table = LOGGED[model.__tablename__]
        query = select(table).where(*(table.c[name] == value for name, value in where.items()))
        found = self.connection.execute(query.order_by(*table.primary_key.columns))
        return [to_json(table, row._asdict()) for row in found]

    def insert(self, model: type[Base], **values: Any) -> None:
        """Add a row; values: of all its columns.

        Raises ChangeConflict where its key is there already, CatalogueError odd_text.
        """
        table = LOGGED[model.__tablename__]
        after = to_json(table, values)
        check_plain(table.name, after)
        self.make(Change(table.name, tuple(after[c.name] for c in table.primary_key.columns), None, after))

    def update(self, model: type[Base], key: Sequence[Any], **values: Any) -> None:
        """Set columns; those that have the value already are left out, and so is a change of none."""
        table = LOGGED[model.__tablename__]
        now = read_row(self.connection, table, key)
        if now is None:
            raise ChangeConflict(table.name, key, "is not there")
        wanted = to_json(table, values)
        changed = [name for name, value in wanted.items() if now[name] != value]
        if changed:
            before, after = {n: now[n] for n in changed}, {n: wanted[n] for n in changed}
            check_plain(table.name, after)
            self.make(Change(table.name, tuple(key), before, after))

    def delete(self, model: type[Base], *key: Any) -> None:
        """Take a row out. Raises ChangeConflict where it is not there, or others point at it."""
        table = LOGGED[model.__tablename__]
        now = read_row(self.connection, table, key)
        if now is None:
            raise ChangeConflict(table.name, key, "is not there")
        self.make(Change(table.name, tuple(key), now, None))

    def make(self, change: Change) -> None:
        """Make one change, whoever thought of it. Raises ChangeConflict, after which the transaction must be given up.

        Who wants to go on in it makes the change inside a savepoint (`Connection.begin_nested`).
        """
        change = change.now()
        _apply(self.connection, change)
        self.changes.append(change)

    def give(self, model: type[Base]) -> int:
        """The next number of this kind; none is ever given twice, whatever is undone."""
        return last_given(self.connection, model.__tablename__) + 1


def last_given(connection: Connection, kind: str) -> int:
    """The highest number of a kind ('references', 'copies', 'sightings', 'finds') ever given out; 0 for none."""
    return int(connection.execute(select(LastNumber.last).where(LastNumber.kind == kind)).scalar() or 0)


def find_id(number: int) -> str:
    """How the find of this number is called.

    >>> find_id(3)
    'F00003'
    """
    return f"{_FINDS_PREFIX}{number:05d}"


def read_row(connection: Connection, table: Table, key: Sequence[Any]) -> dict[str, Any] | None:
    """One row as JSON values, by its primary key; None where there is none."""
    row = connection.execute(select(table).where(_is(table, key))).one_or_none()
    return None if row is None else to_json(table, row._asdict())


def to_json(table: Table, values: Mapping[str, Any]) -> dict[str, Any]:
    """A row's values as JSON knows them: moments in ISO 8601, tuples as lists."""
    return {name: _plain(value) for name, value in values.items() if name in table.columns}


def canonical(value: Any) -> str:
    """The one way in which a value is written for hashing and comparing."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def touched(changes: Iterable[Change]) -> Iterator[tuple[str, str]]:
    """(table, key) of the changed rows and of those that they point at."""
    for change in changes:
        yield change.table, canonical(list(change.key))
        for values in (change.before, change.after):
            for column, table in (("record_id", "records"), ("copy_id", "copies"), ("reference_id", "references")):
                if values and values.get(column) is not None:
                    yield table, canonical([values[column]])


def odd_texts(changes: Iterable[Change]) -> Iterator[str]:
    """Names of texts that nobody could show: with control characters, or without an end."""
    for change in changes:
        for values in (change.before, change.after):
            yield from (f"{name} of {change.table}" for name in _odd(values or {}))


def _odd(values: Mapping[str, Any]) -> Iterator[str]:
    return (name for name, value in values.items() if not all(map(is_plain, _texts_in(value))))


def check_plain(about: str, values: Mapping[str, Any]) -> None:
    """What an earlier version let in may still be turned round: only what is new is looked at.

    about: of what, or of whom, the values are. Raises CatalogueError odd_text.
    """
    odd = next(_odd(values), "")
    if odd:
        why = f"{odd} of {about} holds what cannot be shown, or never ends"
        raise CatalogueError("odd_text", why, "type it anew, without control characters")


def _texts_in(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            yield str(name)
            yield from _texts_in(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _texts_in(inner)


def _apply(connection: Connection, change: Change) -> None:
    table = LOGGED[change.table]
    _expect(change, read_row(connection, table, change.key))
    try:
        connection.execute(_statement(table, change))
    except IntegrityError:
        raise ChangeConflict(change.table, change.key, "is bound to other rows, or would be there twice") from None
    _keep_what_is_given_out(connection, change)


def _expect(change: Change, now: Mapping[str, Any] | None) -> None:
    """Raise ChangeConflict unless a row is as the change takes it to be. now: its JSON values, None for no row."""
    if change.before is None and now is not None:
        raise ChangeConflict(change.table, change.key, "is there already")
    if change.before is not None and now is None:
        raise ChangeConflict(change.table, change.key, "is not there")
    if change.before is not None and now is not None:
        other = [name for name, value in change.before.items() if now[name] != value]
        if other:
            raise ChangeConflict(change.table, change.key, f"has another {', '.join(other)} by now")


def _statement(table: Table, change: Change) -> Any:
    if change.after is None:
        return delete(table).where(_is(table, change.key))
    values = {name: _stored(table, name, value) for name, value in change.after.items()}
    if change.before is None:
        return insert(table).values(values)
    return update(table).where(_is(table, change.key)).values(values)


def _keep_what_is_given_out(connection: Connection, change: Change) -> None:
    """What a new row gives out for good: its number, its image; ids of records and poses."""
    if change.after is None:
        return
    if change.before is None:
        _keep_number(connection, change.table, change.after)
        _keep_image(connection, change.after)
    if change.table == "records":
        if change.before is None:
            keep_id(connection, "record", str(change.key[0]))
        if change.after.get("pose") is not None:
            keep_id(connection, "pose", change.after["pose"])


def _keep_number(connection: Connection, kind: str, row: Mapping[str, Any]) -> None:
    if kind not in _NUMBERED:
        return
    number = int(str(row[_NUMBERED[kind]]).removeprefix(_FINDS_PREFIX))
    lower = (LastNumber.kind == kind) & (LastNumber.last < number)
    if not connection.execute(update(LastNumber).where(lower).values(last=number)).rowcount and not last_given(
        connection, kind
    ):
        connection.execute(insert(LastNumber).values(kind=kind, last=number))


def _keep_image(connection: Connection, row: Mapping[str, Any]) -> None:
    if not row.get("sha256") or "suffix" not in row:
        return
    if not connection.execute(select(Image.sha256).where(Image.sha256 == row["sha256"])).first():
        connection.execute(insert(Image).values(sha256=row["sha256"], suffix=row["suffix"]))


def _is(table: Table, key: Sequence[Any]) -> Any:
    return and_(*(column == value for column, value in zip(table.primary_key.columns, key, strict=True)))


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value


def _may_hold(column: Column[Any], value: Any) -> bool:
    """Whether a JSON value is one of the column's."""
    if value is None:
        return bool(column.nullable)
    if isinstance(column.type, JSON):
        return column.name != "quad" or _is_quad(value)
    if isinstance(column.type, UtcTime):
        return isinstance(value, str) and _is_moment(value)
    pattern = _PATTERNS.get(column.name)
    if pattern is not None:
        return isinstance(value, str) and pattern(value)
    kind = column.type.python_type
    if isinstance(value, bool) or kind is bool:
        return isinstance(value, bool) and kind is bool
    if kind is int:
        return isinstance(value, int) and abs(value) < _TOO_LARGE
    return isinstance(value, (int, float) if kind is float else kind)


_PATTERNS: Mapping[str, Callable[[str], bool]] = {
    "sha256": lambda value: SHA256.fullmatch(value) is not None,
    "suffix": lambda value: value in SUFFIXES,
    "outline": lambda value: OUTLINE.fullmatch(value) is not None,
}
"""What becomes part of a path, or is looked up by."""


def _is_quad(value: Any) -> bool:
    """Whether this is four points of two finite numbers."""
    return (
        isinstance(value, list)
        and len(value) == 4
        and all(isinstance(corner, list) and len(corner) == 2 and all(map(_is_finite, corner)) for corner in value)
    )


def _is_finite(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < _TOO_LARGE


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def _stored(table: Table, name: str, value: Any) -> Any:
    if isinstance(table.columns[name].type, UtcTime) and value is not None:
        return datetime.fromisoformat(value)
    return value
