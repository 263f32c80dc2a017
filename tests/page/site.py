"""A small catalogue of the demo's cards, drawn once a test run; a service of the matcher itself over a copy of it."""

from __future__ import annotations

import asyncio
import fcntl
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import uvicorn

from api.app import create_app
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import propose
from matcher.catalogue.records.enrol import enrol
from matcher.core.parallel.limits import WorkLimits
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import Worker
from reference_demo import make
from reference_demo.plan import make_plan

RECORDS = tuple(f"V{number:05d}" for number in (1, 3, 4, 5, 7, 8, 10, 12, 13, 15, 19, 21))
KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE = "q002", "q072", "q007", "q005"
AGAIN = "q007-again"
"""The card of `NEW_CROP`, photographed once more."""

PROPOSED = {"F00001": NEW_CAPTION, "F00002": NEW_CROP, "F00003": AGAIN, "F00004": NEW_POSE}


@dataclass(frozen=True)
class Stock:
    """folder: holds `catalogue`, with four open finds, and the photos `queries/q002.jpg`, ..."""

    folder: Path

    @property
    def catalogue(self) -> Path:
        return self.folder / "catalogue"

    def photo(self, name: str) -> Path:
        return self.folder / "queries" / f"{name}.jpg"


def stock(folder: Path) -> Stock:
    """Draw and enrol, unless another process of this test run has."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            _draw(folder)
            _propose(folder)
            (folder / "done").touch()
    return Stock(folder)


def _draw(folder: Path) -> None:
    plan = make_plan(make.DEFAULT_SEED)
    for name in ("references", "queries"):
        (folder / name).mkdir()
    records = [record for record in plan.records if record.record_id in RECORDS]
    for record in records:
        for copy in record.copies:
            make._draw_reference(folder, copy)
    rows = [make._record_row(record, copy) for record in records for copy in record.copies]
    make._write_table(folder / "records.csv", make.RECORD_COLUMNS, rows)
    for query in plan.queries:
        if Path(query.photo).stem in (KNOWN, *PROPOSED.values()):
            make._draw_query(folder, query)
        if Path(query.photo).stem == NEW_CROP:
            make._draw_query(folder, replace(query, photo=f"queries/{AGAIN}.jpg", seed=query.seed + 1))
    assert not enrol(folder / "records.csv", folder / "catalogue", workers=0).failed


def _propose(folder: Path) -> None:
    bench = Worker(folder / "catalogue", Settings())
    for find_id, name in PROPOSED.items():
        data = (folder / "queries" / f"{name}.jpg").read_bytes()
        answer = bench.run(Job(f"{name}.jpg", data)).answer
        with Catalogue.open(folder / "catalogue") as catalogue:
            (made,) = propose(catalogue, answer, data, source="album 3", seen_on="1987-05")
        assert made.find_id == find_id, f"{name} was not taken for something new"


@dataclass(frozen=True)
class Site:
    """address: of the running service. folder: its catalogue. app: to look inside."""

    address: str
    folder: Path
    stock: Stock
    app: Any


@contextmanager
def serving(stock: Stock, folder: Path, **settings: Any) -> Iterator[Site]:
    """The service on a port of its own, over a copy of the stock's catalogue in `folder`, made if need be."""
    if not folder.exists():
        shutil.copytree(stock.catalogue, folder)
    port = settings.pop("port", None) or _free_port()
    chosen = ServiceSettings(catalogue=folder, **{"workers": 1, **settings})
    bench = Worker(folder, chosen.matching)
    app = create_app(chosen, work=bench.run, make_pool=_one_thread, make_pictures=_two_threads)
    server = uvicorn.Server(
        uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error", timeout_graceful_shutdown=2)
    )
    thread = threading.Thread(target=asyncio.run, args=(_serve(server),), daemon=True)
    thread.start()
    end = time.monotonic() + 30
    while not server.started:
        assert time.monotonic() < end, "the service did not start"
        time.sleep(0.02)
    try:
        yield Site(f"http://127.0.0.1:{port}", folder, stock, app)
    finally:
        server.should_exit = True
        thread.join(20)
        bench.references.catalogue.close()


async def _serve(server: uvicorn.Server) -> None:
    """Serve until told to stop; then close what browsers keep open, and give the loop a moment to do it."""
    await server.serve()
    for connection in list(server.server_state.connections):
        connection.transport.abort()
    await asyncio.sleep(0.1)


def _one_thread(folder: Path, settings: Settings, workers: int, limits: WorkLimits) -> Executor:
    """In this process: the matcher is what these tests wait for, not its start."""
    return ThreadPoolExecutor(1)


def _two_threads(limits: WorkLimits) -> Executor:
    return ThreadPoolExecutor(2)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
