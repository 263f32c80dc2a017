"""The service's queue: places, waiting, lost workers."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.support import fake_work
from tests.support.service import check_problem, queue_of, send, service, wait_until


@contextmanager
def busy(client: TestClient, stop: Path, count: int) -> Iterator[list[Future[Any]]]:
    """So many photos in work or waiting, until the file is there."""
    with ThreadPoolExecutor(count) as callers:
        sent = [callers.submit(send, client, f"wait {stop}".encode()) for _ in range(count)]
        try:
            wait_until(lambda: sum(queue_of(client)[name] for name in ("working", "waiting")) == count)
            yield sent
        finally:
            stop.touch()


@pytest.mark.parametrize("make_pool", [fake_work.threads, fake_work.processes])
def test_a_full_queue_says_come_again(library: Path, tmp_path: Path, make_pool: Any) -> None:
    with service(library, make_pool, queue_limit=1) as client:
        with busy(client, tmp_path / "stop", 2) as sent:
            response = send(client, b"one too many")
            check_problem(response, 429, "busy")
            assert int(response.headers["retry-after"]) >= 1
            assert (queue_of(client)["working"], queue_of(client)["waiting"]) == (1, 1)
        assert [one.result().status_code for one in sent] == [200, 200]
        wait_until(lambda: queue_of(client)["working"] == 0)
        assert send(client, b"now").status_code == 200


def test_a_place_is_free_when_the_work_ends_not_when_the_waiting_does(library: Path, tmp_path: Path) -> None:
    with service(library, queue_limit=0, request_timeout_s=0.2) as client:
        body = check_problem(send(client, f"wait {tmp_path / 'stop'}".encode()), 503, "timeout")
        assert "/" not in body["detail"]
        check_problem(send(client, b"a card"), 429, "busy")
        (tmp_path / "stop").touch()
        wait_until(lambda: queue_of(client)["working"] == 0)
        assert send(client, b"a card").status_code == 200


def test_who_waited_too_long_is_not_worked_on(library: Path, tmp_path: Path) -> None:
    with service(library, queue_limit=5, request_timeout_s=0.2) as client, busy(client, tmp_path / "stop", 4):
        # one is at work; the places of the others are free as soon as they are told that it took too long
        wait_until(lambda: queue_of(client)["waiting"] == 0)
        assert queue_of(client)["working"] == 1


def test_a_lost_worker_costs_its_own_photo_only(library: Path) -> None:
    with service(library, fake_work.processes) as client:
        first = send(client, b"a card").json()["versions"]["process"]
        response = send(client, b"die")
        check_problem(response, 503, "worker_lost")
        assert response.headers["retry-after"]
        second = send(client, b"a card").json()["versions"]["process"]
        assert first != second
        assert queue_of(client) == {"workers": 1, "limit": 8, "working": 0, "waiting": 0, "state": "ready"}


def test_a_worker_lost_while_idle_is_replaced(library: Path) -> None:
    with service(library, fake_work.processes) as client:
        os.kill(int(send(client, b"a card").json()["versions"]["process"]), signal.SIGKILL)
        statuses = [send(client, b"a card").status_code for _ in range(2)]
    assert statuses in ([200, 200], [503, 200])  # 503 where the photo was faster than the news


def test_workers_that_never_get_ready_are_told(library: Path) -> None:
    with service(library, broken_processes) as client:
        check_problem(send(client, b"a card"), 503, "worker_lost")
        wait_until(lambda: client.get("/v1/health").json()["status"] == "failing")


def broken_processes(library: Path, settings: Any, workers: int) -> Any:
    pool = fake_work.processes(library, settings, workers)
    pool._initializer = os._exit  # type: ignore[attr-defined]
    pool._initargs = (1,)  # type: ignore[attr-defined]
    return pool


def test_a_mistake_of_ours_tells_nothing_of_the_inside(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    response = send(client, b"raise")
    check_problem(response, 500, "unexpected")
    assert "secret" not in response.text
    assert "the secret of /var/inside" in caplog.text  # but the log has it
    assert response.headers["x-content-type-options"] == "nosniff"
