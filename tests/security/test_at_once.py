"""Two at the same moment: one key, one lot, one record, many writers (review of the code, B6, B10 to B12, B17, B18)."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.core.errors import CatalogueError
from matcher.core.settings import Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.job_queue import LotQueue, Sent, receive, receive_folder
from tests.support import fake_work
from tests.support.cards import ADA
from tests.support.enrolling import draw, row, run, write_table
from tests.support.service import picture, service, wait_until


@pytest.fixture
def client(folder: Path) -> Any:
    settings = ServiceSettings(catalogue=folder, workers=1)
    with TestClient(create_app(settings, work=fake_work.obey, **fake_work.QUICK)) as client:
        yield client


def test_one_key_sixteen_times_at_once_is_one_decision_told_to_all(client: TestClient) -> None:
    """Review of security, finding 8: up to 15 of 16 were told 409."""
    for attempt in range(3):
        body = {"action": "edit", "record_id": "V000", "fields": {"note": f"note {attempt}"}}
        headers = {"Idempotency-Key": f"k{attempt}", "If-Match": "*"}
        ready = threading.Barrier(16)

        def ask(_: int, body: Any = body, headers: Any = headers, ready: Any = ready) -> Any:
            ready.wait()
            return client.post("/v1/decisions", json=body, headers=headers)

        with ThreadPoolExecutor(16) as many:
            told = list(many.map(ask, range(16)))
        assert Counter(one.status_code for one in told) == {201: 16}, [one.text for one in told]
        assert len({one.json()["number"] for one in told}) == 1


def test_one_key_for_sixteen_requests_at_once(client: TestClient) -> None:
    """The same finding: 15 of 16 were answered 500."""
    headers = {"Idempotency-Key": "one", "If-Match": "*"}

    def ask(number: int) -> Any:
        body = {"action": "edit", "record_id": "V000", "fields": {"note": f"n{number}"}}
        return client.post("/v1/decisions", json=body, headers=headers)

    with ThreadPoolExecutor(16) as many:
        told = list(many.map(ask, range(16)))
    assert Counter(one.status_code for one in told) == {201: 1, 422: 15}, [one.text for one in told]


def test_two_uploads_into_one_lot_at_once_are_both_kept(catalogue: Catalogue, tmp_path: Path) -> None:
    lot = store.make_lot(catalogue, "k", "box", "Ada", [], {"sides": "names"}, served=True)
    sent = []
    for number in range(24):
        path = tmp_path / f"p{number}.png"
        picture(number).save(path)
        sent.append(Sent(f"{number}.png", path.read_bytes()))
    with ThreadPoolExecutor(8) as many:
        assert sum(many.map(lambda one: receive(catalogue, lot, [one], Settings()), sent)) == 24
        assert sum(many.map(lambda one: receive(catalogue, lot, [one], Settings()), sent)) == 0  # sent again
    rows = store.items(catalogue, lot.lot_id)
    assert [row.number for row in rows] == list(range(1, 25))
    assert {row.name: row.path.read_bytes() for row in rows} == {one.name: one.data for one in sent}
    held = (store.folder_of(catalogue, lot.lot_id) / "photos").iterdir()
    assert set(held) == {row.path for row in rows}


def test_one_file_that_cannot_be_read_fails_alone(catalogue: Catalogue, tmp_path: Path) -> None:
    box = tmp_path / "box"
    box.mkdir()
    for number in range(3):
        picture(number).save(box / f"{number}.png")
    (box / "1.png").unlink()
    (box / "1.png").symlink_to(tmp_path / "nowhere")
    lot = store.make_lot(catalogue, "k", "box", "Ada", [str(box)], {"sides": "names"}, served=True)
    receive_folder(catalogue, lot, box, Settings())
    told = {row.name: (row.state, row.code) for row in store.items(catalogue, lot.lot_id)}
    assert told["0.png"] == told["2.png"] == ("queued", "")
    assert told.get("1.png", ("failed", "missing_file")) == ("failed", "missing_file")


def test_a_lot_that_cannot_be_finished_does_not_end_the_others(
    library: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil

    folder = Path(shutil.copytree(library, tmp_path / "copy"))
    finished = []
    real = LotQueue.finish

    def finish(self: LotQueue, lot_id: str) -> None:
        if lot_id == "L00001":
            raise RuntimeError("a mistake of ours")
        finished.append(lot_id)
        real(self, lot_id)

    monkeypatch.setattr(LotQueue, "finish", finish)
    with service(folder) as client:
        for number in range(3):
            files = [("photo", (f"{number}.png", b"a card %d" % number))]
            sent = client.post("/v1/lots", files=files, headers={"Idempotency-Key": f"lot{number}"})
            assert sent.status_code == 201, sent.text
        wait_until(lambda: {"L00002", "L00003"} <= set(finished))
    with service(folder) as client:  # at the next start, where it comes first
        files = [("photo", ("4.png", b"a card 4"))]
        client.post("/v1/lots", files=files, headers={"Idempotency-Key": "lot4"})
        wait_until(lambda: "L00004" in finished)


def test_a_lost_workers_photos_of_a_lot_are_tried_again(library: Path, tmp_path: Path) -> None:
    """Review of security, finding 7: they failed for good. The first try ends its process, the second does not."""
    import shutil

    folder = Path(shutil.copytree(library, tmp_path / "copy"))
    with service(folder, fake_work.processes, workers=2) as client:
        files = [("photo", (f"{n}.png", b"die once %s" % str(tmp_path / f"mark{n}").encode())) for n in range(4)]
        files.append(("photo", ("fatal.png", b"die")))
        sent = client.post("/v1/lots", files=files, headers={"Idempotency-Key": "lot"})
        assert sent.status_code == 201, sent.text
        wait_until(lambda: client.get("/v1/lots/L00001").json()["items"]["queued"] == 0)
        items = {item["name"]: item["code"] for item in client.get("/v1/lots/L00001/items").json()["items"]}
    assert items.pop("fatal.png") == "worker_lost"
    assert "worker_lost" not in items.values()


def test_those_who_wait_for_the_writer_leave_threads_to_readers(library: Path, tmp_path: Path) -> None:
    """Review of security, finding 9: health was answered after 9.2 s while 45 decisions waited."""
    import shutil

    folder = Path(shutil.copytree(library, tmp_path / "copy"))
    with service(folder) as client, ThreadPoolExecutor(45) as many:
        blocking = sqlite3.connect(folder / "catalogue.sqlite", isolation_level=None)
        blocking.execute("BEGIN IMMEDIATE")
        body = {"action": "edit", "record_id": "V000", "fields": {"note": "x"}}
        headers = {"If-Match": "*"}
        waiting = [
            many.submit(client.post, "/v1/decisions", json=body, headers={**headers, "Idempotency-Key": f"k{n}"})
            for n in range(45)
        ]
        time.sleep(0.5)
        begun = time.monotonic()
        assert client.get("/v1/health").status_code == 200
        took = time.monotonic() - begun
        blocking.execute("ROLLBACK")
        blocking.close()
        told = Counter(one.result().status_code for one in waiting)
    assert took < 4, "a reader waited for the writers"  # of the 10 s that a writer waits
    assert set(told) <= {201, 409, 503}


def test_enrolling_lets_others_decide_in_between(scans: Path, tmp_path: Path) -> None:
    """Review of the code, B17: it held the writer for its whole run, hours of 'locked' for everybody else."""
    table = write_table(tmp_path / "more.csv", [row(n, draw(tmp_path / f"s{n}.png", 100 + n)) for n in range(10, 22)])
    folder = tmp_path / "catalogue"
    run(scans / "RECORDS.csv", folder)
    decided = []

    def decide(outcome: Any) -> None:
        if outcome.line == 6:
            with Catalogue.open(folder) as other:
                from matcher.catalogue.records.corrections import edit_record

                decided.append(edit_record(other, "V000", {"note": "meanwhile"}, ADA).number)

    report = run(table, folder, on_row=decide)
    assert (report.added, report.failed) == (12, ())
    assert decided
    with Catalogue.open(folder) as catalogue:
        assert check(catalogue) == ()
        assert catalogue.record("V000").note == "meanwhile"
        assert len(catalogue.records()) == 16


def test_two_who_enrol_at_once(scans: Path, tmp_path: Path) -> None:
    folder = tmp_path / "catalogue"
    run(scans / "RECORDS.csv", folder)
    more = write_table(tmp_path / "more.csv", [row(30, draw(tmp_path / "s30.png", 130))])
    codes: list[str] = []

    def again(outcome: Any) -> None:
        try:
            run(more, folder)
        except CatalogueError as error:
            codes.append(error.code)

    other = write_table(tmp_path / "other.csv", [row(31, draw(tmp_path / "s31.png", 131))])
    run(other, folder, on_row=again)
    assert codes == ["locked"]
    assert run(more, folder).added == 1
