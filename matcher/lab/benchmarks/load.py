"""`platekin serve` under load: throughput, latency, refusals, memory; then a hostile client, and a killed worker.

Each client sends one photo after the other; refused (429), it waits as long as it is told, and sends again. The same
photos are identified in this process's own pool first: what HTTP adds is the difference.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import httpx2
import numpy as np

from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all
from matcher.lab.processes import family, resident_family


@dataclass
class Tally:
    """What the clients were told. answered: seconds of each answer."""

    answered: list[float] = field(default_factory=list)
    replies: Counter[str] = field(default_factory=Counter)

    def row(self, clients: int, seconds: float, resident: int) -> dict[str, object]:
        times = np.array(self.answered or [np.nan])
        return {
            "clients": clients,
            "answers_per_s": round(len(self.answered) / seconds, 2),
            "median_s": round(float(np.median(times)), 2),
            "p99_s": round(float(np.quantile(times, 0.99)), 2),
            "told": dict(self.replies),
            "resident_gb": round(resident / 1e9, 2),
        }


def workers_of(server: int) -> list[int]:
    """The processes that identify: spawned ones, less the one that watches over shared resources."""
    lines = {}
    for process in family(server)[1:]:
        try:
            lines[process] = Path(f"/proc/{process}/cmdline").read_text()
        except OSError:
            continue
    return [process for process, line in lines.items() if "spawn_main" in line]


async def ask(client: httpx2.AsyncClient, photo: bytes, tally: Tally) -> None:
    """One photo sent once; waits where it is told to."""
    started = time.perf_counter()
    try:
        response = await client.post("/v1/identify", files={"photo": ("photo.jpg", photo)})
    except httpx2.HTTPError as error:
        tally.replies[type(error).__name__] += 1
        return
    code = str(response.status_code)
    tally.replies[code if code in ("200", "429") else f"{code} {response.json().get('type', '')}"] += 1
    if code == "200":
        tally.answered.append(time.perf_counter() - started)
    elif code == "429":
        await asyncio.sleep(float(response.headers["retry-after"]))


async def crowd(base: str, photos: list[bytes], clients: int, seconds: float, server: int) -> dict[str, object]:
    """So many clients at once for so long."""
    tally, ends, most = Tally(), time.perf_counter() + seconds, 0

    async def one(number: int) -> None:
        async with httpx2.AsyncClient(base_url=base, timeout=180) as client:
            while time.perf_counter() < ends:
                await ask(client, photos[number % len(photos)], tally)
                number += 1

    started = time.perf_counter()
    waiting = [asyncio.create_task(one(number)) for number in range(clients)]
    while not all(task.done() for task in waiting):
        most = max(most, resident_family(server))
        await asyncio.wait(waiting, timeout=0.5)
    return tally.row(clients, time.perf_counter() - started, most)


async def with_hostile(
    base: str, photos: list[bytes], seconds: float, server: int, count: int = 40
) -> dict[str, object]:
    """Four clients beside many that begin a large upload and then send a byte a second."""
    host, port = base.removeprefix("http://").split(":")
    head = (
        b"POST /v1/identify HTTP/1.1\r\nHost: localhost\r\nContent-Type: multipart/form-data; boundary=x\r\n"
        b"Content-Length: 50000000\r\n\r\n--x\r\n"
    )

    async def drip() -> None:
        _, writer = await asyncio.open_connection(host, int(port))
        writer.write(head)
        while True:
            await asyncio.sleep(1)
            writer.write(b"a")
            await writer.drain()

    dripping = [asyncio.create_task(drip()) for _ in range(count)]
    try:
        return {"beside": f"{count} that drip", **await crowd(base, photos, 4, seconds, server)}
    finally:
        for task in dripping:
            task.cancel()
        await asyncio.gather(*dripping, return_exceptions=True)


async def with_a_kill(base: str, photos: list[bytes], seconds: float, server: int) -> dict[str, object]:
    """Four clients; a worker is killed in the middle."""

    async def kill() -> None:
        await asyncio.sleep(seconds / 3)
        os.kill(workers_of(server)[0], signal.SIGKILL)

    killing = asyncio.create_task(kill())
    row = await crowd(base, photos, 4, seconds, server)
    await killing
    return {"beside": "a worker killed", **row}


def in_process(photos: list[bytes], catalogue: Path, workers: int, count: int) -> float:
    """Answers a second of the same pool without HTTP, its start not counted."""
    jobs = [Job(f"{number}.jpg", photos[number % len(photos)]) for number in range(count + 2 * workers)]
    answers = identify_all(jobs, catalogue, Settings(), workers)
    for _ in range(2 * workers):
        next(answers)
    started = time.perf_counter()
    return sum(1 for _ in answers) / (time.perf_counter() - started)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def all_rows(base: str, photos: list[bytes], chosen: argparse.Namespace, server: int) -> None:
    """Print one row a crowd, as soon as it has gone."""
    async with httpx2.AsyncClient(base_url=base, timeout=120) as client:
        for _ in range(300):
            try:
                if (await client.get("/v1/health")).json()["status"] == "ok":
                    break
            except (httpx2.HTTPError, KeyError):
                pass
            await asyncio.sleep(0.2)
        for photo in photos[: 2 * chosen.workers]:
            await ask(client, photo, Tally())
    for clients in chosen.clients:
        print(json.dumps(await crowd(base, photos, clients, chosen.seconds, server)), flush=True)
    print(json.dumps(await with_hostile(base, photos, chosen.seconds, server)), flush=True)
    print(json.dumps(await with_a_kill(base, photos, chosen.seconds, server)), flush=True)
    print(json.dumps({"beside": "afterwards", **await crowd(base, photos, 1, chosen.seconds / 3, server)}), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--clients", type=int, nargs="+", default=[1, 4, 16, 64])
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    photos = [path.read_bytes() for path in chosen.photos]
    alone = in_process(photos, chosen.catalogue, chosen.workers, 3 * len(photos))
    print(json.dumps({"in_process_answers_per_s": round(alone, 2)}), flush=True)
    port = free_port()
    command = [
        sys.executable,
        "-c",
        "from matcher.cli.start import main; main()",
        "serve",
        "--catalogue",
        str(chosen.catalogue),
        "--quiet",
    ]
    command += ["--port", str(port), "--workers", str(chosen.workers)]
    with subprocess.Popen(command) as server:
        try:
            asyncio.run(all_rows(f"http://127.0.0.1:{port}", photos, chosen, server.pid))
        finally:
            server.send_signal(signal.SIGINT)


if __name__ == "__main__":
    main()
