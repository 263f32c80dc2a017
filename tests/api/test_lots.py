"""Lots over HTTP: sent, worked on while nobody waits, fair, durable, cancelled, reviewed; on both databases."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.lots.routes import item_shape
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.tokens import make_token
from matcher.core.answer import AnswerError, PhotoAnswer
from matcher.core.settings import Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import store
from matcher.jobs.lot.job_queue import LotQueue, Sent, receive
from tests.support import fake_work
from tests.support.lots import draw_scan, found
from tests.support.service import check_problem


def work(job: Job) -> JobResult:
    """A worker that finds one card that cannot be told; `wait` in the name waits for a file, `die` fails."""
    assert isinstance(job.source, Path)
    digest = hashlib.sha256(job.source.read_bytes()).hexdigest()
    error = AnswerError("no_card", f"{job.name}: no card") if job.name.startswith("fail") else None
    if job.name.startswith("wait"):
        while not (job.source.parents[3] / "go").exists():
            time.sleep(0.01)
    cards = () if error else (found("undecided", pose="P000"),)
    return JobResult(PhotoAnswer(job.name, digest, 276, 480, error, cards, versions()))


def service(folder: Path, **more: Any) -> TestClient:
    settings = ServiceSettings(catalogue=folder, workers=1, **more)
    return TestClient(create_app(settings, work=work, **fake_work.QUICK))


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with service(folder) as client:
        yield client


def photos(folder: Path, *names: str) -> list[tuple[str, tuple[str, bytes, str]]]:
    parts = []
    for name in names:
        path = draw_scan(folder / "sent" / name, sum(map(ord, name)))
        parts.append(("photo", (name, path.read_bytes(), "image/png")))
    return parts


def send(client: TestClient, files: Any, key: str = "k1", address: str = "/v1/lots", **headers: str) -> Any:
    return client.post(address, files=files, headers={"Idempotency-Key": key, **headers})


def until(told: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not told():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.05)


def done(client: TestClient, lot_id: str, **headers: str) -> bool:
    told = client.get(f"/v1/lots/{lot_id}", headers=headers).json()
    return not told["items"]["queued"] and bool(told["compared"])


def test_a_lot_is_sent_worked_on_and_read(client: TestClient, folder: Path, tmp_path: Path) -> None:
    files = photos(tmp_path, "1_front.png", "1_back.png", "fail.png")
    check_problem(client.post("/v1/lots", files=files), 400, "key_needed")
    sent = send(client, files)
    assert sent.status_code == 201, sent.text
    lot_id = sent.json()["lot_id"]
    assert send(client, files).json()["lot_id"] == lot_id  # asked twice, done once
    check_problem(send(client, files, address="/v1/lots?sides=order"), 422, "bad_key")
    until(lambda: done(client, lot_id))
    told = client.get(f"/v1/lots/{lot_id}").json()
    assert told["items"] == {"queued": 0, "done": 2, "failed": 1}
    (failed,) = client.get(f"/v1/lots/{lot_id}/items?state=failed").json()["items"]
    assert (failed["name"], failed["code"]) == ("fail.png", "no_card")
    cards = client.get(f"/v1/lots/{lot_id}/cards").json()
    assert [card["side"] for card in cards["items"]] == ["back", "front"]
    assert str(folder) not in client.get(f"/v1/lots/{lot_id}/cards").text
    table = client.get(f"/v1/lots/{lot_id}/results.csv")
    assert table.headers["content-type"].startswith("text/csv")
    assert str(folder) not in table.text
    assert client.get(f"/v1/lots/{lot_id}/results.xlsx").content.startswith(b"PK")
    assert client.get("/v1/lots").json()["total"] == 1
    check_problem(client.get("/v1/lots/L99999"), 404, "no_such_lot")
    check_problem(client.get(f"/v1/lots/{lot_id}/cards/9.9/face"), 404, "no_such_card")
    more = send(client, photos(tmp_path, "2.png", "1_front.png"), "k2", f"/v1/lots/{lot_id}/photos")
    assert sum(more.json()["items"].values()) == 4  # one of them was there


def test_what_is_no_photo_is_refused(client: TestClient, tmp_path: Path) -> None:
    check_problem(client.post("/v1/lots", headers={"Idempotency-Key": "k"}), 415, "not_multipart")
    wrong = [("file", ("a.png", b"x", "image/png"))]
    check_problem(send(client, wrong), 422, "validation")


def test_a_lot_outlives_the_service(folder: Path, tmp_path: Path) -> None:
    with service(folder) as client:
        lot_id = send(client, photos(tmp_path, "a.png", "wait1.png", "wait2.png")).json()["lot_id"]
        until(lambda: client.get(f"/v1/lots/{lot_id}").json()["items"]["done"] == 1)
        (folder / "go").touch()
    with service(folder) as client:
        until(lambda: done(client, lot_id))
        assert client.get(f"/v1/lots/{lot_id}").json()["items"]["done"] == 3


def test_a_cancelled_lot_is_not_worked_on(client: TestClient, folder: Path, tmp_path: Path) -> None:
    lot_id = send(client, photos(tmp_path, "wait1.png", "b.png", "c.png")).json()["lot_id"]
    assert client.post(f"/v1/lots/{lot_id}/cancel").json()["state"] == "cancelled"
    (folder / "go").touch()
    until(lambda: client.get("/v1/health").json()["queue"]["working"] == 0)
    assert client.get(f"/v1/lots/{lot_id}").json()["items"]["queued"] >= 2
    check_problem(send(client, photos(tmp_path, "d.png"), "k9", f"/v1/lots/{lot_id}/photos"), 409, "lot_ended")


def test_a_failed_page_is_tried_again(client: TestClient, tmp_path: Path) -> None:
    lot_id = send(client, photos(tmp_path, "fail.png", "a.png")).json()["lot_id"]
    until(lambda: done(client, lot_id))
    told = client.post(f"/v1/lots/{lot_id}/retry?item=1").json()
    assert sum(told["items"].values()) == 2
    until(lambda: done(client, lot_id))
    assert client.get(f"/v1/lots/{lot_id}").json()["items"]["failed"] == 1


@pytest.mark.parametrize(
    ("message", "passed_on"),
    [
        ("note.jpg: no picture, its content is text", True),  # says no more than the item's name, which is told anyway
        ("note.jpg: cannot be read: /srv/boxes/7/note.jpg", False),
        ("note.jpg: cannot be read: C:\\boxes\\note.jpg", False),
        ("/srv/boxes/7/note.jpg is missing", False),
    ],
)
def test_what_is_told_of_a_file_of_this_machine_names_no_folder(message: str, passed_on: bool) -> None:
    lot = store.LotRow(
        "L00001", "", "box 7", "ada", datetime(2026, 1, 1, tzinfo=UTC), "open", True, "", ("/srv/boxes/7",), {}
    )
    path = Path("/srv/boxes/7/note.jpg")
    row = store.ItemRow("L00001", 1, path, "note.jpg", 0, 1, 9, 0, "", "failed", "not_an_image", message)
    assert (item_shape(lot, row).message == message) == passed_on


def test_a_folder_on_the_services_machine(folder: Path, tmp_path: Path) -> None:
    """Only what lies inside the folder that was named; its files are read where they are, and stay as they are."""
    scans = tmp_path / "boxes"
    for name in ("box 7/1.png", "box 7/inner/2.png", "3.png"):
        draw_scan(scans / name, len(name))
    draw_scan(tmp_path / "private" / "4.png", 4)
    (scans / "link").symlink_to(tmp_path / "private")
    (scans / "box 7" / "fail.png").write_bytes(b"no picture")
    before = {path: path.read_bytes() for path in scans.rglob("*.png")}
    with service(folder, scans=scans) as client:
        told = client.get("/v1/scans").json()["items"]
        assert [(one["folder"], one["pictures"]) for one in told] == [(".", 1), ("box 7", 2), ("box 7/inner", 1)]
        for name in ("..", "../private", "link", "/", str(tmp_path / "private"), "box 7/../box 7"):
            check_problem(client.post("/v1/lots/folder", json={"folder": name}), 404, "no_such_folder")
        as_text = client.post("/v1/lots/folder", content=b"{}", headers={"Content-Type": "text/plain"})
        check_problem(as_text, 415, "not_json")
        made = client.post("/v1/lots/folder", json={"folder": "box 7"}).json()
        assert (made["name"], made["items"]["queued"]) == ("box 7", 3)
        until(lambda: done(client, made["lot_id"]))
        (failed,) = client.get(f"/v1/lots/{made['lot_id']}/items?state=failed").json()["items"]
        assert (failed["name"], str(tmp_path) in failed["message"]) == ("fail.png", False)
        draw_scan(scans / "box 7" / "5.png", 5)
        again = client.post("/v1/lots/folder", json={"folder": "box 7"}).json()
        assert (again["lot_id"], sum(again["items"].values())) == (made["lot_id"], 4)
    assert {path: path.read_bytes() for path in before} == before
    with service(folder, scans=folder.parent) as client:  # the catalogue lies there: its pictures are no scans
        assert [one["folder"] for one in client.get("/v1/scans").json()["items"]] == ["."]
    with service(folder) as client:
        assert client.get("/v1/scans").json()["items"] == []
        check_problem(client.post("/v1/lots/folder", json={"folder": "."}), 404, "no_such_folder")


def test_people_take_turns(catalogue: Catalogue, tmp_path: Path) -> None:
    """Whoever was served longest ago comes next, however much the others have sent."""
    settings = Settings()
    for who, count in (("Ada", 6), ("Bo", 2), ("Cy", 1)):
        lot = store.make_lot(catalogue, who, who, who, [], {"sides": "none"}, served=True)
        sent = [Sent(f"{who}{k}.png", draw_scan(tmp_path / f"{who}{k}.png", ord(who[0]) + k).read_bytes())
                for k in range(count)]  # fmt: skip
        assert receive(catalogue, lot, sent, settings) == count
        assert receive(catalogue, lot, sent[:1], settings) == 0
    lots = LotQueue(catalogue, settings)
    order = []
    while (item := lots.take()) is not None:
        order.append(item.name[:-5])
        lots.keep(item, work(Job(item.name, item.path)).answer)
    assert order == ["Ada", "Bo", "Cy", "Ada", "Bo", "Ada", "Ada", "Ada", "Ada"]


def test_a_photo_is_out_once(catalogue: Catalogue, tmp_path: Path) -> None:
    lot = store.make_lot(catalogue, "k", "box", "Ada", [], {"sides": "none"}, served=True)
    data = draw_scan(tmp_path / "a.png", 1).read_bytes()
    receive(catalogue, lot, [Sent("a.png", data), Sent("b.png", data)], Settings())
    lots = LotQueue(catalogue, Settings())
    first = lots.take()
    assert first is not None
    assert lots.take() is None  # the other holds the same
    lots.give_back(first)
    again = lots.take()
    assert again == first
    assert lots.keep(first, work(Job("a.png", first.path)).answer)
    assert store.counts(catalogue, lot.lot_id)["done"] == 2
    assert lots.unfinished() == (lot.lot_id,)
    lots.finish(lot.lot_id)
    assert lots.unfinished() == ()


def test_the_queue_is_decided_over_http(client: TestClient, folder: Path, tmp_path: Path) -> None:
    lot_id = send(client, photos(tmp_path, "a.png", "b.png")).json()["lot_id"]
    until(lambda: done(client, lot_id))
    page = client.get(f"/v1/lots/{lot_id}/review/queue")
    assert (page.json()["total"], page.json()["cards"]) == (2, 2)
    case = page.json()["items"][0]
    wish = {"action": "choose", "card": case["card"], "record_id": "V001", "by": "Ada Quill"}

    def decide(key: str | None, tag: str | None, **body: Any) -> Any:
        told = {"Idempotency-Key": key, "If-Match": tag}
        headers = {name: value for name, value in told.items() if value is not None}
        return client.post(f"/v1/lots/{lot_id}/review", json=body, headers=headers)

    check_problem(decide(None, case["etag"], **wish), 400, "key_needed")
    check_problem(decide("d1", None, **wish), 428, "precondition_needed")
    check_problem(decide("d1", '"other"', **wish), 412, "changed_since")
    made = decide("d1", case["etag"], **wish)
    assert made.status_code == 201, made.text
    assert [row["by"] for row in made.json()["decisions"]] == ["Ada Quill"]
    assert decide("d1", case["etag"], **wish).json() == made.json()  # asked twice, done once
    check_problem(decide("d1", case["etag"], **{**wish, "record_id": "V002"}), 422, "bad_key")
    check_problem(decide("d2", "*", **wish), 409, "already_decided")
    other = page.json()["items"][1]
    check_problem(
        decide("d3", other["etag"], **{**wish, "card": other["card"], "record_id": "no"}), 404, "no_such_record"
    )
    assert decide("d4", other["etag"], action="skip", card=other["card"]).json() == {"decisions": []}
    assert decide("d5", other["etag"], action="reject", card=other["card"]).status_code == 201
    assert client.get(f"/v1/lots/{lot_id}/review/queue").json()["total"] == 0
    tag = client.get(f"/v1/lots/{lot_id}/review/queue").headers["etag"]
    undone = decide("d6", tag, action="undo", whole=True)
    assert undone.status_code == 201, undone.text
    assert client.get(f"/v1/lots/{lot_id}/review/queue").json()["total"] == 2
    with Catalogue.open(folder) as catalogue:
        assert check(catalogue) == ()


def test_lots_need_a_token_that_may_decide(folder: Path, tmp_path: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        reader, decider = make_token(catalogue, "Ada", "read"), make_token(catalogue, "Bo", "decide")
    with service(folder, tokens_needed=True) as client:
        files = photos(tmp_path, "a.png")
        check_problem(send(client, files), 401, "no_token")
        check_problem(send(client, files, Authorization=f"Bearer {reader}"), 403, "not_allowed")
        sent = send(client, files, Authorization=f"Bearer {decider}").json()
        assert sent["who"] == "Bo"
        check_problem(client.get("/v1/lots"), 401, "no_token")
        until(lambda: done(client, sent["lot_id"], Authorization=f"Bearer {reader}"))
