"""Hostile clients beside honest ones: slow headers, slow bodies, idle connections, floods, costly files.

A service that asks for tokens. Four honest clients, each with a token of its own, identify photos one after the other:
alone first, then beside the hostile ones, who share one token for what needs one. Told are the honest clients' times,
how quickly /v1/health answers, how much memory each process took, how much was logged, and how long SIGTERM takes while
they all hang on.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx2
import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.tokens import make_token
from matcher.core.parallel.processes import process_pool
from matcher.lab.campaigns.at_work import Serving, serving
from matcher.lab.campaigns.broken import bombs

HONEST = 4


@dataclass
class Seen:
    """Seconds of the honest clients' answers, and of /v1/health; what everybody was told."""

    answers: list[float] = field(default_factory=list)
    health: list[float] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)

    def row(self, name: str) -> dict[str, object]:
        """One line for the table."""
        answers, health = np.array(self.answers or [np.nan]), np.array(self.health or [np.nan])
        return {
            "crowd": name,
            "honest answers": len(self.answers),
            "median_s": round(float(np.median(answers)), 2),
            "p99_s": round(float(np.quantile(answers, 0.99)), 2),
            "health_p99_s": round(float(np.quantile(health, 0.99)), 3),
            "health_max_s": round(float(health.max()), 3),
            "told": dict(self.told),
        }


@dataclass(frozen=True)
class Place:
    """Where the service is, and the hostile ones' token."""

    port: int
    token: str
    costly: tuple[bytes, ...]

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def head(self, address: str, *more: str) -> bytes:
        lines = [f"POST {address} HTTP/1.1", "Host: 127.0.0.1", f"Authorization: Bearer {self.token}", *more]
        return "\r\n".join(lines).encode()


async def slow_header(place: Place, rng: random.Random) -> None:
    """A header of a byte a second."""
    _, writer = await asyncio.open_connection("127.0.0.1", place.port)
    try:
        for byte in b"GET /v1/health HTTP/1.1\r\nX-Slow: " + b"a" * 1000:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(1)
    finally:
        writer.close()


async def slow_body(place: Place, rng: random.Random) -> None:
    """A large upload that brings a byte a second."""
    _, writer = await asyncio.open_connection("127.0.0.1", place.port)
    kind = "Content-Type: multipart/form-data; boundary=x"
    try:
        writer.write(place.head("/v1/identify", kind, "Content-Length: 50000000") + b"\r\n\r\n--x\r\n")
        while True:
            writer.write(b"a")
            await writer.drain()
            await asyncio.sleep(1)
    finally:
        writer.close()


async def idle(place: Place, rng: random.Random) -> None:
    """A hundred connections that say nothing."""
    writers = []
    try:
        for _ in range(100):
            writers.append((await asyncio.open_connection("127.0.0.1", place.port))[1])
        await asyncio.sleep(5)
    finally:
        for writer in writers:
            writer.close()


async def flood(place: Place, rng: random.Random) -> None:
    """Requests as fast as they are answered: without a token, with nonsense, with large JSON."""
    many = json.dumps({"action": "split_record", "references": [""] * 60_000}).encode()
    async with httpx2.AsyncClient(base_url=place.base, timeout=20) as client:
        for _ in range(20):
            choice = rng.randrange(4)
            if choice == 0:
                await client.post("/v1/decisions", content=many)
            elif choice == 1:
                headers = {"Authorization": f"Bearer {place.token}", "Content-Type": "application/json"}
                await client.post("/v1/decisions", content=many, headers=headers)
            elif choice == 2:
                await client.post("/v1/session", content=json.dumps({f"k{n}": n for n in range(15_000)}))
            else:
                await client.get("/v1/records", headers={"Authorization": "Bearer pk_none"})


async def costly(place: Place, rng: random.Random) -> None:
    """Files that are made to take long, or much memory."""
    headers = {"Authorization": f"Bearer {place.token}"}
    async with httpx2.AsyncClient(base_url=place.base, timeout=120, headers=headers) as client:
        await client.post("/v1/identify", files={"photo": ("photo", rng.choice(place.costly))})


HOSTILE: Sequence[tuple[Callable[[Place, random.Random], Awaitable[None]], int]] = (
    (slow_header, 16), (slow_body, 16), (idle, 8), (flood, 12), (costly, 12),
)  # fmt: skip
"""What they do, and how many of 64 do it."""


async def _again_and_again(what: Callable[[Place, random.Random], Awaitable[None]], place: Place, seed: int) -> None:
    rng = random.Random(seed)
    while True:
        with suppress(OSError, httpx2.HTTPError):  # thrown out: it comes again
            await what(place, rng)
        await asyncio.sleep(0.05)


