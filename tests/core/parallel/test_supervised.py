"""Worker processes that are watched over: jobs that never end, processes that come to a sudden end, memory."""

from __future__ import annotations

import os
import signal
import struct
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor
from functools import partial
from pathlib import Path

import pytest

from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import CancelledWork, SupervisedPool, TookTooLong, in_order, supervised_pool

SHORT = WorkLimits(job_s=1.5, memory_bytes=400_000_000)


def doubled(number: int) -> int:
    return 2 * number


def odd_one(number: int, marks: Path) -> int:
    """3 ends its process at first and then no more; 5 ends it always; 7 never ends."""
    if number == 3 and not (marks / "3").exists():
        (marks / "3").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if number == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    while number == 7:
        time.sleep(0.1)
    return 2 * number


def half_a_result(mark: Path) -> None:
    """As a process that is ended while it hands over a result: multiprocessing's four bytes of length, then too few."""
    frame = sys._getframe()
    while "result_queue" not in frame.f_locals:
        assert frame.f_back is not None
        frame = frame.f_back
    os.write(frame.f_locals["result_queue"]._writer.fileno(), struct.pack("!i", 1000) + b"too few")
    mark.touch()
    time.sleep(60)


def eat(size: int) -> int:
    return len(bytearray(size))


@pytest.fixture
def pool() -> Iterator[SupervisedPool]:
    with supervised_pool(2, limits=SHORT) as pool:
        yield pool
        pool.shutdown(cancel_futures=True)


def test_each_costs_itself_alone(tmp_path: Path) -> None:
    found = in_order(
        range(10), partial(odd_one, marks=tmp_path), lambda n: -n, partial(supervised_pool, limits=SHORT), 2,
        late=lambda n: -10 * n,
    )  # fmt: skip
    assert list(found) == [0, 2, 4, 6, 8, -5, 12, -70, 16, 18]


def test_what_waits_beside_a_lost_process_is_done(pool: SupervisedPool, tmp_path: Path) -> None:
    lost = pool.submit(odd_one, 5, tmp_path)
    others = [pool.submit(doubled, number) for number in range(20)]
    assert [one.result(30) for one in others] == [2 * number for number in range(20)]
    with pytest.raises(BrokenExecutor):
        lost.result(30)


def test_a_job_that_never_ends_is_ended(pool: SupervisedPool, tmp_path: Path) -> None:
    assert pool.submit(doubled, 1).result(60) == 2
    begun = time.monotonic()
    with pytest.raises(TookTooLong):
        pool.submit(odd_one, 7, tmp_path).result(60)
    assert time.monotonic() - begun < 30
    assert pool.submit(doubled, 1).result(60) == 2


def test_a_job_gets_no_more_memory_than_there_is_for_it(pool: SupervisedPool) -> None:
    assert pool.submit(eat, 50_000_000).result(60) == 50_000_000
    with pytest.raises(MemoryError):
        pool.submit(eat, 2_000_000_000).result(60)
    assert pool.submit(eat, 50_000_000).result(60) == 50_000_000


def test_closing_ends_what_is_at_work(tmp_path: Path) -> None:
    pool = supervised_pool(1, limits=WorkLimits(job_s=600))
    assert pool.submit(doubled, 1).result(60) == 2
    spinning, waiting = pool.submit(odd_one, 7, tmp_path), pool.submit(doubled, 2)
    while not spinning.running():
        time.sleep(0.01)
    begun = time.monotonic()
    pool.shutdown(cancel_futures=True)
    assert time.monotonic() - begun < 10
    assert waiting.cancelled() or isinstance(waiting.exception(10), CancelledWork)
    assert isinstance(spinning.exception(10), (BrokenExecutor, CancelledWork))
    with pytest.raises(RuntimeError):
        pool.submit(doubled, 3)


def test_work_comes_again_after_a_process_is_lost_while_idle(pool: SupervisedPool) -> None:
    assert pool.submit(doubled, 1).result(60) == 2
    for process in pool.processes():
        os.kill(process, signal.SIGKILL)
    time.sleep(0.3)
    assert [pool.submit(doubled, n).result(60) for n in range(4)] == [0, 2, 4, 6]


def test_a_process_ended_while_it_hands_over_a_result_keeps_nobody_waiting(tmp_path: Path) -> None:
    pool = supervised_pool(1, limits=WorkLimits())
    future = pool.submit(half_a_result, tmp_path / "mark")
    until = time.monotonic() + 60
    while not (tmp_path / "mark").exists():
        assert time.monotonic() < until
        time.sleep(0.05)
    ending = threading.Thread(target=pool.shutdown, kwargs={"cancel_futures": True}, daemon=True)
    ending.start()
    ending.join(30)
    assert not ending.is_alive()
    with pytest.raises(BrokenExecutor):
        future.result(30)
