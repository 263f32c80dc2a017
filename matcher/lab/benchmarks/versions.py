"""Two versions of the product, asked the same photos by turns: how many times as long does the later one take?

    scripts/measure_versions BEFORE --catalogue-before DIR --catalogue DIR PHOTO... [--rounds 2]

BEFORE is a checkout of the version before, with a catalogue that it enrolled itself; the other one is this. Each serves
over HTTP with one process that identifies, as both have done from the start, in this environment's libraries. Neither
works while the other is asked, so that whatever else the machine does falls on both. What a service keeps of an answer
is not asked for: each photo is sent with some other bytes behind its end, which no JPEG reader reads.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx2

from matcher.lab.benchmarks.load import free_port

HERE = Path(__file__).parents[3]
LONGEST_START_S = 120


def command_of(checkout: Path) -> list[str]:
    """What starts a checkout's `platekin`, by its own pyproject; its modules are found before installed ones."""
    stated = tomllib.loads((checkout / "pyproject.toml").read_text())["project"]["scripts"]["platekin"]
    module, name = stated.split(":")
    return [sys.executable, "-P", "-c", f"from {module} import {name}; {name}()"]


@contextmanager
def served(checkout: Path, catalogue: Path) -> Iterator[httpx2.Client]:
    """A client of a version's service, once that answers. Raises RuntimeError where it never does."""
    port = free_port()
    options = ["serve", "--catalogue", str(catalogue.resolve()), "--port", str(port), "--workers", "1", "--quiet"]
    environment = {**os.environ, "PYTHONPATH": str(checkout.resolve())}
    command = [*command_of(checkout), *options]
    with (
        subprocess.Popen(command, cwd="/", env=environment) as process,
        httpx2.Client(base_url=f"http://127.0.0.1:{port}", timeout=180) as client,
    ):
        try:
            _wait(client, process)
            yield client
        finally:
            process.terminate()


def _wait(client: httpx2.Client, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + LONGEST_START_S
    while process.poll() is None and time.monotonic() < end:
        try:
            if client.get("/v1/health").status_code == 200:
                return
        except httpx2.TransportError:
            time.sleep(0.2)
    raise RuntimeError("a version's service did not come up; start it by hand to see why")


def by_turns(clients: Sequence[httpx2.Client], photos: Sequence[bytes], rounds: int) -> list[list[float]]:
    """Seconds of every answer, a list for each client, in the photos' order; the first photo warms both up, untold."""
    told: list[list[float]] = [[] for _ in clients]
    for client in clients:
        _ask(client, photos[0], "warm")
    for number in range(rounds):
        for photo in photos:
            for client, seconds in zip(clients, told, strict=True):
                seconds.append(_ask(client, photo, f"{number}"))
    return told


def _ask(client: httpx2.Client, photo: bytes, mark: str) -> float:
    begun = time.perf_counter()
    client.post("/v1/identify", files={"photo": ("photo.jpg", photo + mark.encode())}).raise_for_status()
    return time.perf_counter() - begun


def row(before: Sequence[float], now: Sequence[float]) -> str:
    """The ratios, photo by photo, for people.

    >>> row([1.0, 1.0, 2.0], [1.5, 1.2, 2.2])
    '1.20 times as long (median of 3 answers; 1.10 to 1.50): 1.50 s over 1.00 s'
    """
    ratios = sorted(later / earlier for earlier, later in zip(before, now, strict=True))
    typical = f"{statistics.median(now):.2f} s over {statistics.median(before):.2f} s"
    spread = f"{ratios[len(ratios) // 10]:.2f} to {ratios[-1 - len(ratios) // 10]:.2f}"
    return f"{statistics.median(ratios):.2f} times as long (median of {len(ratios)} answers; {spread}): {typical}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("before", type=Path)
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--catalogue-before", type=Path, required=True)
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=2)
    chosen = parser.parse_args()
    photos = [path.read_bytes() for path in chosen.photos]
    with served(chosen.before, chosen.catalogue_before) as before, served(HERE, chosen.catalogue) as now:
        print(row(*by_turns([before, now], photos, chosen.rounds)))


if __name__ == "__main__":
    main()
