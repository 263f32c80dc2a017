"""The log of decisions: who decided what, when, on what evidence; undone and redone, never changed.

Every change of the catalogue is a decision with the changes of rows that it made. Entries are numbered from 1 and
chained: each carries the SHA-256 of the one before and of itself, the first that of the catalogue's identity. So a
log that was shortened, reordered or mended by hand is told, and a log of another catalogue is not taken.
"""

from __future__ import annotations

import getpass
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any, Literal

from sqlalchemy import ColumnElement, Connection, func, insert, literal, or_, select

from matcher.catalogue.log.changes import Change, ChangeConflict, Draft, canonical, touched
from matcher.catalogue.tables.content import is_plain
from matcher.catalogue.tables.log import Decision, Identity, Import
from matcher.core.errors import CatalogueError


class AskedBefore(Exception):
    """A request came again under its Idempotency-Key: the decision that it led to, and the hash of what was asked."""

    def __init__(self, number: int, request: str) -> None:
        super().__init__(number, request)
        self.number = number
        self.request = request


TURNS = ("undo", "redo")
BY_MACHINE = ("propose", "map_crops", "taken_over")
"""All that a machine may decide; everything else is a person's."""

IN_THE_WAY_TOLD = 5


@dataclass(frozen=True)
class Actor:
    """Who decides: a person by name, or a version of the machine. One is never taken for the other."""

    kind: Literal["person", "machine"]
    name: str

    def __post_init__(self) -> None:
        if not self.name.strip() or not self.name.isprintable() or len(self.name) > 100:
            raise CatalogueError("no_name", "a decision needs the name of who decides", "give a name with --by")


def person(name: str) -> Actor:
    """A person by name. Raises CatalogueError no_name for a blank, unprintable or very long one."""
    return Actor("person", name.strip())


def whoever_runs_this() -> Actor:
    """The person under whose name this process runs."""
    try:
        return person(getpass.getuser())
    except (OSError, KeyError, CatalogueError):
        return person("somebody")


def machine() -> Actor:
    """This version of the program."""
    return Actor("machine", f"platekin {version('platekin')}")


@dataclass(frozen=True)
class DecisionRow:
    """One entry of the log.

    batch: number of the first decision of the run that this one was part of, or None.
    about: id of the find, record, pose, ... outcome: what came of it, for people. undoes: the decision turned round.
    standing: False where a later entry has undone it.
    brought_by: who played it in from another catalogue's log, "" for what was decided here. Then `by` is only what that
    log says.
    """

    number: int
    batch: int | None
    at: datetime
    actor: Literal["person", "machine"]
    by: str
    action: str
    about: str
    outcome: str
    evidence: Mapping[str, Any]
    note: str
    undoes: int | None
    digest: str
    changes: tuple[Change, ...]
    standing: bool = True
    brought_by: str = ""

    @property
    def told_by(self) -> str:
        """Who decided, for people: a name that another catalogue's log tells stands in quotation marks."""
        return f'"{self.by}" (brought by {self.brought_by})' if self.brought_by else self.by


@dataclass
class Entry:
    """A decision on its way into the log: filled in while its draft is made. row: what it became."""

    who: Actor
    action: str
    draft: Draft
    note: str = ""
    about: str = ""
    outcome: str = ""
    evidence: dict[str, Any] = field(default_factory=dict)
    undoes: int | None = None
    batch: int | None = None
    at: datetime | None = None
    row: DecisionRow | None = None


