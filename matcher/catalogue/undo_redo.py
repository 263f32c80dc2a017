"""Undoing and redoing: numbers of decisions in; one decision each that turns them round, all or none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import TURNS, Actor, DecisionRow, Entry, append, read, reverse
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.core.errors import CatalogueError


def undo(catalogue: Catalogue, numbers: Sequence[int], who: Actor, **logged: Any) -> tuple[DecisionRow, ...]:
    """Undo decisions, the newest first, in one transaction.

    Raises CatalogueError no_such_decision, already_undone, in_the_way.
    """
    return _reverse(catalogue, sorted(set(numbers), reverse=True), who, "undo", **logged)


def redo(catalogue: Catalogue, numbers: Sequence[int], who: Actor, **logged: Any) -> tuple[DecisionRow, ...]:
    """Make undone decisions again, the oldest first, in one transaction. Raises as `undo` does."""
    return _reverse(catalogue, sorted(set(numbers)), who, "redo", **logged)


def undoable(catalogue: Catalogue) -> int | None:
    """The newest decision that stands and is no turn itself."""
    newest = catalogue.decisions(newest_first=True, actions_not=TURNS, limit=200)
    standing = [row.number for row in newest if row.standing]
    return standing[0] if standing else None


def redoable(catalogue: Catalogue) -> int | None:
    """What was undone last and can be redone: nothing else may have been decided since."""
    for row in catalogue.decisions(newest_first=True, limit=200):
        if row.action not in TURNS:
            return None
        if row.action == "undo" and row.undoes is not None and not catalogue.decision(row.undoes).standing:
            return row.undoes
    return None


def batch_of(catalogue: Catalogue, number: int) -> tuple[int, ...]:
    """The decisions of the run that this one was part of, that still stand; itself alone where it was part of none."""
    batch = catalogue.decision(number).batch
    if batch is None:
        return (number,)
    return tuple(row.number for row in catalogue.decisions(batch=batch) if row.standing and row.action not in TURNS)


def _reverse(
    catalogue: Catalogue, numbers: Sequence[int], who: Actor, action: Literal["undo", "redo"], **logged: Any
) -> tuple[DecisionRow, ...]:
    done: list[DecisionRow] = []
    many = len(numbers) > 1
    once = {name: logged.pop(name) for name in ("idempotency", "check") if name in logged}
    with catalogue.writing(PATIENCE), catalogue.deciding(who, action, **once, **logged) as last:
        for place, number in enumerate(numbers):
            draft = Draft(last.draft.connection)
            entry = last if place == len(numbers) - 1 else Entry(who, action, draft, **logged)
            if many:
                entry.batch = done[0].number if done else 0
            target = _target(entry.draft, number, action)
            reverse(entry, target)
            if entry is not last:
                row = append(draft.connection, entry)
                assert row is not None  # a decision changes something, and so does turning it round
                done.append(row)
    if last.row is None:
        raise CatalogueError("no_such_decision", "there is nothing to undo", "see: platekin decisions list")
    return (*done, last.row)


def _target(draft: Draft, number: int, action: Literal["undo", "redo"]) -> DecisionRow:
    found = list(read(draft.connection, numbers=[number]))
    if not found:
        raise CatalogueError("no_such_decision", f"no decision {number}", "see: platekin decisions list")
    target = found[0]
    if target.action in TURNS:
        other = "redo" if target.action == "undo" else "undo"
        why = f"decision {number} is itself an {target.action}" if other == "redo" else f"decision {number} is a redo"
        raise CatalogueError("already_undone", why, f"{other} decision {target.undoes} instead")
    if target.standing != (action == "undo"):
        state = "stands" if target.standing else "is undone already"
        raise CatalogueError("already_undone", f"decision {number} {state}", "look at the log")
    return target
