"""What decodes pictures done in a process that is watched over: what may become of it, and what is told."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Iterator

import pytest

from matcher.core.errors import PlatekinError, UnreadablePhoto
from matcher.core.parallel.elsewhere import Apart, here
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import supervised_pool

SHORT = WorkLimits(job_s=1.5, memory_bytes=400_000_000)


def does(what: str) -> int:
    if what == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "spin":
        while True:
            pass
    if what == "eat":
        return len(bytearray(3_000_000_000))
    if what == "refuse":
        raise UnreadablePhoto("truncated", "a.jpg: the picture file is incomplete", "copy it again")
    return os.getpid()


@pytest.fixture(scope="module")
def apart() -> Iterator[Apart]:
    apart = Apart(supervised_pool(1, limits=SHORT))
    yield apart
    apart.close()


@pytest.mark.parametrize(
    ("what", "code"),
    [("die", "worker_lost"), ("spin", "timeout"), ("eat", "too_much_memory"), ("refuse", "truncated")],
)
def test_what_goes_wrong_is_told_and_the_next_is_done(apart: Apart, what: str, code: str) -> None:
    with pytest.raises(PlatekinError) as caught:
        apart(does, what)
    assert caught.value.code == code
    assert isinstance(caught.value, UnreadablePhoto) == (what == "refuse")  # the others say nothing against the picture
    assert apart(does, "work") != os.getpid() == here(does, "work")


def test_it_is_waited_for_without_a_thread(apart: Apart) -> None:
    assert asyncio.run(apart.answer(does, "work")) != os.getpid()
    with pytest.raises(PlatekinError) as caught:
        asyncio.run(apart.answer(does, "die"))
    assert caught.value.code == "worker_lost"


def test_after_the_end_it_is_told_too() -> None:
    closed = Apart(supervised_pool(1, limits=SHORT))
    closed.close()
    with pytest.raises(PlatekinError) as caught:
        closed(does, "work")
    assert caught.value.code == "worker_lost"