async def _honest(base: str, token: str, photos: list[bytes], ends: float, seen: Seen, number: int) -> None:
    headers = {"Authorization": f"Bearer {token}"}
    async with httpx2.AsyncClient(base_url=base, timeout=180, headers=headers) as client:
        while time.monotonic() < ends:
            number += 1
            begun = time.perf_counter()
            try:
                files = {"photo": ("photo.jpg", photos[number % len(photos)])}
                answer = await client.post("/v1/identify", files=files)
            except httpx2.HTTPError as error:
                seen.told[type(error).__name__] += 1
                await asyncio.sleep(0.2)
                continue
            seen.told[str(answer.status_code)] += 1
            if answer.status_code == 200:
                seen.answers.append(time.perf_counter() - begun)
            else:
                await asyncio.sleep(float(answer.headers.get("retry-after", 1)))


async def _asks_health(base: str, token: str, ends: float, seen: Seen) -> None:
    async with httpx2.AsyncClient(base_url=base, timeout=60, headers={"Authorization": f"Bearer {token}"}) as client:
        while time.monotonic() < ends:
            begun = time.perf_counter()
            try:
                await client.get("/v1/health")
                seen.health.append(time.perf_counter() - begun)
            except httpx2.HTTPError as error:
                seen.told[f"health {type(error).__name__}"] += 1
            await asyncio.sleep(0.25)


def honest_side(base: str, tokens: list[str], photos: list[bytes], seconds: float) -> Seen:
    """The honest clients, in a process of their own: what the hostile ones cost their own process is no delay of the
    service."""

    async def all_of_them() -> Seen:
        seen, ends = Seen(), time.monotonic() + seconds
        good = [_honest(base, token, photos, ends, seen, number) for number, token in enumerate(tokens)]
        await asyncio.gather(*good, _asks_health(base, tokens[0], ends, seen))
        return seen

    return asyncio.run(all_of_them())


async def _crowd(place: Place, tokens: list[str], photos: list[bytes], seconds: float, hostile: int) -> Seen:
    against = [what for what, count in HOSTILE for _ in range(count * hostile // 64)]
    bad = [asyncio.create_task(_again_and_again(what, place, seed)) for seed, what in enumerate(against)]
    await asyncio.sleep(2 if bad else 0)
    try:
        with process_pool(1) as apart:
            asked = apart.submit(honest_side, place.base, tokens, photos, seconds)
            return await asyncio.wrap_future(asked)
    finally:
        for task in bad:
            task.cancel()
        await asyncio.gather(*bad, return_exceptions=True)


def run(catalogue: Path, photos: list[bytes], seconds: float, hostile: int = 64, workers: int = 2) -> dict[str, object]:
    """Alone, beside so many hostile clients, and how long SIGTERM takes while they hang on."""
    costly_files = tuple(bombs(32, random.Random(1)))  # made before: making them costs more than sending them
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(shutil.copytree(catalogue, Path(scratch) / "catalogue"))
        with Catalogue.open(copy) as opened:
            tokens = [make_token(opened, f"honest {number}", "decide") for number in range(HONEST)]
            hostile_token = make_token(opened, "hostile", "manage")
        with serving(copy, "--behind-proxy", "--workers", str(workers)) as service:
            place = Place(service.port, hostile_token, costly_files)
            _until_ready(service, tokens[0])
            asyncio.run(_crowd(place, tokens, photos, min(10.0, seconds), 0))  # everything is loaded once
            alone = asyncio.run(_crowd(place, tokens, photos, seconds, 0))
            beside = asyncio.run(_crowd(place, tokens, photos, seconds, hostile))
            ended = asyncio.run(_stopped(place, service, hostile))
            told = {"alone": alone.row("alone"), "beside": beside.row(f"beside {hostile} hostile")}
            most = sorted(service.most_bytes.values(), reverse=True)[:4]
            return {
                **told, "sigterm_s": round(ended, 1), "largest_processes_gb": [round(one / 1e9, 2) for one in most],
                "log_mb": round(service.log.stat().st_size / 1e6, 2),
            }  # fmt: skip


def _until_ready(service: Serving, token: str) -> None:
    for _ in range(600):
        with suppress(httpx2.HTTPError):
            health = httpx2.get(f"{service.base}/v1/health", headers={"Authorization": f"Bearer {token}"}, timeout=30)
            if health.json()["status"] == "ok":
                return
        time.sleep(0.2)
    raise RuntimeError("the service does not get ready")


async def _stopped(place: Place, service: Serving, hostile: int) -> float:
    against = [what for what, count in HOSTILE for _ in range(max(1, count * hostile // 64))]
    bad = [asyncio.create_task(_again_and_again(what, place, seed)) for seed, what in enumerate(against)]
    await asyncio.sleep(3)
    ended = await asyncio.to_thread(service.stop)
    for task in bad:
        task.cancel()
    await asyncio.gather(*bad, return_exceptions=True)
    return ended


def main() -> None:
    """Print what was seen, one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--hostile", type=int, default=64)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    photos = [path.read_bytes() for path in chosen.photos]
    print(json.dumps(run(chosen.catalogue, photos, chosen.seconds, chosen.hostile, chosen.workers), indent=1))


if __name__ == "__main__":
    main()
