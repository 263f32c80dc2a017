"""Finds and the log: proposed by the machine, decided by people, undone, redone, exported and played anew."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue, turning
from matcher.catalogue.changes import Change, Draft, Misfit
from matcher.catalogue.decisions import Entry, append, as_json, machine, person
from matcher.catalogue.finds import Wanted, accept, count_finds, find, finds, merge, propose, reject
from matcher.catalogue.journal import content_digest, export_log, fold, replay_log
from matcher.catalogue.models import Record
from matcher.errors import BadTable, CatalogueError, PlatekinError
from matcher.shelf import Shelf
from tests.cards import a_find, photo_answer
from tests.enrolling import run

ADA = person("Ada Quill")


def digest(catalogue: Catalogue) -> str:
    with catalogue.reading() as connection:
        return content_digest(connection)


def rows(catalogue: Catalogue) -> Any:
    """What can be changed, without the log."""
    return catalogue.records(), catalogue.references(), finds(catalogue)


def code_of(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(PlatekinError) as caught:
        call(*arguments, **options)
    assert caught.value.message
    assert caught.value.remedy
    return caught.value.code


# Finds


def test_an_identification_becomes_an_open_find_with_its_evidence(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    assert (found.find_id, found.state, found.outcome, found.pose) == ("F00001", "open", "new_crop", "P000")
    assert (found.source, found.seen_on, found.name) == ("album 3", "1987-05", "photo50.png")
    assert found.evidence["candidates"][0]["record_id"] == "V000"
    assert catalogue.image_path(found).read_bytes() == (scans / "photo50.png").read_bytes()
    entry = catalogue.decisions()[-1]
    assert (entry.actor, entry.action, entry.by) == ("machine", "propose", machine().name)
    assert len(catalogue.records()) == 4  # a suggestion is no record


def test_the_same_card_is_proposed_once(catalogue: Catalogue, scans: Path) -> None:
    first = a_find(catalogue, scans, 50)
    log = catalogue.last_decision()
    assert a_find(catalogue, scans, 50) == first
    assert catalogue.last_decision() == log


@pytest.mark.parametrize("outcome", ["held", "undecided", "unreadable"])
def test_other_outcomes_are_no_finds(catalogue: Catalogue, scans: Path, outcome: str) -> None:
    path, told = photo_answer(scans, 50, outcome, record_id="V000")
    before = catalogue.last_decision()
    assert propose(catalogue, told, path.read_bytes()) == ()
    assert catalogue.last_decision() == before


def test_accepting_makes_a_record_that_is_known_at_once(catalogue: Catalogue, scans: Path) -> None:
    with Shelf.open(catalogue.folder) as shelf:
        found = a_find(catalogue, scans, 50)
        assert len(shelf) == 6
        decision = accept(catalogue, found.find_id, ADA, Wanted(caption="Oakmere", copy="mine"), note="sure")
        record = catalogue.record("V004")
        assert (record.subject, record.pose, record.crop, record.caption) == ("Sitter 0", "P000", "C", "Oakmere")
        (reference,) = catalogue.references("V004")
        assert (reference.id, reference.copy, reference.seen_on, reference.source) == (7, "mine", "1987-05", "album 3")
        assert shelf.refresh()
        assert not shelf.refresh()
        assert [hit.reference_id for hit in shelf.index.search(catalogue.description(reference), 1)] == [7]
        assert shelf.known(7).record == record  # type: ignore[union-attr]
        assert 7 in {known.reference.id for known in shelf.of_pose("P000")}
        turning.undo(catalogue, [decision.number], ADA)
        shelf.refresh()
        assert shelf.known(7) is None
        assert 7 not in shelf.index.reference_ids()
    assert (decision.actor, decision.by, decision.note) == ("person", "Ada Quill", "sure")
    assert decision.evidence["closest"]["reference"] == "1"
    with Shelf.open(catalogue.folder) as fresh:
        assert fresh.index.reference_ids() == {1, 2, 3, 4, 5, 6}


def test_a_new_pose_wants_a_subject_and_words(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 51, "new_pose")
    before = digest(catalogue)
    assert code_of(accept, catalogue, found.find_id, ADA, Wanted(caption="x")) == "missing_value"
    assert code_of(accept, catalogue, found.find_id, ADA, Wanted(subject="Someone")) == "missing_value"
    assert digest(catalogue) == before
    accept(catalogue, found.find_id, ADA, Wanted(subject="Someone", caption=""))
    record = catalogue.record("V004")
    assert (record.subject, record.pose, record.crop, record.caption) == ("Someone", "P002", "A", "")


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(record_id="V001", caption="new"),  # that id is taken
        Wanted(subject="Another", caption="new"),  # the pose shows somebody else
        Wanted(crop="A", caption="SITTER 0, Oakmere", club="Oakmere"),  # that variation is V000
    ],
)
def test_what_clashes_is_not_accepted(catalogue: Catalogue, scans: Path, wanted: Wanted) -> None:
    found = a_find(catalogue, scans, 50)
    before = digest(catalogue)
    assert code_of(accept, catalogue, found.find_id, ADA, wanted) == "clash"
    assert digest(catalogue) == before


def test_merging_makes_a_further_reference(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    merge(catalogue, found.find_id, "V001", ADA)
    assert [r.name for r in catalogue.references("V001")] == ["scan1.png", "photo50.png"]
    assert find(catalogue, found.find_id).state == "merged"
    assert code_of(merge, catalogue, "F00001", "V000", ADA) == "already_decided"
    assert code_of(merge, catalogue, "F00009", "V000", ADA) == "no_such_find"


def test_a_rejected_find_stays_and_is_not_proposed_again(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    reject(catalogue, found.find_id, ADA, note="a reprint")
    assert a_find(catalogue, scans, 50).state == "rejected"
    assert (count_finds(catalogue), count_finds(catalogue, "open"), count_finds(catalogue, "rejected")) == (1, 0, 1)


def test_a_machine_decides_nothing(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    before = digest(catalogue)
    with pytest.raises(ValueError, match="a machine may not accept"):
        accept(catalogue, found.find_id, machine(), Wanted(caption="x"))
    assert digest(catalogue) == before
    assert code_of(person, " ") == "no_name"


# Undo and redo


def test_each_decision_can_be_undone_and_redone(catalogue: Catalogue, scans: Path) -> None:
    a, b, c = (a_find(catalogue, scans, seed) for seed in (50, 51, 52))
    for decide in (
        lambda: accept(catalogue, a.find_id, ADA, Wanted(caption="new", copy="mine")),
        lambda: merge(catalogue, b.find_id, "V001", ADA, "lent"),
        lambda: reject(catalogue, c.find_id, ADA),
    ):
        before = rows(catalogue)
        number = decide().number
        after = rows(catalogue)
        assert after != before
        turning.undo(catalogue, [number], ADA)
        assert rows(catalogue) == before
        assert not catalogue.decision(number).standing
        turning.redo(catalogue, [number], ADA)
        assert rows(catalogue) == after
        assert catalogue.decision(number).standing


def test_removing_can_be_undone(catalogue: Catalogue) -> None:
    before = rows(catalogue)
    catalogue.remove_record("V000")
    assert len(catalogue.records()) == 3
    turning.undo(catalogue, [turning.undoable(catalogue) or 0], ADA)
    assert rows(catalogue) == before
    assert all(catalogue.description(r).descriptors.size for r in catalogue.references())


def test_what_later_decisions_build_on_stays(catalogue: Catalogue, scans: Path) -> None:
    a, b = a_find(catalogue, scans, 50), a_find(catalogue, scans, 51)
    first = accept(catalogue, a.find_id, ADA, Wanted(caption="new"))
    second = merge(catalogue, b.find_id, "V004", ADA)
    before = digest(catalogue)
    with pytest.raises(CatalogueError, match=rf"decisions .*{second.number} build on it") as caught:
        turning.undo(catalogue, [first.number], ADA)
    assert caught.value.code == "in_the_way"
    assert digest(catalogue) == before
    turning.undo(catalogue, [first.number, second.number], ADA)  # both, the newest first
    assert len(catalogue.records()) == 4


def test_a_whole_run_is_undone_at_once(catalogue: Catalogue) -> None:
    whole = turning.batch_of(catalogue, 3)
    assert whole == (1, 2, 3, 4)
    turning.undo(catalogue, whole, ADA)
    assert catalogue.records() == catalogue.references() == ()
    assert [row.batch for row in catalogue.decisions(after=4)] == [5, 5, 5, 5]
    assert code_of(turning.undo, catalogue, [2], ADA) == "already_undone"


def test_undo_without_a_number_goes_back_step_by_step(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    states = [rows(catalogue)]
    for decide in (lambda: reject(catalogue, found.find_id, ADA), lambda: catalogue.remove_record("V003")):
        decide()
        states.append(rows(catalogue))
    for state in states[-2::-1]:
        turning.undo(catalogue, [turning.undoable(catalogue) or 0], ADA)
        assert rows(catalogue) == state
    for state in states[1:]:
        turning.redo(catalogue, [turning.redoable(catalogue) or 0], ADA)
        assert rows(catalogue) == state
    assert turning.redoable(catalogue) is None


@pytest.mark.parametrize(("number", "code"), [(99, "no_such_decision"), (6, "already_undone")])
def test_what_cannot_be_undone(catalogue: Catalogue, scans: Path, number: int, code: str) -> None:
    catalogue.remove_record("V003")
    turning.undo(catalogue, [5], ADA)
    assert code_of(turning.undo, catalogue, [number], ADA) == code


def test_no_number_is_given_twice(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    turning.undo(catalogue, [merge(catalogue, found.find_id, "V000", ADA).number], ADA)
    merge(catalogue, found.find_id, "V000", ADA)
    assert catalogue.references()[-1].id == 8  # 7 may still be named by old answers


# The log


def test_every_row_is_told_by_the_log(catalogue: Catalogue, scans: Path) -> None:
    some_history(catalogue, scans)
    with catalogue.reading() as connection:
        told = fold(iter(catalogue.decisions()))
        for table, held in told.items():
            from matcher.catalogue.changes import LOGGED, canonical, to_json

            stored = connection.execute(LOGGED[table].select())
            assert sorted(canonical(to_json(LOGGED[table], row._asdict())) for row in stored) == sorted(
                canonical(values) for values in held.values()
            )


def some_history(catalogue: Catalogue, scans: Path) -> None:
    a, b = a_find(catalogue, scans, 50), a_find(catalogue, scans, 51, "new_pose")
    accept(catalogue, a.find_id, ADA, Wanted(caption='Zoë, "new"', copy="mine"))
    turning.undo(catalogue, [accept(catalogue, b.find_id, ADA, Wanted(subject="Zoë", caption="")).number], ADA)
    reject(catalogue, b.find_id, person("Bo"))
    catalogue.remove_record("V002")


def test_a_log_played_anew_gives_the_same_catalogue(catalogue: Catalogue, scans: Path, tmp_path: Path) -> None:
    some_history(catalogue, scans)
    log = tmp_path / "log.jsonl"
    assert export_log(catalogue, log) == catalogue.last_decision()
    with Catalogue.open(tmp_path / "again", create=True) as again:
        assert replay_log(again, log).lacking == 8
        assert replay_log(again, log, images=scans).lacking == 0
        assert digest(again) == digest(catalogue)
        assert rows(again)[0] == rows(catalogue)[0]
        export_log(again, tmp_path / "second.jsonl")
        assert [r.sha256 for r in again.references() if not again.image_path(r).exists()] == []
    assert (tmp_path / "second.jsonl").read_bytes() == log.read_bytes()
    assert code_of(export_log, catalogue, log) == "target_exists"


def test_a_log_that_continues_the_catalogue_is_taken_up(catalogue: Catalogue, scans: Path, tmp_path: Path) -> None:
    export_log(catalogue, tmp_path / "early.jsonl")
    some_history(catalogue, scans)
    export_log(catalogue, tmp_path / "late.jsonl")
    with Catalogue.open(tmp_path / "again", create=True) as again:
        assert replay_log(again, tmp_path / "early.jsonl").decisions == 4
        assert replay_log(again, tmp_path / "late.jsonl").decisions == catalogue.last_decision() - 4
        assert digest(again) == digest(catalogue)
        assert code_of(replay_log, again, tmp_path / "early.jsonl") == "does_not_fit"  # behind
        again.remove_record("V003")
        ahead = digest(again)
        catalogue.remove_record("V001")
        export_log(catalogue, tmp_path / "parted.jsonl")
        assert code_of(replay_log, again, tmp_path / "parted.jsonl") == "does_not_fit"
        assert digest(again) == ahead


def changed(log: Path, change: Any) -> Path:
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    change(lines)
    out = log.with_name("changed.jsonl")
    out.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return out


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda lines: lines.pop(), "ends after 3 of 4"),
        (lambda lines: lines.pop(2), "line 3: it does not follow"),
        (lambda lines: lines[3].update(note="x"), "line 4: it does not follow"),
        (lambda lines: lines[2]["changes"][0]["after"].update(caption="x"), "line 3: it does not follow"),
        (lambda lines: lines[1].update(actor="machine"), "line 2: a machine may not enrol"),
        (lambda lines: lines[1].pop("by"), "line 2: no decision"),
        (lambda lines: lines[1].update(changes=[{"table": "users"}]), "line 2: no decision"),
        (lambda lines: lines.pop(0), "line 1: this is no log"),
        (lambda lines: lines.insert(1, [1]), "line 2: not an object"),
    ],
)
def test_a_log_that_was_changed_fails_loudly(catalogue: Catalogue, tmp_path: Path, change: Any, says: str) -> None:
    export_log(catalogue, tmp_path / "log.jsonl")
    with Catalogue.open(tmp_path / "again", create=True) as again:
        before = digest(again)
        with pytest.raises(BadTable, match=says):
            replay_log(again, changed(tmp_path / "log.jsonl", change))
        assert digest(again) == before
        assert again.records() == ()


def test_a_log_of_another_catalogue_is_not_taken(catalogue: Catalogue, scans: Path, tmp_path: Path) -> None:
    export_log(catalogue, tmp_path / "log.jsonl")
    run(scans / "RECORDS.csv", tmp_path / "other")
    with Catalogue.open(tmp_path / "other") as other:
        assert code_of(replay_log, other, tmp_path / "log.jsonl") == "another_catalogue"
    (tmp_path / "no.jsonl").write_bytes(b"\xff\xfe{")
    with Catalogue.open(tmp_path / "again", create=True) as again:
        assert code_of(replay_log, again, tmp_path / "no.jsonl") == "bad_log"
        assert code_of(replay_log, again, tmp_path / "nowhere.jsonl") == "missing_file"


def test_the_newest_entry_tells_all_before(catalogue: Catalogue) -> None:
    """Each entry's digest is made of the one before: changing one row of the log breaks the chain."""
    from matcher.catalogue.decisions import beginning, digest_of, identity

    with catalogue.reading() as connection:
        before = beginning(identity(connection))
    for row in catalogue.decisions():
        assert row.digest == digest_of(row, before)
        assert as_json(row)["digest"] == row.digest
        before = row.digest


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
        with pytest.raises(Misfit):
            Draft(connection).update(Record, ["V999"], note="")
