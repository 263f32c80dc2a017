"""Finds and decisions over HTTP: pages, filters, ETags, keys, tokens; on both databases."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.tokens import make_token, revoke_token, tokens
from matcher.core.answer import CardResult, PhotoAnswer
from matcher.core.versions import versions
from matcher.jobs.job import JobResult
from tests.support import fake_work
from tests.support.cards import a_find, card, photo_answer
from tests.support.service import check_problem


def work(job: Any) -> JobResult:
    """A worker that takes every photo for one card of a new crop."""
    return answered(job, card("new_crop", 276, 480, pose="P000"))


def answered(job: Any, shown: CardResult) -> JobResult:
    digest = hashlib.sha256(job.source).hexdigest()
    return JobResult(PhotoAnswer(job.name, digest, 3024, 4032, None, (shown,), versions()))


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    app = create_app(
        ServiceSettings(catalogue=folder, workers=1),
        work=work,
        make_pool=fake_work.threads,
        make_pictures=fake_work.decoders,
    )
    with TestClient(app) as client:
        yield client


@pytest.fixture
def guarded(folder: Path) -> Iterator[TestClient]:
    settings = ServiceSettings(catalogue=folder, workers=1, tokens_needed=True)
    with TestClient(create_app(settings, work=work, **fake_work.QUICK)) as client:
        yield client


def decide(client: TestClient, tag: str | None, key: str | None, headers: Any = None, **body: Any) -> Any:
    told = {"If-Match": tag, "Idempotency-Key": key, **(headers or {})}
    return client.post("/v1/decisions", json=body, headers={k: v for k, v in told.items() if v is not None})


def tag_of(client: TestClient, address: str) -> str:
    return str(client.get(address).headers["etag"])


def test_a_find_is_proposed_accepted_and_undone(client: TestClient, scans: Path, folder: Path) -> None:
    path, _ = photo_answer(scans, 70, "new_crop")
    files = {"photo": ("a.png", path.read_bytes(), "image/png")}
    check_problem(client.post("/v1/finds", files=files), 400, "key_needed")
    made = client.post("/v1/finds", files=files, headers={"Idempotency-Key": "k1"})
    assert made.status_code == 201
    assert [item["find_id"] for item in made.json()["items"]] == ["F00001"]
    again = client.post("/v1/finds", files=files, headers={"Idempotency-Key": "k1"})
    assert again.json() == made.json()
    assert client.get("/v1/finds/F00001/image").headers["content-type"] == "image/jpeg"

    seen = tag_of(client, "/v1/finds/F00001")
    wish = {"action": "accept", "find_id": "F00001", "caption": "Oakmere", "by": "Ada Quill"}
    check_problem(decide(client, seen, None, **wish), 400, "key_needed")
    check_problem(decide(client, None, "k2", **wish), 428, "precondition_needed")
    check_problem(decide(client, '"other"', "k2", **wish), 412, "changed_since")
    done = decide(client, seen, "k2", **wish)
    assert done.status_code == 201, done.text
    assert (done.json()["actor"], done.json()["by"]) == ("person", "Ada Quill")
    assert decide(client, seen, "k2", **wish).json() == done.json()  # asked twice, done once
    check_problem(decide(client, seen, "k2", **{**wish, "caption": "x"}), 422, "bad_key")
    check_problem(decide(client, seen, "k3", **wish), 412, "changed_since")
    body = check_problem(decide(client, tag_of(client, "/v1/finds/F00001"), "k3", **wish), 409, "already_decided")
    assert "F00001 is accepted already" in body["detail"]
    assert client.get("/v1/records/V004").json()["caption"] == "Oakmere"

    undone = decide(client, tag_of(client, "/v1/decisions"), "k4", action="undo", number=done.json()["number"])
    assert undone.status_code == 201, undone.text
    check_problem(client.get("/v1/records/V004"), 404, "no_such_record")
    assert client.get(f"/v1/decisions/{done.json()['number']}").json()["standing"] is False
    assert client.get("/v1/check").json() == {"troubles": []}
    with Catalogue.open(folder) as catalogue:
        assert check(catalogue) == ()


def seeing(job: Any) -> JobResult:
    """A worker that takes every photo for a card of V000, perhaps the very one of reference 1."""
    known = card("known", 276, 480, pose="P000", crop="A", record_id="V000", confidence={"copy": 0.9, "crop": 0.9})
    return answered(job, known)


def test_a_known_card_is_noted_as_seen_and_joined_to_its_copy(folder: Path, scans: Path) -> None:
    path, _ = photo_answer(scans, 72, "known")
    files = {"photo": ("a.png", path.read_bytes(), "image/png")}
    asked = {"source": "album 3", "seen_on": "1987-05", "by": "Ada Quill"}
    with TestClient(
        create_app(
            ServiceSettings(catalogue=folder, workers=1),
            work=seeing,
            make_pool=fake_work.threads,
            make_pictures=fake_work.decoders,
        )
    ) as client:
        check_problem(client.post("/v1/sightings", files=files), 400, "key_needed")
        key = {"Idempotency-Key": "s1"}
        wrong = client.post("/v1/sightings", files=files, headers=key, params={"seen_on": "last May"})
        check_problem(wrong, 422, "bad_day")
        made = client.post("/v1/sightings", files=files, headers=key, params=asked)
        assert made.status_code == 201, made.text
        assert (made.json()["decision"]["by"], made.json()["decision"]["action"]) == ("Ada Quill", "see")
        assert made.json()["records"] == ["V000"]
        assert client.post("/v1/sightings", files=files, headers=key, params=asked).json() == made.json()
        check_problem(client.post("/v1/sightings", files=files, headers=key), 422, "bad_key")
        again = client.post("/v1/sightings", files=files, headers={"Idempotency-Key": "s2"}, params=asked)
        assert again.json() == {"decision": None, "records": [], "pages": 1}  # that card of that photo is noted already
        assert client.get("/v1/sightings/1/image").headers["content-type"] == "image/jpeg"
        check_problem(client.get("/v1/sightings/9/image"), 404, "no_such_sighting")
        joined = decide(client, "*", "s3", action="join_copy", kind="sighting", number=1)
        assert joined.status_code == 201, joined.text
        seen = {row["record"]: row for row in client.get("/v1/scarcity").json()["items"]}["V000"]
        assert (seen["seen"], seen["at_most"]) == (3, 2)  # two references, and a sighting of the first one's card
        plot = client.get("/v1/scarcity.svg")
    assert plot.headers["content-type"].startswith("image/svg+xml")
    assert b"<svg" in plot.content


def test_lost_updates_are_refused(client: TestClient) -> None:
    seen = tag_of(client, "/v1/records/V000")
    first = decide(client, seen, "a", action="edit", record_id="V000", fields={"note": "first"})
    assert first.status_code == 201, first.text
    check_problem(
        decide(client, seen, "b", action="edit", record_id="V000", fields={"note": "x"}), 412, "changed_since"
    )
    assert client.get("/v1/records/V000").json()["note"] == "first"


@pytest.mark.parametrize(
    ("wish", "status", "code"),
    [
        ({"action": "fly"}, 422, "validation"),
        ({"action": "accept"}, 422, "validation"),
        ({"action": "edit", "record_id": "V000", "fields": {"colour": "x"}}, 422, "validation"),
        ({"action": "reject", "find_id": "F9", "surprise": 1}, 422, "validation"),
        ({"action": "reject", "find_id": "F9"}, 404, "no_such_find"),
        ({"action": "undo", "number": 99}, 404, "no_such_decision"),
        ({"action": "merge_records", "record_id": "V000", "into": "V999"}, 404, "no_such_record"),
        ({"action": "split_pose", "pose": "P000", "new_pose": "P001", "records": ["V000"]}, 409, "clash"),
    ],
)
def test_what_cannot_be_decided(client: TestClient, wish: dict[str, Any], status: int, code: str) -> None:
    check_problem(decide(client, "*", "k", **wish), status, code)


@pytest.mark.parametrize(
    "wish",
    [
        {"action": "edit", "record_id": "V000", "fields": {"caption": "put right"}},
        {"action": "remove", "record_id": "V003"},
        {"action": "merge_records", "record_id": "V001", "into": "V000"},
        {
            "action": "split_record",
            "record_id": "V000",
            "references": [2],
            "new_record_id": "V9",
            "fields": {"crop": "Z"},
        },
        {"action": "split_pose", "pose": "P000", "new_pose": "P9", "records": ["V001"]},
        {"action": "merge_subjects", "subject": "Sitter 1", "into": "Sitter 0"},
        {"action": "spelling", "subject": "Sitter 1", "spelling": "Siter 1"},
        {"action": "series", "series": "S1", "fields": {"title": "x"}},
        {"action": "format", "format": "carte de visite", "records": ["V000"]},
        {"action": "join_copy", "kind": "reference", "number": 5, "copy": "mine"},
        {"action": "part_copy", "kind": "reference", "number": 1},
    ],
)
def test_each_kind_of_decision_can_be_made_and_undone(client: TestClient, wish: dict[str, Any]) -> None:
    before = client.get("/v1/exports/records.csv").content
    done = decide(client, "*", "one", **wish)
    assert done.status_code == 201, done.text
    number = done.json()["number"]
    assert decide(client, "*", "two", action="undo", number=number).status_code == 201
    assert client.get("/v1/exports/records.csv").content == before
    assert decide(client, "*", "three", action="redo", number=number).status_code == 201


def test_pages_and_filters(client: TestClient, folder: Path, scans: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        for seed in range(3):
            a_find(catalogue, scans, 80 + seed, "new_pose" if seed else "new_crop")
    page = client.get("/v1/finds", params={"outcome": "new_pose", "limit": 1, "offset": 1}).json()
    assert (page["total"], [item["find_id"] for item in page["items"]]) == (2, ["F00003"])
    page = client.get("/v1/decisions", params={"actor": "machine", "limit": 2}).json()
    assert [item["action"] for item in page["items"]] == ["propose", "propose"]
    assert client.get("/v1/search", params={"name": "siter 1"}).json()["items"][0]["record"]["subject"] == "Sitter 1"
    assert client.get("/v1/scarcity").json()["total"] == 4
    done = decide(client, tag_of(client, "/v1/series"), "s", action="series", series="S1", fields={"title": "Oakmere"})
    assert done.status_code == 201, done.text
    assert decide(client, "*", "t", action="edit", record_id="V002", fields={"series": "S2"}).status_code == 201
    page = client.get("/v1/series", params={"limit": 1}).json()
    assert (page["total"], page["items"][0]["title"], page["items"][0]["records"]) == (2, "Oakmere", 0)
    assert client.get("/v1/series", params={"offset": 1}).json()["items"][0]["records"] == 1
    page = client.get("/v1/records", params={"series": "S2"}).json()
    assert [item["record_id"] for item in page["items"]] == ["V002"]
    assert client.get("/v1/gaps").json()["total"] > 0
    assert [row["format"] for row in client.get("/v1/formats").json()][:2] == ["insert", "carte de visite"]
    assert client.get("/v1/exports/decisions.jsonl").content.count(b"\n") == 10
    check_problem(client.get("/v1/exports/secrets.csv"), 422, "validation")
    check_problem(client.get("/v1/finds", params={"state": "lost"}), 422, "validation")


def test_beyond_this_machine_tokens_are_needed(guarded: TestClient, folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        given = {scope: make_token(catalogue, f"who may {scope}", scope) for scope in ("read", "decide", "manage")}
        assert [row.name for row in tokens(catalogue)] == ["who may decide", "who may manage", "who may read"]
    for address in ("/v1/records", "/v1/health", "/v1/finds", "/v1/exports/records.csv"):
        response = guarded.get(address)
        check_problem(response, 401, "no_token")
        assert response.headers["www-authenticate"].startswith("Bearer")
    bearer = {scope: {"Authorization": f"Bearer {token}"} for scope, token in given.items()}
    assert guarded.get("/v1/records", headers=bearer["read"]).status_code == 200
    check_problem(guarded.get("/v1/records", headers={"Authorization": "Bearer pk_x"}), 401, "no_token")
    part = {"action": "part_copy", "kind": "reference", "number": 1}
    check_problem(decide(guarded, "*", "a", bearer["read"], **part), 403, "not_allowed")
    done = decide(guarded, "*", "b", bearer["decide"], **part, by="Somebody Else")
    assert done.json()["by"] == "who may decide"  # the token's own name counts
    edit = {"action": "edit", "record_id": "V000", "fields": {"note": "x"}}
    check_problem(decide(guarded, "*", "c", bearer["decide"], **edit), 403, "not_allowed")
    assert decide(guarded, "*", "d", bearer["manage"], **edit).status_code == 201
    check_problem(guarded.get("/v1/check", headers=bearer["decide"]), 403, "not_allowed")
    with Catalogue.open(folder) as catalogue:
        revoke_token(catalogue, "who may read")
        with catalogue.reading() as connection:
            stored = str(connection.exec_driver_sql("SELECT * FROM tokens").all())
    assert given["manage"] not in stored
    check_problem(guarded.get("/v1/records", headers=bearer["read"]), 401, "no_token")
