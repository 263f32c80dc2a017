"""What stands before everything: tokens, sizes, shapes, faults told, sites, hosts; and the rights that tokens give.

Review of security, findings 1, 6, 17, 18; OWASP ASVS 4.0, V3, V5.1, V12.1.
"""

from __future__ import annotations

import json
import shutil
import stat
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from anyio import to_thread
from sqlalchemy import update
from typer.testing import CliRunner

from api import board, middleware
from api.middleware import UPLOADS
from matcher.catalogue import Catalogue
from matcher.catalogue.tables.service import SignedIn, Token
from matcher.catalogue.tokens import make_token, renew_token, revoke_token, tokens
from matcher.cli import app
from matcher.core.errors import CatalogueError, PlatekinError
from matcher.core.parallel.cluster import Cluster
from tests.support.service import check_problem, send, service, wait_until


@pytest.fixture
def folder(library: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(library, tmp_path / "copy"))


def bearer(folder: Path, scope: Any = "manage", name: str = "Ada") -> dict[str, str]:
    with Catalogue.open(folder) as catalogue:
        return {"Authorization": f"Bearer {make_token(catalogue, name, scope)}"}


def split(references: int) -> bytes:
    body = {"action": "split_record", "record_id": "V000", "new_record_id": "x", "references": [""] * references}
    return json.dumps(body).encode()


def test_without_a_token_nothing_of_a_body_is_read(folder: Path) -> None:
    with service(folder, tokens_needed=True) as client:

        def endless() -> Any:
            yield b'{"action":"split_record",'
            raise AssertionError("the body was read")

        for address in ("/v1/decisions", "/v1/identify", "/v1/lots", "/v1/imports/bag", "/v1/comparisons"):
            check_problem(client.post(address, content=split(20)), 401, "no_token")
        response = client.post("/v1/session", content=b'{"token": "' + b"x" * 300_000 + b'"}')
        check_problem(response, 413, "body_too_large")


def test_what_is_no_file_is_small(folder: Path) -> None:
    """3 MB of JSON without a token stopped the service for 19 s and took 1.7 GB."""
    with service(folder) as client:
        for address in ("/v1/decisions", "/v1/session", "/v1/lots/L00001/review", "/v1/lots/folder"):
            response = client.post(address, content=split(100_000), headers={"Content-Type": "application/json"})
            check_problem(response, 413, "body_too_large")
        assert send(client, b"x" * 1_000_000).status_code == 200


def test_all_that_fits_is_answered_briefly(folder: Path) -> None:
    strange = {f"k{n}": 1 for n in range(20_000)}
    bodies = [
        split(80_000), json.dumps({"action": "undo", "number": 1, **strange}).encode(), b"[" * 200_000,
        json.dumps({"action": "merge_poses", "pose": "a", "into": "b", "crops": dict.fromkeys(strange, "")}).encode(),
        json.dumps({"action": "edit", "record_id": "V000", "fields": {"note": "\ud800"}}).encode(),
    ]  # fmt: skip
    headers = {"Content-Type": "application/json", "Idempotency-Key": "k", "If-Match": "*"}
    with service(folder) as client:
        for body in bodies:
            response = client.post("/v1/decisions", content=body[:262_000], headers=headers)
            assert response.status_code in (400, 422), response.text[:300]
            assert len(response.content) < 20_000
            assert len(response.json().get("errors", [])) <= 20  # each costs time and memory: of 80,000, 19 s
        response = client.post("/v1/session", content=json.dumps({"token": "x", **strange})[:262_000], headers=headers)
        assert len(response.content) < 20_000


def test_files_are_only_sent_where_they_are_taken(folder: Path) -> None:
    with service(folder) as client:
        described = client.get("/openapi.json").json()["paths"]
    for path, methods in described.items():
        takes = any("multipart/form-data" in m.get("requestBody", {}).get("content", {}) for m in methods.values())
        concrete = path.replace("{lot_id}", "L00001").replace("{find_id}", "F1")
        assert bool(UPLOADS.fullmatch(concrete)) == takes or (path == "/v1/lots" and takes), path


def test_one_machine_cannot_take_all_places_for_files(folder: Path) -> None:
    with service(folder, uploads_at_once=1, uploads_apiece=1, tokens_needed=False) as client:
        assert send(client, b"a card").status_code == 200  # the place is free again when the body is whole
        assert send(client, b"a card").status_code == 200


