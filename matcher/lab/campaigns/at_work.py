"""A service of our own, started, asked and ended, for campaigns; its processes and their memory."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx2

from matcher.lab.processes import family, resident

PLATEKIN = (sys.executable, "-c", "from matcher.cli.start import main; main()")


@dataclass
class Serving:
    """A running service. told: what it has written, in bytes."""

    process: subprocess.Popen[bytes]
    port: int
    log: Path
    most_bytes: dict[int, int] = field(default_factory=dict)

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def health(self, timeout: float = 30.0, **headers: str) -> tuple[int, float]:
        """Status of /v1/health, and seconds until it was there."""
        begun = time.perf_counter()
        status = httpx2.get(f"{self.base}/v1/health", timeout=timeout, headers=headers).status_code
        return status, time.perf_counter() - begun

    def stop(self, how: int = signal.SIGTERM, patience: float = 60.0) -> float:
        """End it; seconds until it was gone, `patience` where it had to be killed."""
        begun = time.perf_counter()
        with suppress(ProcessLookupError):
            self.process.send_signal(how)
        try:
            self.process.wait(patience)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            return patience
        return time.perf_counter() - begun


@contextmanager
def serving(catalogue: Path, *options: str, env: dict[str, str] | None = None) -> Iterator[Serving]:
    """`platekin serve` on a free port, once it answers; ended afterwards, however it is then."""
    port, log = free_port(), catalogue.parent / f"{catalogue.name}.log"
    command = [*PLATEKIN, "serve", "--catalogue", str(catalogue), "--port", str(port), *options]
    with log.open("ab") as told:
        process = subprocess.Popen(command, stdout=told, stderr=told, env={**os.environ, **(env or {})})
    running = Serving(process, port, log)
    watching = threading.Thread(target=_watch, args=(running,), daemon=True)
    try:
        wait_until_up(running)
        watching.start()
        yield running
    finally:
        running.stop(signal.SIGKILL)


def wait_until_up(running: Serving, patience: float = 120.0) -> None:
    """Until it answers anything at all. Raises RuntimeError where it never does."""
    end = time.monotonic() + patience
    while time.monotonic() < end and running.process.poll() is None:
        with suppress(httpx2.HTTPError):
            httpx2.get(f"{running.base}/", timeout=5)
            return
        time.sleep(0.1)
    raise RuntimeError(f"the service did not come up: {running.log.read_text(errors='replace')[-2000:]}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _watch(running: Serving) -> None:
    """Note the most that each process has held, as long as the service lives."""
    while running.process.poll() is None:
        for process in family(running.process.pid):
            running.most_bytes[process] = max(running.most_bytes.get(process, 0), resident(process))
        time.sleep(0.2)
