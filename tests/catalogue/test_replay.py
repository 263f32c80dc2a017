"""Replaying a log: all that decisions have made comes again, and what does not fit is named by its line."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, select

from matcher.catalogue import Catalogue, RecordRow, undo_redo
from matcher.catalogue.exchange.log_io import content_digest, export_log, replay_log
from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import beginning, digest_of, from_json, person
from matcher.catalogue.records.ingest import add_record
from matcher.catalogue.tables.facts import Spelling
from matcher.catalogue.tables.log import IdPrefix, Image, LastNumber
from matcher.catalogue.tables.models import Copy, Record, Reference
from matcher.core.errors import BadTable, CatalogueError, PlatekinError

ADA = person("Ada Quill")


def add_one(draft: Draft, number: int, label: str = "") -> None:
    """A record with a reference, and a copy where a label is given."""
    add_record(
        draft, RecordRow(f"V{number:03d}", f"Sitter {number // 3}", f"P{number // 3:02d}", "A", f"words {number}")
    )
    copy_id = None
    if label:
        copy_id = draft.give(Copy)
        draft.insert(Copy, id=copy_id, record_id=f"V{number:03d}", label=label)
    draft.insert(
        Reference, id=draft.give(Reference), record_id=f"V{number:03d}", copy_id=copy_id, sha256=f"{number:064x}",
        suffix=".png", name="x.png", source="", note="", extra={}, added_at=datetime.now(UTC), seen_on="", width=276,
        height=480, quad=[[0.0, 0.0]] * 4, facts={"turned": 0}, outline="0" * 16,
    )  # fmt: skip


def move_a_reference(draft: Draft, rng: random.Random) -> None:
    moved, target = rng.choice(draft.rows(Reference)), rng.choice(draft.rows(Record))
    draft.update(Reference, [moved["id"]], record_id=target["record_id"], copy_id=None)


def take_out_a_record(draft: Draft, rng: random.Random) -> None:
    """Fails where something is bound to it: copies, in most cases."""
    gone = rng.choice(draft.rows(Record))["record_id"]
    for reference in draft.rows(Reference, record_id=gone):
        draft.delete(Reference, reference["id"])
    draft.delete(Record, gone)


def replace_a_copy(draft: Draft, rng: random.Random) -> None:
    """Another copy under the label of the one that goes: both at once would break a constraint."""
    gone = rng.choice(draft.rows(Copy))
    for reference in draft.rows(Reference, copy_id=gone["id"]):
        draft.update(Reference, [reference["id"]], copy_id=None)
    draft.delete(Copy, gone["id"])
    draft.insert(Copy, id=draft.give(Copy), record_id=gone["record_id"], label=gone["label"])


def respell(draft: Draft, rng: random.Random) -> None:
    spelling = f"Siter {rng.randrange(4)}"
    if draft.row(Spelling, spelling):
        draft.delete(Spelling, spelling)
    else:
        draft.insert(Spelling, spelling=spelling, subject="Sitter 0")


def history(catalogue: Catalogue, seed: int, steps: int = 90) -> None:
    """Decisions of all kinds on the same few rows, many of them undone and redone."""
    rng = random.Random(seed)
    for step in range(steps):
        with suppress(CatalogueError):  # what does not fit is no decision
            if step > 9 and rng.random() < 0.3:
                target = rng.choice(catalogue.decisions(actions_not=["undo", "redo"])[-8:])
                (undo_redo.undo if target.standing else undo_redo.redo)(catalogue, [target.number], ADA)
                continue
            with catalogue.writing(), catalogue.deciding(ADA, "edit") as entry:
                if step < 9 or rng.random() < 0.3:
                    add_one(entry.draft, step, rng.choice(["", "mine"]))
                else:
                    rng.choice([move_a_reference, take_out_a_record, replace_a_copy, respell])(entry.draft, rng)


def everything(connection: Connection) -> tuple[Any, ...]:
    """Rows by decisions, and what is remembered beside them."""
    beside = [
        sorted(tuple(row) for row in connection.execute(select(*table.__table__.columns)))
        for table in (LastNumber, Image, IdPrefix)
    ]
    return content_digest(connection), beside


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_replayed_log_gives_the_same_rows_and_ids(database: str, tmp_path: Path, seed: int) -> None:
    with Catalogue.open(tmp_path / "c", create=True) as catalogue:
        history(catalogue, seed)
        assert len({row.action for row in catalogue.decisions()}) == 3  # some were undone, some redone
        export_log(catalogue, tmp_path / "log.jsonl")
        with catalogue.reading() as connection:
            wanted = everything(connection)
    with Catalogue.open(tmp_path / "again", create=True) as again:
        replay_log(again, tmp_path / "log.jsonl")
        with again.reading() as connection:
            assert everything(connection) == wanted


def replayed(tmp_path: Path, change: Callable[[list[dict[str, Any]]], None], name: str = "again") -> Any:
    """What comes of a log of thirty enrolled records after a change that its maker took the trouble to chain anew."""
    log = tmp_path / "log.jsonl"
    if not log.exists():
        with Catalogue.open(tmp_path / "c", create=True) as catalogue:
            with catalogue.writing():
                for number in range(30):
                    with catalogue.deciding(ADA, "enrol") as entry:
                        add_one(entry.draft, number)
            export_log(catalogue, log)
    head, *lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    change(lines)
    before = beginning(head["catalogue"])
    for number, line in enumerate(lines, start=1):
        line["number"] = number
        line["digest"] = before = _digest(line, before)
    head |= {"decisions": len(lines), "digest": before}
    forged = tmp_path / "forged.jsonl"
    forged.write_text("".join(json.dumps(line) + "\n" for line in [head, *lines]), encoding="utf-8")
    with Catalogue.open(tmp_path / name, create=True) as again:
        try:
            return replay_log(again, forged)
        finally:
            if (told := again.decisions()) and len(told) != len(lines):
                raise AssertionError("something was kept")


def _digest(line: dict[str, Any], before: str) -> str:
    try:
        return digest_of(from_json(line), before)
    except (ValueError, KeyError):
        return ""


def edit(change: dict[str, Any]) -> dict[str, Any]:
    return {"batch": None, "at": "2026-01-02T03:04:05+00:00", "actor": "person", "by": "Ada Quill", "action": "edit",
            "about": "", "outcome": "", "evidence": {}, "note": "", "undoes": None, "changes": [change], "number": 0,
            "digest": ""}  # fmt: skip


RECORD_GONE = {"table": "records", "key": ["V003"], "before": {"note": ""}, "after": None}
UNKNOWN = {"table": "records", "key": ["V777"], "before": {"note": ""}, "after": {"note": "x"}}
OTHER = {"table": "records", "key": ["V003"], "before": {"note": "y"}, "after": {"note": "x"}}
TWICE = {"table": "spellings", "key": ["Siter"], "before": None, "after": {"spelling": "Siter", "subject": "Sitter 0"}}


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ([UNKNOWN], "line 21: records V777 is not there"),
        ([OTHER], "line 21: records V003 has another note by now"),
        ([TWICE, TWICE], "line 22: spellings Siter is there already"),
        ([RECORD_GONE], "line 21: records V003 is bound to other rows"),  # though nothing later asks for it
        ([RECORD_GONE, UNKNOWN], "line 21: records V003 is bound to other rows"),  # the first that does not fit
    ],
)
def test_the_first_line_that_does_not_fit_is_named(
    database: str, tmp_path: Path, changes: list[dict[str, Any]], says: str
) -> None:
    with pytest.raises(CatalogueError, match=says) as caught:
        replayed(tmp_path, lambda lines: lines.__setitem__(slice(19, 19), [edit(change) for change in changes]))
    assert caught.value.code == "does_not_fit"


def test_what_does_not_fit_comes_before_a_bad_line_further_on(database: str, tmp_path: Path) -> None:
    with pytest.raises(CatalogueError, match="line 21"):
        replayed(tmp_path, lambda lines: (lines.insert(19, edit(UNKNOWN)), lines.append({"no": "decision"})))  # type: ignore[func-returns-value]


@pytest.mark.parametrize(
    ("table", "values"),
    [
        ("records", {"note": 7}),
        ("records", {"subject": None}),
        ("references", {"width": "wide"}),
        ("references", {"width": True}),
        ("references", {"width": 2**40}),
        ("references", {"added_at": "yesterday"}),
        ("references", {"added_at": "2026-01-02T03:04:05"}),  # of which zone?
    ],
)
def test_values_that_no_column_holds_are_no_decision(
    database: str, tmp_path: Path, table: str, values: dict[str, Any]
) -> None:
    def forge(lines: list[dict[str, Any]]) -> None:
        (change,) = [change for change in lines[4]["changes"] if change["table"] == table]
        change["after"].update(values)

    with pytest.raises(PlatekinError, match=f"line 6: no decision: {table} cannot hold this as {next(iter(values))}"):
        replayed(tmp_path, forge)


def test_a_text_that_no_database_should_hold(tmp_path: Path) -> None:
    """PostgreSQL's manual, 8.3: the character with code zero cannot be stored. SQLite could."""

    def forge(lines: list[dict[str, Any]]) -> None:
        lines[4]["changes"][0]["after"]["note"] = "a\0b"

    with pytest.raises(BadTable, match="line 6: note of records holds control characters"):
        replayed(tmp_path, forge)


def test_a_text_that_the_database_cannot_hold(database: str, tmp_path: Path) -> None:
    """PostgreSQL's manual, 8.3: a text longer than its column is refused. SQLite does not look."""

    def forge(lines: list[dict[str, Any]]) -> None:
        row = next(c["after"] for c in lines[4]["changes"] if c["table"] == "references")
        row["seen_on"] = "1987-05-23, in the morning"

    if database == "sqlite":
        assert replayed(tmp_path, forge).decisions == 30
    else:
        with pytest.raises(CatalogueError, match="line 6: this database cannot hold it"):
            replayed(tmp_path, forge)
