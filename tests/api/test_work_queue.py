"""The service's queue: places, waiting, lost workers."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2
import pytest
from fastapi.testclient import TestClient

from api.work_queue import LATELY_S, Turns
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import supervised_pool
from tests.support import fake_work
from tests.support.service import application, check_problem, queue_of, send, service, wait_until


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


def broken_processes(library: Any, settings: Any, workers: int, limits: WorkLimits) -> Any:
    return supervised_pool(workers, os._exit, 1, limits=limits)


def test_a_photo_that_never_ends_is_ended_and_costs_nobody_else(library: Path) -> None:
    """Review of security, finding 2: two such files occupied both processes for an hour."""
    with service(library, fake_work.processes, workers=2, request_timeout_s=2) as client, ThreadPoolExecutor(6) as many:
        wait_until(lambda: queue_of(client)["state"] == "ready")
        spinning = [many.submit(send, client, b"spin") for _ in range(2)]
        wait_until(lambda: queue_of(client)["working"] == 2)
        assert {send(client, b"a card").status_code for _ in range(2)} <= {200, 503}
        for one in spinning:
            check_problem(one.result(), 503, "timeout")
        # A process that is started anew may take longer on a busy machine than a photo may here.
        wait_until(lambda: queue_of(client)["working"] == 0)
        wait_until(lambda: send(client, b"a card").status_code == 200)
        assert queue_of(client)["state"] == "ready"


def test_health_says_that_photos_keep_ending_their_processes(library: Path) -> None:
    with service(library, fake_work.processes, workers=1) as client:
        for _ in range(2):
            check_problem(send(client, b"die"), 503, "worker_lost")
        assert client.get("/v1/health").json()["status"] == "failing"
        assert send(client, b"a card").status_code == 200
        assert client.get("/v1/health").json()["status"] == "ok"


def test_a_photo_that_wants_all_memory_is_refused_it(library: Path) -> None:
    with service(library, fake_work.processes, worker_memory_bytes=300_000_000) as client:
        assert send(client, b"eat 50000000").status_code == 415
        assert send(client, b"eat 1000000000").status_code in (413, 500)  # MemoryError, not the whole machine's memory
        assert send(client, b"eat 50000000").status_code == 415  # and the process is as good as before


def test_closing_does_not_wait_for_a_photo_that_never_ends(library: Path) -> None:
    app = application(library, fake_work.processes)

    async def play() -> tuple[float, int]:
        # Not Starlette's TestClient: left while a request is at work, it waits for ever for a reader of the answer.
        async with httpx2.AsyncClient(transport=httpx2.ASGITransport(app), base_url="http://testserver") as client:
            async with app.router.lifespan_context(app):
                photo = {"photo": ("a.jpg", b"spin", "image/jpeg")}
                sent = asyncio.create_task(client.post("/v1/identify", files=photo))
                while (await client.get("/v1/health")).json()["queue"]["working"] != 1:
                    await asyncio.sleep(0.01)
                begun = time.monotonic()
            return time.monotonic() - begun, (await sent).status_code

    took, status = asyncio.run(play())
    assert took < 10  # of the 120 s that it might take
    assert status == 503


def test_a_mistake_of_ours_tells_nothing_of_the_inside(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    response = send(client, b"raise")
    check_problem(response, 500, "unexpected")
    assert "secret" not in response.text
    assert "the secret of /var/inside" in caplog.text  # but the log has it
    assert response.headers["x-content-type-options"] == "nosniff"


def test_people_take_turns_and_leave_each_other_a_process() -> None:
    now = 0.0

    async def play() -> list[str]:
        nonlocal now
        turns, told = Turns(2, lambda: now), []

        async def want(whose: str) -> None:
            await turns.take(whose)
            told.append(whose)

        many = [asyncio.create_task(want("mallory")) for _ in range(6)]
        await asyncio.sleep(0)
        assert told == ["mallory", "mallory"]  # nobody else is about
        ada = [asyncio.create_task(want("ada")) for _ in range(3)]
        await asyncio.sleep(0)
        for whose in ("mallory", "ada", "ada", "ada"):
            turns.give_back(whose)
            await asyncio.sleep(0.01)
        assert told[2:] == ["ada", "ada", "ada"], told  # one place is left free while Ada is about
        now = 2 * LATELY_S
        turns.give_back("mallory")
        await asyncio.sleep(0.01)
        assert told.count("mallory") == 4
        for task in (*many, *ada):
            task.cancel()
        await asyncio.gather(*many, *ada, return_exceptions=True)
        return told

    asyncio.run(play())


def test_one_who_gives_up_waiting_leaves_no_place_taken() -> None:
    async def play() -> None:
        turns = Turns(1)
        await turns.take("a")
        waiting = asyncio.create_task(turns.take("b"))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        turns.give_back("a")
        await asyncio.wait_for(turns.take("c"), 1)

    asyncio.run(play())


def test_giving_up_is_told_as_giving_up_even_if_passed_over() -> None:
    """A KeyError in its place was taken for a mistake of the work, and the service did not stop."""

    async def play() -> None:
        turns = Turns(1)
        await turns.take("a")
        waiting = [asyncio.create_task(turns.take("b")) for _ in range(2)]
        await asyncio.sleep(0)
        for one in waiting:
            one.cancel()
        turns.give_back("a")  # hands out before those who gave up have run
        told = await asyncio.gather(*waiting, return_exceptions=True)
        assert [type(one) for one in told] == [asyncio.CancelledError] * 2
        await asyncio.wait_for(turns.take("c"), 1)

    asyncio.run(play())
