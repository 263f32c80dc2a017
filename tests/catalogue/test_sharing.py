"""One catalogue, several processes: writers at once lose nothing, and a service sees what others have done."""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import NAME
from matcher.catalogue.exchange.check import check
from matcher.catalogue.finds.resolution import RecordFields, accept
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records import files
from matcher.catalogue.records.corrections import edit_record
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tables.database import URL_FILE
from matcher.core.calibration import Calibration
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError
from matcher.core.search.reference_index import ReferenceIndex
from tests.support.cards import ADA, a_find

TIMES = 20
"""Decisions of each writer."""

WRITER = """
import sys
from pathlib import Path
from tests.catalogue.test_sharing import write
sys.stdout.write("ready\\n"); sys.stdout.flush()
sys.stdin.readline()
write(Path(sys.argv[1]), sys.argv[2])
"""


def write(folder: Path, name: str) -> None:
    """Decide `TIMES` times about one and the same record."""
    with Catalogue.open(folder) as own:
        for i in range(TIMES):
            edit_record(own, "V000", {"note": f"{name} {i}"}, person(name))


def nothing_is_lost(catalogue: Catalogue, first: int) -> None:
    """Both writers' decisions are all there, each writer's in its order, one after another without a gap."""
    log = catalogue.decisions(after=first)
    assert [decision.number for decision in log] == list(range(first + 1, first + 1 + 2 * TIMES))
    for name in ("Ada", "Bo"):
        notes = [d.changes[0].after["note"] for d in log if d.by == name and d.changes[0].after]
        assert notes == [f"{name} {i}" for i in range(TIMES)]
    assert log[-1].changes[0].after
    assert catalogue.record("V000").note == log[-1].changes[0].after["note"]
    assert check(catalogue) == ()


def test_two_processes_writing_at_once_lose_nothing(catalogue: Catalogue) -> None:
    first = catalogue.last_decision()
    if not (catalogue.folder / "catalogue.sqlite").exists():  # how people who share a database say so
        (catalogue.folder / URL_FILE).write_text(catalogue.url.render_as_string(hide_password=False))
    both = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(catalogue.folder), name],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for name in ("Ada", "Bo")
    ]  # fmt: skip
    try:
        for one in both:
            assert one.stdout
            assert one.stdout.readline() == "ready\n"
        for one in both:
            assert one.stdin
            one.stdin.write("go\n")
            one.stdin.flush()
        for one in both:
            told = one.communicate(timeout=60)[1]
            assert one.returncode == 0, told
    finally:
        for one in both:
            one.kill()
            one.communicate()
    nothing_is_lost(catalogue, first)


def test_where_the_folders_lock_does_not_reach_the_database_keeps_writers_apart(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As over a network whose file locks do not work."""
    first = catalogue.last_decision()
    monkeypatch.setattr(files, "only_writer", lambda *_: nullcontext())
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, (catalogue.folder, catalogue.folder), ("Ada", "Bo"), timeout=60))
    nothing_is_lost(catalogue, first)


def test_open_references_see_a_refitted_confidence(catalogue: Catalogue) -> None:
    shipped = Calibration.load()
    with CatalogueReferences.open(catalogue.folder) as references:
        assert references.calibration == shipped
        stored = {
            "rungs": {name: {**vars(model), "intercept": model.intercept + 1} for name, model in shipped.rungs.items()},
            "provenance": {"pictures": "this catalogue's own"},
        }
        (catalogue.folder / NAME).write_text(json.dumps(stored))
        assert references.refresh()
        assert references.calibration == Calibration.load(catalogue.folder / NAME) != shipped
        assert not references.refresh()
        (catalogue.folder / NAME).unlink()
        assert references.refresh()
        assert references.calibration == shipped


@pytest.mark.parametrize("fails", ["decisions", "references_among", "records_among", "description"])
def test_news_that_could_not_be_read_are_asked_for_again(
    catalogue: Catalogue, scans: Path, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    """A database that goes away for a moment, as at a restart, while news are being read: nothing is half taken in."""
    wanted = a_find(catalogue, scans, 70)
    with CatalogueReferences.open(catalogue.folder) as references:
        before = {i: references.known(i) for i in references.index.reference_ids()}
        accept(catalogue, wanted.find_id, ADA, RecordFields(record_id="V900", caption="new"))
        edit_record(catalogue, "V000", {"caption": "other words"}, ADA)
        catalogue.remove_record("V003", ADA)
        with monkeypatch.context() as away:
            away.setattr(references.catalogue, fails, unreachable)
            with pytest.raises(CatalogueError, match="does not answer"):
                references.refresh()
        assert {i: references.known(i) for i in references.index.reference_ids()} == before
        assert len(references) == len(before)
        assert references.refresh()
        assert not references.refresh()
        new = catalogue.references("V900")[0]
        assert references.search(catalogue.description(new))[0].reference_id == new.id
        assert {known.record.caption for known in references.of_pose("P000")} >= {"new", "other words"}
        assert references.index.reference_ids() == {row.id for row in catalogue.references()}


def unreachable(*_: object, **__: object) -> None:
    raise CatalogueError("unreachable", "the catalogue's database does not answer", "check the server")


def test_an_index_that_was_being_written_is_read_again(catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is read while its files are exchanged looks damaged, and so empty: no reason to describe all anew."""
    opened = ReferenceIndex.open
    torn = iter([ReferenceIndex(catalogue.folder / "index", fingerprint())])
    monkeypatch.setattr(ReferenceIndex, "open", lambda *args: next(torn, None) or opened(*args))
    monkeypatch.setattr(CatalogueReferences, "_description", unreachable)
    with CatalogueReferences.open(catalogue.folder) as references:
        assert references.index.reference_ids() == {row.id for row in catalogue.references()}