def test_other_sites_pages_do_not_even_make_work(folder: Path) -> None:
    """`/v1/backup.zip` and `/v1/check` did run for a foreign page, although it could not read them."""
    with service(folder) as client:
        for site in ("cross-site", "same-site"):
            for address in ("/v1/backup.zip", "/v1/check", "/v1/exports/catalogue.zip", "/v1/records"):
                response = client.get(address, headers={"Sec-Fetch-Site": site})
                check_problem(response, 403, "cross_site")
            assert client.get("/", headers={"Sec-Fetch-Site": site}).status_code == 200  # a link to the page
        assert client.get("/v1/records", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 200
        assert client.get("/v1/records", headers={"Sec-Fetch-Site": "none"}).status_code == 200


def test_only_whole_names_of_ours_are_answered(folder: Path) -> None:
    with service(folder, allowed_hosts=("localhost", "127.0.0.1", "::1")) as client:
        for host in ("localhost", "LOCALHOST:8760", "127.0.0.1:1", "[::1]", "[::1]:8760"):
            assert client.get("/v1/health", headers={"Host": host}).status_code == 200, host
        for host in ("[::1]evil", "[::1]:x", "localhost.evil", "evil", "::1", "localhost:8760@evil", ""):
            check_problem(client.get("/v1/health", headers={"Host": host}), 421, "unknown_host")


def test_a_cookie_is_no_token_and_ends(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        token = make_token(catalogue, "Ada", "read")
    with service(folder, tokens_needed=True) as client:
        check_problem(client.get("/v1/records"), 401, "no_token")
        signed = client.post("/v1/session", json={"token": token})
        assert signed.status_code == 201
        secret = client.cookies["platekin_session"]
        assert secret != token
        assert "httponly" in signed.headers["set-cookie"].lower()
        assert client.get("/v1/records").status_code == 200
        headers = {"Authorization": f"Bearer {secret}"}
        check_problem(client.get("/v1/records", headers=headers), 401, "no_token")  # nor is it good as one
        kept = dict(client.cookies)
        assert client.delete("/v1/session").status_code == 204
        client.cookies.update(kept)  # whoever has copied it
        check_problem(client.get("/v1/records"), 401, "no_token")
        client.post("/v1/session", json={"token": token})
        with Catalogue.open(folder) as catalogue, catalogue.noting() as connection:
            connection.execute(update(SignedIn).values(expires_at=datetime.now(UTC) - timedelta(seconds=1)))
        check_problem(client.get("/v1/records"), 401, "no_token")
        client.post("/v1/session", json={"token": token})
        with Catalogue.open(folder) as catalogue:
            revoke_token(catalogue, "Ada")
        check_problem(client.get("/v1/records"), 401, "no_token")


def test_tokens_end_are_renewed_and_tell_their_last_use(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        old = make_token(catalogue, "Ada", "read", days=1)
        assert [row.used_at for row in tokens(catalogue)] == [None]
    with service(folder, tokens_needed=True) as client, Catalogue.open(folder) as catalogue:
        ask = lambda token: client.get("/v1/records", headers={"Authorization": f"Bearer {token}"})  # noqa: E731
        assert ask(old).status_code == 200
        (row,) = tokens(catalogue)
        assert row.used_at is not None
        assert row.expires_at is not None
        new = renew_token(catalogue, "Ada")
        assert (ask(old).status_code, ask(new).status_code) == (401, 200)
        with catalogue.noting() as connection:
            connection.execute(update(Token).values(expires_at=datetime.now(UTC) - timedelta(seconds=1)))
        check_problem(ask(new), 401, "no_token")


def test_a_restored_backup_revives_no_token(folder: Path, tmp_path: Path) -> None:
    headers = bearer(folder)
    told = CliRunner().invoke(app, ["backup", str(tmp_path / "backup"), "-c", str(folder)])
    assert told.exit_code == 0, told.output
    with Catalogue.open(tmp_path / "backup") as copy:
        assert tokens(copy) == ()
    stored = (tmp_path / "backup" / "catalogue.sqlite").read_bytes()
    import hashlib

    assert hashlib.sha256(headers["Authorization"][7:].encode()).hexdigest().encode() not in stored
    with service(folder, tokens_needed=True) as client:
        assert client.get("/v1/records", headers=headers).status_code == 200  # the catalogue's own still work


def test_beyond_this_machine_it_wants_tls_or_a_word() -> None:
    """Tokens went in clear text, and nothing said so."""
    told = CliRunner().invoke(app, ["serve", "-c", "nowhere", "--host", "0.0.0.0"])
    assert told.exit_code == 2
    assert "without" in told.output
    assert "--behind-proxy where a proxy" in told.output
    told = CliRunner().invoke(app, ["serve", "-c", "nowhere", "--host", "0.0.0.0", "--behind-proxy"])
    assert "where a proxy" not in told.output


@pytest.mark.parametrize(
    "address", ["tcp://192.0.2.1:8786", "192.0.2.1:8786", "tcp://cluster.example:8786", "ws://h:1"]
)
def test_a_cluster_that_anybody_reaches_is_refused(address: str) -> None:
    """Dask's messages are pickles: whoever reaches a scheduler runs programs (Dask's documentation, TLS/SSL)."""
    with pytest.raises(PlatekinError) as caught:
        Cluster.connect(address)
    assert caught.value.code == "open_cluster"


def test_a_catalogues_files_are_its_owners_alone(scans: Path, tmp_path: Path) -> None:
    from tests.support.enrolling import run

    run(scans / "RECORDS.csv", tmp_path / "catalogue")
    assert stat.S_IMODE((tmp_path / "catalogue").stat().st_mode) == 0o700
    for part in ("catalogue.sqlite", "images", "faces"):
        for path in [tmp_path / "catalogue" / part, *(tmp_path / "catalogue" / part).rglob("*")]:
            if path.is_file():
                assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_a_method_that_an_address_has_not(folder: Path) -> None:
    """RFC 9110, 15.5.6: 405 with Allow, whatever pattern would fit the address as well."""
    with service(folder) as client:
        for method, path, allow in (
            ("GET", "/v1/lots/folder", "POST"), ("PUT", "/v1/lots/L00001", "DELETE, GET"),
            ("PATCH", "/v1/session", "DELETE, GET, POST"),
            ("DELETE", "/v1/records/V000", "GET"), ("POST", "/v1/exports/records.csv", "GET"),
        ):  # fmt: skip
            response = client.request(method, path)
            check_problem(response, 405, "method_not_allowed")
            assert response.headers["allow"] == allow
        assert client.get("/v1/records/V003/b").status_code == 200  # an id with a slash


def test_truth_is_no_number(folder: Path) -> None:
    with service(folder) as client:
        body = {"action": "undo", "number": 1, "whole_batch": 0}
        response = client.post("/v1/decisions", json=body, headers={"Idempotency-Key": "k", "If-Match": "*"})
        check_problem(response, 422, "validation")


def test_health_waits_for_no_thread_and_no_database(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """5.3 s beside hostile clients: it took three turns on threads that all share, and asked for a token."""
    with Catalogue.open(folder) as catalogue:
        headers = {"Authorization": f"Bearer {make_token(catalogue, 'Ada', 'read')}"}
    with service(folder, tokens_needed=True) as client:
        assert client.get("/v1/health", headers=headers).status_code == 200
        assert client.portal is not None
        all_threads = client.portal.call(to_thread.current_default_thread_limiter)
        client.portal.call(setattr, all_threads, "total_tokens", 1)
        held = threading.Event()
        busy = client.portal.start_task_soon(to_thread.run_sync, held.wait)  # the only thread is taken

        def nobody(*_: Any) -> None:
            raise AssertionError("the database was asked")

        monkeypatch.setattr(board, "LOOK_S", 60.0)
        time.sleep(1.2)  # the last look that was on its way
        monkeypatch.setattr(Catalogue, "reading", nobody)
        told = client.get("/v1/health", headers=headers)
        held.set()
        busy.result(10)
    assert (told.status_code, told.json()["catalogue"]["records"]) == (200, 4), told.text


def test_a_revoked_token_does_not_ask_for_long(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue, service(folder, tokens_needed=True) as client:
        headers = {"Authorization": f"Bearer {make_token(catalogue, 'Ada', 'read')}"}
        assert client.get("/v1/health", headers=headers).status_code == 200
        revoke_token(catalogue, "Ada")
        check_problem(client.get("/v1/records", headers=headers), 401, "no_token")  # at once
        wait_until(lambda: client.get("/v1/health", headers=headers).status_code == 401)


def test_health_tells_of_a_catalogue_that_is_out_of_reach_and_back(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(self: Catalogue) -> int:
        raise CatalogueError("unreachable", "the database does not answer", "see that it is there")

    monkeypatch.setattr(board, "LOOK_S", 0.05)
    with service(folder) as client:
        with monkeypatch.context() as away:
            away.setattr(Catalogue, "last_decision", gone)
            wait_until(lambda: client.get("/v1/health").status_code == 503)
            check_problem(client.get("/v1/health"), 503, "unreachable")
        wait_until(lambda: client.get("/v1/health").status_code == 200)


def test_who_is_refused_again_and_again_waits(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood that is answered as fast as it comes keeps the loop busy for everybody."""
    monkeypatch.setattr(middleware, "REFUSED_WAIT_S", 0.2)
    monkeypatch.setattr(middleware, "REFUSED_MOST", 5)
    monkeypatch.setattr(middleware, "REFUSED_S", 60.0)
    with Catalogue.open(folder) as catalogue:
        headers = {"Authorization": f"Bearer {make_token(catalogue, 'Ada', 'read')}"}
    with service(folder, tokens_needed=True) as client:
        begun = time.monotonic()
        for _ in range(10):
            check_problem(client.get("/v1/records"), 401, "no_token")
        assert time.monotonic() - begun > 5 * 0.2
        weighed: list[str] = []
        monkeypatch.setattr(middleware.SlowRefusals, "_too_often", lambda _, whose: weighed.append(whose))
        assert client.get("/v1/records", headers=headers).status_code == 200  # who asks rightly does not wait
        assert weighed == []
