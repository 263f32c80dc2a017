"""Whole catalogues over HTTP: bags, backups, logs and tables out and in; on both databases."""

from __future__ import annotations

import functools
import hashlib
import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bagit
import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.exchange import importing
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.zipped import unzip
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.tokens import make_token
from tests.support import fake_work
from tests.support.enrolling import draw, row, whole_image, write_table
from tests.support.service import check_problem
from tests.support.zips import unzipped, zipped


def serve(folder: Path, **settings: Any) -> TestClient:
    chosen = ServiceSettings(catalogue=folder, **{"workers": 1, **settings})
    return TestClient(create_app(chosen, work=fake_work.obey, **fake_work.QUICK))


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with serve(folder) as client:
        yield client


@pytest.fixture
def empty(database: str, tmp_path: Path) -> Iterator[TestClient]:
    """A service on a catalogue that holds nothing yet."""
    Catalogue.open(tmp_path / "empty", create=True).close()
    with serve(tmp_path / "empty") as client:
        yield client


def tag(client: TestClient) -> str:
    return str(client.get("/v1/decisions").headers["etag"])


def bring(client: TestClient, what: str, if_match: str | None = "*", query: Any = None, **files: bytes) -> Any:
    headers = {} if if_match is None else {"If-Match": if_match}
    sent = {name: (f"{name}.bin", data) for name, data in files.items()}
    return client.post(f"/v1/imports/{what}", files=sent, headers=headers, params=query)


# Out, and in again


def test_a_bag_goes_out_and_comes_in_as_the_same(client: TestClient, empty: TestClient, tmp_path: Path) -> None:
    sent = client.get("/v1/exports/catalogue.zip")
    assert sent.headers["content-type"] == "application/zip"
    assert client.get("/v1/exports/catalogue.zip").content == sent.content  # the same catalogue, the same bytes
    unzip(io.BytesIO(sent.content), tmp_path)
    bagit.Bag(str(tmp_path / "platekin-catalogue")).validate()  # RFC 8493, by the Library of Congress' bagit

    seen = tag(empty)
    done = bring(empty, "bag", seen, bag=sent.content)
    assert done.status_code == 200, done.text
    assert done.json() == {"decisions": 4, "lacking": 0}
    assert done.headers["etag"] == tag(empty) != seen
    assert empty.get("/v1/exports/catalogue.zip").content == sent.content
    assert empty.get("/v1/check").json() == {"troubles": []}
    check_problem(bring(empty, "bag", seen, bag=sent.content), 412, "changed_since")  # sent twice, done once
    assert bring(empty, "bag", bag=sent.content).json()["decisions"] == 0


