"""Decisions undone and redone, and the single changes they are made of; on both databases."""

from __future__ import annotations

from pathlib import Path

import pytest

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.finds.resolution import RecordFields, accept, merge, reject
from matcher.catalogue.log.changes import Change, ChangeConflict, Draft
from matcher.catalogue.log.decisions import Entry, append
from matcher.catalogue.tables.models import Record
from matcher.core.errors import CatalogueError
from tests.support.cards import a_find
from tests.support.history import ADA, code_of, digest, rows

# Undo and redo


def test_each_decision_can_be_undone_and_redone(catalogue: Catalogue, scans: Path) -> None:
    a, b, c = (a_find(catalogue, scans, seed) for seed in (50, 51, 52))
    for decide in (
        lambda: accept(catalogue, a.find_id, ADA, RecordFields(caption="new", copy="mine")),
        lambda: merge(catalogue, b.find_id, "V001", ADA, "lent"),
        lambda: reject(catalogue, c.find_id, ADA),
    ):
        before = rows(catalogue)
        number = decide().number
        after = rows(catalogue)
        assert after != before
        undo_redo.undo(catalogue, [number], ADA)
        assert rows(catalogue) == before
        assert not catalogue.decision(number).standing
        undo_redo.redo(catalogue, [number], ADA)
        assert rows(catalogue) == after
        assert catalogue.decision(number).standing


def test_removing_can_be_undone(catalogue: Catalogue) -> None:
    before = rows(catalogue)
    catalogue.remove_record("V000")
    assert len(catalogue.records()) == 3
    undo_redo.undo(catalogue, [undo_redo.undoable(catalogue) or 0], ADA)
    assert rows(catalogue) == before
    assert all(catalogue.description(r).descriptors.size for r in catalogue.references())


def test_what_later_decisions_build_on_stays(catalogue: Catalogue, scans: Path) -> None:
    a, b = a_find(catalogue, scans, 50), a_find(catalogue, scans, 51)
    first = accept(catalogue, a.find_id, ADA, RecordFields(caption="new"))
    second = merge(catalogue, b.find_id, "V004", ADA)
    before = digest(catalogue)
    with pytest.raises(CatalogueError, match=rf"decisions .*{second.number} build on it") as caught:
        undo_redo.undo(catalogue, [first.number], ADA)
    assert caught.value.code == "in_the_way"
    assert digest(catalogue) == before
    undo_redo.undo(catalogue, [first.number, second.number], ADA)  # both, the newest first
    assert len(catalogue.records()) == 4


def test_a_whole_run_is_undone_at_once(catalogue: Catalogue) -> None:
    whole = undo_redo.batch_of(catalogue, 3)
    assert whole == (1, 2, 3, 4)
    undo_redo.undo(catalogue, whole, ADA)
    assert catalogue.records() == catalogue.references() == ()
    assert [row.batch for row in catalogue.decisions(after=4)] == [5, 5, 5, 5]
    assert code_of(undo_redo.undo, catalogue, [2], ADA) == "already_undone"


def test_undo_without_a_number_goes_back_step_by_step(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    states = [rows(catalogue)]
    for decide in (lambda: reject(catalogue, found.find_id, ADA), lambda: catalogue.remove_record("V003")):
        decide()
        states.append(rows(catalogue))
    for state in states[-2::-1]:
        undo_redo.undo(catalogue, [undo_redo.undoable(catalogue) or 0], ADA)
        assert rows(catalogue) == state
    for state in states[1:]:
        undo_redo.redo(catalogue, [undo_redo.redoable(catalogue) or 0], ADA)
        assert rows(catalogue) == state
    assert undo_redo.redoable(catalogue) is None


@pytest.mark.parametrize(("number", "code"), [(99, "no_such_decision"), (6, "already_undone")])
def test_what_cannot_be_undone(catalogue: Catalogue, scans: Path, number: int, code: str) -> None:
    catalogue.remove_record("V003")
    undo_redo.undo(catalogue, [5], ADA)
    assert code_of(undo_redo.undo, catalogue, [number], ADA) == code


def test_no_number_is_given_twice(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    undo_redo.undo(catalogue, [merge(catalogue, found.find_id, "V000", ADA).number], ADA)
    merge(catalogue, found.find_id, "V000", ADA)
    assert catalogue.references()[-1].id == 8  # 7 may still be named by old answers


# Single changes


def test_a_change_that_does_not_fit_changes_nothing(catalogue: Catalogue) -> None:
    before = digest(catalogue)
    cases = [
        Change("records", ("V000",), None, {"record_id": "V000"}),
        Change("records", ("V999",), {"note": ""}, {"note": "x"}),
        Change("records", ("V000",), {"note": "other"}, {"note": "x"}),
        Change("records", ("V000",), {"note": ""}, None),  # references hang on it
    ]
    for change in cases:
        with pytest.raises(CatalogueError), catalogue.writing(), catalogue.deciding(ADA, "edit") as entry:
            entry.draft.make(change)
    assert digest(catalogue) == before


def test_an_entry_without_a_change_is_not_written(catalogue: Catalogue) -> None:
    with catalogue.writing(), catalogue.deciding(ADA, "edit") as entry:
        entry.draft.update(Record, ["V000"], note=catalogue.record("V000").note)
    assert entry.row is None
    with catalogue.reading() as connection:
        assert append(connection, Entry(ADA, "edit", Draft(connection))) is None
        with pytest.raises(ChangeConflict):
            Draft(connection).update(Record, ["V999"], note="")
