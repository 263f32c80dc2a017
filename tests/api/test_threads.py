"""What the service has begun ends with it: threads before the catalogue is closed, and the lot worker."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from api import app
from api.lot_worker import LotWorker
from api.threads import Threads
from tests.support.service import service, write_catalogue


def test_the_catalogue_is_closed_after_the_clearing_that_uses_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, ended = threading.Event(), threading.Event()

    def clear_slowly(_: Path) -> None:
        begun.set()
        time.sleep(0.5)
        ended.set()

    monkeypatch.setattr(app, "clear_scratch", clear_slowly)
    with service(write_catalogue(tmp_path)):
        assert begun.wait(10)
    assert ended.is_set()


@pytest.mark.parametrize("later", range(6))
def test_a_lot_worker_that_is_woken_as_the_service_ends_ends_with_it(tmp_path: Path, later: int) -> None:
    """later: turns of the loop between the two; in one of them `asyncio.wait_for` of Python 3.11 lost the end."""

    async def play() -> set[Any]:
        lots: Any = SimpleNamespace(catalogue=SimpleNamespace(folder=tmp_path), unfinished=list, take=lambda: None)
        queue: Any = None
        worker = LotWorker(lots, queue, Threads(), at_once=2, timeout=1.0)
        working = asyncio.create_task(worker.run())
        await asyncio.sleep(0.2)  # it has found nothing, and waits
        worker.wake()
        for _ in range(later):
            await asyncio.sleep(0)
        working.cancel()
        _, left = await asyncio.wait({working}, timeout=5)
        return left

    assert not asyncio.run(play())