def test_a_backup_is_a_catalogue(client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    listed = client.get("/v1/records").json()
    unzip(io.BytesIO(client.get("/v1/backup.zip").content), tmp_path)
    monkeypatch.undo()  # the copy is an SQLite catalogue, whatever the first one is
    with Catalogue.open(tmp_path / "platekin-catalogue") as copy:
        assert check(copy) == ()
    with serve(tmp_path / "platekin-catalogue") as again:
        assert again.get("/v1/records").json() == listed


def test_a_log_is_played(client: TestClient, empty: TestClient) -> None:
    log = client.get("/v1/exports/decisions.jsonl").content
    assert bring(empty, "log", log=log).json() == {"decisions": 4, "lacking": 6}
    assert empty.get("/v1/exports/decisions.jsonl").content == log


def test_a_table_is_previewed_and_enrolled(
    client: TestClient, scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "enrol", functools.partial(enrol, prepare=whole_image, workers=0))
    draw(scans / "new.png", 70)
    rows = [row(4, "scans/new.png"), row(5, "scans/none.png"), row(0, "scans/scan0.png", caption="other")]
    table = write_table(tmp_path / "t.csv", rows).read_bytes().replace(b"subject", b"Sitter", 1)
    pictures = zipped({f"scans/{name}": (scans / name).read_bytes() for name in ("new.png", "scan0.png")})

    seen = bring(client, "table/preview", None, table=table).json()
    assert seen["lacking"] == ["subject"]
    assert (seen["total"], seen["columns"][1]) == (3, {"theirs": "Sitter", "ours": None})
    query = {"column": "Sitter=subject", "by": "Ada Quill"}
    seen = bring(client, "table/preview", None, {"column": "Sitter=subject"}, table=table).json()
    assert (seen["lacking"], seen["rows"][0]["subject"]) == ([], "Sitter 2")
    assert client.get("/v1/records").json()["total"] == 4  # a preview stores nothing

    before = tag(client)
    done = bring(client, "table", before, query, table=table, pictures=pictures)
    assert done.status_code == 200, done.text
    told = done.json()
    assert (told["added"], told["unchanged"], told["records"]) == (1, 0, 5)
    assert [(failed["line"], failed["code"]) for failed in told["failed"]] == [(3, "missing_file"), (4, "clash")]
    assert all(failed["remedy"] for failed in told["failed"])
    assert "/tmp" not in done.text
    assert client.get("/v1/decisions").json()["items"][0]["by"] == "Ada Quill"
    check_problem(bring(client, "table", before, query, table=table, pictures=pictures), 412, "changed_since")
    assert bring(client, "table", "*", query, table=table, pictures=pictures).json()["unchanged"] == 1
    assert client.get("/v1/check").json() == {"troubles": []}


# What is refused, and leaves everything as it was


def lose(files: dict[str, bytes], end: str) -> dict[str, bytes]:
    return {name: data for name, data in files.items() if not name.endswith(end)}


def alter(files: dict[str, bytes], end: str) -> dict[str, bytes]:
    return {name: data + b"x" if name.endswith(end) else data for name, data in files.items()}


@pytest.mark.parametrize(
    ("harm", "fault"),
    [
        (lambda files: lose(files, ".png"), "missing"),
        (lambda files: alter(files, ".png"), "changed"),
        (lambda files: alter(files, "data/records.csv"), "changed"),
        (lambda files: {**files, "platekin-catalogue/data/more.txt": b"x"}, "unlisted"),
        (lambda files: lose(files, "bagit.txt"), None),
        (lambda files: {"readme.txt": b"no bag"}, None),
    ],
)
def test_a_damaged_bag_brings_nothing(
    client: TestClient, empty: TestClient, harm: Callable[[dict[str, bytes]], dict[str, bytes]], fault: str | None
) -> None:
    damaged = zipped(harm(unzipped(client.get("/v1/exports/catalogue.zip").content)))
    before = tag(empty)
    body = check_problem(bring(empty, "bag", bag=damaged), 422, "bad_bag")
    assert "/tmp" not in json.dumps(body)
    if fault:
        assert {error["detail"] for error in body["errors"]} == {fault}
    assert tag(empty) == before


def test_another_catalogues_log_or_bag_is_refused(client: TestClient, empty: TestClient, scans: Path) -> None:
    with Catalogue.open(scans / "other", create=True) as other:
        other.close()
    with serve(scans / "other") as other_client:
        bag = other_client.get("/v1/exports/catalogue.zip").content
        log = other_client.get("/v1/exports/decisions.jsonl").content
    before = tag(client)
    check_problem(bring(client, "bag", bag=bag), 409, "another_catalogue")
    check_problem(bring(client, "log", log=log), 409, "another_catalogue")
    mine = client.get("/v1/exports/decisions.jsonl").content
    body = check_problem(bring(empty, "log", log=mine.replace(b"Sitter 0", b"Sitter 9")), 422, "bad_log")
    assert "line 2" in body["detail"]
    assert "/tmp" not in body["detail"]
    check_problem(bring(empty, "log", log=mine[: len(mine) // 2]), 422, "bad_log")
    check_problem(bring(empty, "log", log=b""), 422, "bad_log")
    newer = mine.replace(b'"version":1', b'"version":2', 1)
    assert newer != mine
    check_problem(bring(empty, "log", log=newer), 503, "newer_version")
    assert tag(client) == before


GOOD = b"record_id,subject,pose,crop,caption,image\n"


@pytest.mark.parametrize(
    ("table", "status", "code"),
    [
        (b"", 422, "missing_column"),
        (GOOD, 422, "empty_table"),
        (GOOD + b'V1,a,b,c,"d,e\n', 422, "not_csv"),
        (GOOD + b"V1,Zo\xeb\0\1,b,c,d,e\n", 422, "not_utf8"),
        (GOOD.replace(b"image", b"image,image"), 422, "duplicate_column"),
        (GOOD + b"V9,a,P9,A,d,../../etc/hostname\n", 422, "validation"),
        (GOOD + b"V9,a,P9,A,d,/etc/hostname\n", 422, "validation"),
        (b"x" * 100_000_001, 413, "table_too_large"),
    ],
)
def test_a_broken_table_brings_nothing(client: TestClient, table: bytes, status: int, code: str) -> None:
    before = tag(client)
    body = check_problem(bring(client, "table", table=table), status, code)
    assert "/tmp" not in json.dumps(body)
    assert tag(client) == before


def test_formulas_in_a_table_stay_text(client: TestClient, scans: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importing, "enrol", functools.partial(enrol, prepare=whole_image, workers=0))
    pictures = zipped({draw(scans / "new.png", 70): (scans / "new.png").read_bytes()})
    table = GOOD + b'V9,a,P9,A,"=HYPERLINK(""x"")",new.png\n'
    assert bring(client, "table", table=table, pictures=pictures).json()["added"] == 1
    assert client.get("/v1/records/V9").json()["caption"] == '=HYPERLINK("x")'
    assert b"\"'=HYPERLINK" in client.get("/v1/exports/records.csv").content


def test_imports_have_a_limit_of_their_own(folder: Path) -> None:
    with serve(folder, max_body_bytes=1000, max_import_bytes=5000, max_unpacked_bytes=10_000) as client:
        check_problem(bring(client, "bag", bag=b"x" * 6000), 413, "body_too_large")
        check_problem(bring(client, "bag", bag=b"x" * 3000), 422, "bad_zip")
        check_problem(bring(client, "bag", bag=zipped({"a": b"0" * 20_000})), 413, "zip_too_large")
        check_problem(client.post("/v1/identify", files={"photo": b"x" * 3000}), 413, "body_too_large")


def test_one_import_at_a_time_and_none_unseen(client: TestClient) -> None:
    check_problem(bring(client, "log", None, log=b"x"), 428, "precondition_needed")
    service: Any = client.app.state.service  # type: ignore[attr-defined]
    with service.importing:
        check_problem(bring(client, "log", log=b"x"), 429, "busy")
    check_problem(bring(client, "log", log=b"x"), 422, "bad_log")  # the place is free again


def test_a_lost_picture_is_told_before_a_download_begins(client: TestClient, folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        catalogue.image_path(catalogue.references()[0]).unlink()
    for address in ("/v1/exports/catalogue.zip", "/v1/backup.zip"):
        check_problem(client.get(address), 500, "damaged")


def test_a_picture_that_changed_breaks_the_download_off(client: TestClient, folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        catalogue.image_path(catalogue.references()[0]).write_bytes(b"another")
    with pytest.raises(RuntimeError, match="response already started"):  # a server closes the connection
        client.get("/v1/exports/catalogue.zip")


def test_whole_catalogues_are_for_who_may_manage(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        token = make_token(catalogue, "Bo", "decide")
    with serve(folder, tokens_needed=True) as client:
        client.headers["Authorization"] = f"Bearer {token}"
        for address in ("/v1/exports/catalogue.zip", "/v1/backup.zip"):
            check_problem(client.get(address), 403, "not_allowed")
        for what in ("bag", "log", "table", "table/preview"):
            check_problem(bring(client, what, bag=b"x"), 403, "not_allowed")


def test_a_full_disk_brings_nothing(client: TestClient, empty: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk for unpacking has less room than the zip says it needs."""
    packed = client.get("/v1/exports/catalogue.zip").content
    before = tag(empty)
    monkeypatch.setattr("matcher.catalogue.exchange.zipped.shutil.disk_usage", lambda _: type("", (), {"free": 1000})())
    check_problem(bring(empty, "bag", bag=packed), 507, "disk_full")
    assert tag(empty) == before


def test_the_log_says_who_sent_a_table(scans: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importing, "enrol", functools.partial(enrol, prepare=whole_image, workers=0))
    with Catalogue.open(folder) as catalogue:
        token = make_token(catalogue, "Ada Quill", "manage")
    name = draw(scans / "new.png", 71)
    table = write_table(scans / "t.csv", [row(6, name)]).read_bytes()
    with serve(folder, tokens_needed=True) as client:
        client.headers["Authorization"] = f"Bearer {token}"
        pictures = zipped({name: (scans / name).read_bytes()})
        assert bring(client, "table", "*", {"by": "Somebody"}, table=table, pictures=pictures).status_code == 200
        newest = client.get("/v1/decisions").json()["items"][0]
    assert (newest["by"], newest["action"]) == ("Ada Quill", "enrol")
    assert hashlib.sha256((scans / name).read_bytes()).hexdigest() in json.dumps(newest["changes"])
