"""What an earlier version stored: it called the outcome `known` by another word, `held`, and the column `mark`
`issuer_mark`; its logs stay as they are.

data/outcome_held.zip was made by the last version that did: a catalogue of two records of drawn pictures with a
sighting, a find that waits and a find that was merged (both `held`), a new find, and a lot of three scans; its exported
log; its bag. Of the catalogue the caches (descriptions, faces, index) are left out.
"""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import select
from typer.testing import CliRunner

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.log_io import export_log, replay_log
from matcher.catalogue.exchange.package import in_todays_words
from matcher.catalogue.finds.resolution import count_finds, find, finds, merge
from matcher.catalogue.finds.sightings import sightings
from matcher.catalogue.tables import migrate
from matcher.catalogue.tables.lots import LotAnswer
from matcher.cli import app
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.review_queue import to_confirm
from tests.support.cards import ADA
from tests.support.history import digest
from tests.support.lots import Quick, draw_scan, found, tag

STORED = Path(__file__).parent / "data" / "outcome_held.zip"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A folder with `catalogue`, `log.jsonl` and `bag` as they were left."""
    with zipfile.ZipFile(STORED) as packed:
        packed.extractall(tmp_path / "old")
    return tmp_path / "old"


def finds_are_read_in_todays_word(catalogue: Catalogue) -> None:
    outcomes = {row.find_id: row.outcome for row in finds(catalogue)}
    assert outcomes == {"F00001": "known", "F00002": "known", "F00003": "new_crop"}
    assert [row.find_id for row in finds(catalogue, outcome="known")] == ["F00001", "F00002"]
    assert count_finds(catalogue, outcome="known") == 2
    assert [row.record_id for row in sightings(catalogue)] == ["V000"]


def test_an_old_catalogue_is_opened_and_its_lots_are_read(old: Path) -> None:
    with Catalogue.open(old / "catalogue") as catalogue:
        (lot,) = store.lots(catalogue)
        cards = cards_of(catalogue, lot)
        assert [card.outcome for card in cards] == ["known", "known", "undecided", "new_pose"]
        assert [card.card for card in to_confirm(catalogue, cards, 0.5)] == ["1.1", "2.1"]
        finds_are_read_in_todays_word(catalogue)
        assert check(catalogue) == ()
        export_log(catalogue, old / "now.jsonl")
        export_bag(catalogue, old / "bag now")
    assert (old / "now.jsonl").read_bytes() == (old / "log.jsonl").read_bytes()
    assert contents(old / "bag now") == contents(old / "bag")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a bag but those that hold the others' hashes; the column `mark` by its name of today."""
    files = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file() and "data" in p.parts}
    return {name: in_todays_words(name.removeprefix("data/"), path.read_bytes()) for name, path in files.items()}


def test_old_decisions_can_be_undone_and_what_waits_decided(old: Path) -> None:
    with Catalogue.open(old / "catalogue") as catalogue:
        (merged,) = catalogue.decisions(actions=["merge_find"])
        before = digest(catalogue)
        undo_redo.undo(catalogue, [merged.number], ADA)
        assert find(catalogue, "F00002").state == "open"
        undo_redo.redo(catalogue, [merged.number], ADA)
        assert digest(catalogue) != before  # the log is longer
        assert check(catalogue) == ()
        assert merge(catalogue, "F00001", "V001", ADA).evidence["outcome"] == "known"
    shown = CliRunner().invoke(app, ["decisions", "show", str(merged.number), "--catalogue", str(old / "catalogue")])
    assert "evidence  outcome: known" in shown.stdout
    assert "held" not in shown.stdout


def test_an_old_log_and_an_old_bag_are_taken_in(database: str, old: Path, tmp_path: Path) -> None:
    with Catalogue.open(tmp_path / "of log", create=True) as of_log:
        assert replay_log(of_log, old / "log.jsonl", images=old / "bag").lacking == 0
        finds_are_read_in_todays_word(of_log)
        assert check(of_log) == ()
        export_log(of_log, tmp_path / "again.jsonl")
        with Catalogue.open(tmp_path / "of bag", create=True) as of_bag:
            import_bag(of_bag, old / "bag")
            assert digest(of_bag) == digest(of_log)
            assert check(of_bag) == ()
    assert (tmp_path / "again.jsonl").read_bytes() == (old / "log.jsonl").read_bytes()


def test_the_revision_renames_outcomes_of_cards_and_nothing_else(catalogue: Catalogue, tmp_path: Path) -> None:
    """There and back on both databases."""
    draw_scan(tmp_path / "box" / "a.png", 1)
    draw_scan(tmp_path / "box" / "b.png", 2)
    known = found("known", record_id="V000", caption="held", closest="known")
    tag(catalogue, tmp_path / "box", Quick({"a.png": [known, found("undecided")], "b.png": [found("new_pose")]}))
    before = stored(catalogue)
    with catalogue._engine.begin() as connection:
        command.downgrade(migrate._config(connection), "0004")
    outcomes = sorted(card["outcome"] for answer in stored(catalogue) for card in answer["cards"])
    assert outcomes == ["held", "new_pose", "undecided"]
    with Catalogue.open(catalogue.folder) as again:
        assert stored(again) == before


def stored(catalogue: Catalogue) -> list[Any]:
    """The answers about lots as they lie in the table: reading them as answers would hide the word."""
    with catalogue.reading() as connection:
        return list(connection.execute(select(LotAnswer.answer).order_by(LotAnswer.sha256)).scalars())