def append(connection: Connection, entry: Entry) -> DecisionRow | None:
    """Write the entry, unless it changes nothing. The connection's owner commits."""
    if not entry.draft.changes:
        return None
    if not is_plain(entry.note):
        raise CatalogueError(
            "odd_text", "the note holds characters that cannot be shown, or never ends", "type it anew"
        )
    if entry.who.kind == "machine" and entry.action not in BY_MACHINE:
        raise ValueError(f"the program may not {entry.action}")
    number, before = last(connection)
    row = DecisionRow(
        number=number + 1,
        batch=number + 1 if entry.batch == 0 else entry.batch,
        at=entry.at or datetime.now(UTC),
        actor=entry.who.kind,
        by=entry.who.name,
        action=entry.action,
        about=entry.about,
        outcome=entry.outcome,
        evidence=entry.evidence,
        note=entry.note,
        undoes=entry.undoes,
        digest="",
        changes=tuple(entry.draft.changes),
    )
    row = replace(row, digest=digest_of(row, before))
    write(connection, [row])
    return row


def decided(entry: Entry) -> DecisionRow:
    """The decision that an entry became. Raises CatalogueError nothing_changed where it came to nothing."""
    if entry.row is None:
        raise CatalogueError("nothing_changed", "no change: it says so already", "look at the record or the log")
    return entry.row


def write(connection: Connection, rows: Sequence[DecisionRow]) -> None:
    """Add entries to the log; nothing is looked at."""
    connection.execute(insert(Decision), [{**as_json(row), "at": row.at} for row in rows])


def last(connection: Connection) -> tuple[int, str]:
    """(number, digest) of the newest entry; of an empty log 0 and what the first is chained to."""
    newest = connection.execute(
        select(Decision.number, Decision.digest).order_by(Decision.number.desc()).limit(1)
    ).one_or_none()
    return (newest.number, newest.digest) if newest else (0, beginning(identity(connection)))


def identity(connection: Connection) -> str:
    """Which catalogue this is: 32 hexadecimal digits, given when it was made."""
    return str(connection.execute(select(Identity.id)).scalar_one())


def beginning(catalogue_id: str) -> str:
    """What the first entry of a catalogue's log is chained to."""
    return hashlib.sha256(f"platekin catalogue {catalogue_id}".encode()).hexdigest()


def digest_of(row: DecisionRow, before: str) -> str:
    """SHA-256 of the digest before and of all that the entry says, in canonical JSON."""
    content = {name: value for name, value in as_json(row).items() if name != "digest"}
    return hashlib.sha256(f"{before}\n{canonical(content)}".encode()).hexdigest()


def as_json(row: DecisionRow) -> dict[str, Any]:
    """The entry as one line of an exported log; whether it still stands follows from the others."""
    return {
        "number": row.number,
        "batch": row.batch,
        "at": row.at.astimezone(UTC).isoformat(),
        "actor": row.actor,
        "by": row.by,
        "action": row.action,
        "about": row.about,
        "outcome": row.outcome,
        "evidence": dict(row.evidence),
        "note": row.note,
        "undoes": row.undoes,
        "changes": [change.as_json() for change in row.changes],
        "digest": row.digest,
    }


def from_json(stored: Mapping[str, Any]) -> DecisionRow:
    """The reverse of `as_json`. Raises ValueError, KeyError, TypeError for anything else."""
    values = {name: stored[name] for name in DecisionRow.__dataclass_fields__ if name not in ("standing", "brought_by")}
    if values["actor"] not in ("person", "machine") or not isinstance(values["number"], int):
        raise ValueError("no decision of a person or a machine")
    texts = (values[name] for name in ("by", "action", "about", "outcome", "note", "digest"))
    numbers = (values[name] for name in ("batch", "undoes"))
    if not all(isinstance(text, str) for text in texts) or not all(isinstance(n, int | None) for n in numbers):
        raise ValueError("text where a number belongs, or the reverse")
    values["at"] = datetime.fromisoformat(values["at"])
    values["changes"] = tuple(Change.from_json(change) for change in values["changes"])
    return DecisionRow(**values)


