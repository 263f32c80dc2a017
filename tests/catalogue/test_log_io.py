"""The log: it tells every row, and is exported, played anew, continued, or found wrong; on both databases."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.log_io import export_log, fold, replay_log
from matcher.catalogue.log.decisions import as_json
from matcher.core.errors import BadTable
from tests.support.enrolling import run
from tests.support.history import code_of, digest, rows, some_history


def test_every_row_is_told_by_the_log(catalogue: Catalogue, scans: Path) -> None:
    some_history(catalogue, scans)
    with catalogue.reading() as connection:
        told = fold(iter(catalogue.decisions()))
        for table, held in told.items():
            from matcher.catalogue.log.changes import LOGGED, canonical, to_json

            stored = connection.execute(LOGGED[table].select())
            assert sorted(canonical(to_json(LOGGED[table], row._asdict())) for row in stored) == sorted(
                canonical(values) for values in held.values()
            )


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
        (lambda lines: lines[1].update(actor="machine"), "line 2: the program may not enrol"),
        (lambda lines: lines[1].pop("by"), "line 2: no decision"),
        (lambda lines: lines[1].update(changes=[{"table": "users"}]), "line 2: no decision"),
        (lambda lines: lines.pop(0), "line 1: this is not a log"),
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
    from matcher.catalogue.log.decisions import beginning, digest_of, identity

    with catalogue.reading() as connection:
        before = beginning(identity(connection))
    for row in catalogue.decisions():
        assert row.digest == digest_of(row, before)
        assert as_json(row)["digest"] == row.digest
        before = row.digest