def read(
    connection: Connection, *, after: int = 0, numbers: Sequence[int] | None = None, limit: int | None = None,
    offset: int = 0, about: str | Sequence[str] | None = None, batch: int | None = None, actor: str | None = None,
    actions: Sequence[str] = (), actions_not: Sequence[str] = (), newest_first: bool = False,
) -> Iterator[DecisionRow]:  # fmt: skip
    """Entries by number, read as they are asked for. about: ids, of which an entry names one at least."""
    query = select(*Decision.__table__.columns).where(Decision.number > after)
    if numbers is not None:
        query = query.where(Decision.number.in_(numbers))
    for column, value in ((Decision.batch, batch), (Decision.actor, actor)):
        query = query if value is None else query.where(column == value)
    if about is not None:
        query = query.where(_names_one([about] if isinstance(about, str) else about))
    if actions:
        query = query.where(Decision.action.in_(actions))
    if actions_not:
        query = query.where(Decision.action.not_in(actions_not))
    query = query.order_by(Decision.number.desc() if newest_first else Decision.number).limit(limit).offset(offset)
    undone, brought = undone_numbers(connection), connection.execute(select(Import.first, Import.last, Import.by)).all()
    with connection.execute(query.execution_options(yield_per=500)) as found:
        for row in found:
            yield _row(row, undone, brought)


def _names_one(ids: Sequence[str]) -> ColumnElement[bool]:
    """Whether an entry is about one of these; an entry names several with blanks between them."""
    named = literal(" ") + Decision.about + literal(" ")
    return or_(Decision.about.in_(ids), *(named.contains(f" {one} ", autoescape=True) for one in ids))


def undone_numbers(connection: Connection) -> set[int]:
    """Decisions that were undone and not redone since."""
    newest: dict[int | None, str] = {}
    turns = select(Decision.undoes, Decision.action).where(Decision.undoes.is_not(None)).order_by(Decision.number)
    for undoes, action in connection.execute(turns):
        newest[undoes] = action
    return {number for number, action in newest.items() if number is not None and action == "undo"}


def reverse(entry: Entry, target: DecisionRow) -> None:
    """Make the target's changes backwards (undo) or again (redo). Raises CatalogueError in_the_way."""
    changes = list(target.changes)
    if entry.action == "undo":
        changes = [change.inverse() for change in reversed(changes)]
    try:
        with entry.draft.connection.begin_nested():  # the log is asked for the reason afterwards
            for change in changes:
                entry.draft.make(change)
    except ChangeConflict as conflict:
        raise _in_the_way(entry.draft.connection, entry.action, target, conflict) from None
    entry.undoes, entry.about = target.number, target.about
    entry.outcome = f"decision {target.number} ({target.action}) {'undone' if entry.action == 'undo' else 'redone'}"


def _in_the_way(connection: Connection, action: str, target: DecisionRow, conflict: ChangeConflict) -> CatalogueError:
    rows = set(touched(target.changes))
    later = [
        str(row.number)
        for row in read(connection, after=target.number)
        if row.standing and row.action not in TURNS and rows & set(touched(row.changes))
    ]
    which = f": decisions {', '.join(later[-IN_THE_WAY_TOLD:])} build on it or changed the same" if later else ""
    return CatalogueError(
        "in_the_way",
        f"decision {target.number} cannot be {action[:2]}done now: {conflict}{which}",
        "undo those first, the newest first" if later else "look at the log for what changed it",
    )


def count(connection: Connection) -> int:
    """How many entries the log has."""
    return int(connection.execute(select(func.count()).select_from(Decision)).scalar_one())


def _row(stored: Any, undone: set[int], brought: Sequence[Any]) -> DecisionRow:
    values = dict(stored._mapping)
    values["changes"] = tuple(Change.from_json(change) for change in values["changes"])
    number = values["number"]
    by = next((one.by for one in brought if one.first <= number <= one.last), "")
    return DecisionRow(**values, standing=number not in undone, brought_by=by)


def references_told(count: int) -> str:
    """How many, for the log.

    >>> references_told(1), references_told(2)
    ('1 reference', '2 references')
    """
    return f"{count} reference{'' if count == 1 else 's'}"
