"""A database that goes away and comes back, a disk that fills up and is freed, a clock that jumps; under a service.

After each, without anybody's doing, photos are answered as before, decisions are taken, and `check` is clean.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import httpx2

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.log_io import export_log, replay_log
from matcher.catalogue.tables.database import DATABASE, URL_FILE
from matcher.lab.campaigns.at_work import Serving, serving
from matcher.lab.campaigns.kills import own_schema

FAKETIME = Path("/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1")


@dataclass(frozen=True)
class Outage:
    """during, after: what requests were told. recovered_s: until all was answered again. same: the answers, as before.

    whole: `check` found nothing afterwards, and no acknowledged decision was lost.
    """

    name: str
    during: dict[str, int]
    recovered_s: float
    same: bool
    whole: bool

    @property
    def line(self) -> str:
        return (
            f"{self.name}: during it {self.during}; all answered again after {self.recovered_s:.1f} s, "
            f"{'as before' if self.same else 'OTHERWISE'}, {'whole' if self.whole else 'NOT WHOLE'}"
        )


class Asking:
    """A client that identifies a photo and takes a decision, and remembers what it was told is done."""

    def __init__(self, service: Serving, photo: bytes) -> None:
        self.base, self.photo, self.number = service.base, photo, 0
        self.acknowledged: list[int] = []

    def identify(self) -> str | dict[str, Any]:
        """The answer without its versions, or the code of an error."""
        files = {"photo": ("photo.jpg", self.photo)}
        answer = httpx2.post(f"{self.base}/v1/identify", files=files, timeout=180)
        told: dict[str, Any] = answer.json()
        return {**told, "versions": {}} if answer.status_code == 200 else str(told["code"])

    def decide(self) -> str:
        """'done', or the code of an error."""
        self.number += 1
        record = httpx2.get(f"{self.base}/v1/records?limit=1", timeout=60)
        if record.status_code != 200:
            return str(record.json()["code"])
        body = {
            "action": "edit", "record_id": record.json()["items"][0]["record_id"],
            "fields": {"note": f"note {time.monotonic_ns()}"},
        }  # fmt: skip
        headers = {"Idempotency-Key": f"k{time.monotonic_ns()}", "If-Match": "*"}
        made = httpx2.post(f"{self.base}/v1/decisions", json=body, headers=headers, timeout=60)
        if made.status_code == 201:
            self.acknowledged.append(int(made.json()["number"]))
            return "done"
        return str(made.json()["code"])


def through(
    name: str, catalogue: Path, service: Serving, photo: bytes, begin: Callable[[], None], end: Callable[[], None],
    seconds: float,
) -> Outage:  # fmt: skip
    """Ask before, during and after; `begin` and `end` make the outage."""
    client = Asking(service, photo)
    before = _patiently(client.identify, lambda told: isinstance(told, dict), 120)
    begin()
    during: Counter[str] = Counter()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        for ask in (client.decide, client.identify):
            try:
                told = ask()
            except httpx2.HTTPError as error:
                told = type(error).__name__
            during[told if isinstance(told, str) else "identified"] += 1
        time.sleep(0.5)
    end()
    freed = time.monotonic()
    after = _patiently(client.identify, lambda told: isinstance(told, dict), 120)
    _patiently(client.decide, lambda told: told == "done", 120)
    recovered = time.monotonic() - freed
    with Catalogue.open(catalogue) as opened:
        numbers = {decision.number for decision in opened.decisions()}
        whole = not check(opened) and set(client.acknowledged) <= numbers
    return Outage(name, dict(during), recovered, before == after, whole)


def database_gone(
    catalogue: Path, photo: bytes, server: str, stop: Sequence[str], start: Sequence[str], seconds: float
) -> Outage:
    """The catalogue in PostgreSQL; its server is stopped by one command and started by another."""
    with _copied(catalogue) as copy:
        with Catalogue.open(copy) as opened:
            export_log(opened, copy.parent / "log.jsonl")
        (copy / DATABASE).unlink()
        (copy / URL_FILE).write_text(own_schema(server, "outage"))
        with Catalogue.open(copy, create=True) as shared:
            replay_log(shared, copy.parent / "log.jsonl")
            shared.describe_lacking()
        with serving(copy, "--workers", "1") as service:
            name = f"PostgreSQL away for {seconds:g} s"
            return through(name, copy, service, photo, partial(_do, stop), partial(_do, start), seconds)


def _do(command: Sequence[str]) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def disk_full(catalogue: Path, photo: bytes, seconds: float) -> Outage:
    """The catalogue on a small disk that is filled up, and freed. Raises OSError where mounting is not permitted."""
    with tempfile.TemporaryDirectory() as scratch:
        size = sum(path.stat().st_size for path in catalogue.rglob("*") if path.is_file())
        disk = Path(scratch) / "disk"
        disk.mkdir()
        options = f"size={size + 30_000_000}"
        subprocess.run(["mount", "-t", "tmpfs", "-o", options, "none", str(disk)], check=True)
        try:
            copy = Path(shutil.copytree(catalogue, disk / "catalogue"))
            with serving(copy, "--workers", "1") as service:
                service.log.parent.mkdir(exist_ok=True)
                filler = disk / "filler"

                def fill() -> None:
                    with filler.open("wb") as stream, suppress(OSError):
                        while True:
                            stream.write(bytes(1 << 16))

                return through("disk full", copy, service, photo, fill, filler.unlink, seconds)
        finally:
            subprocess.run(["umount", "-l", str(disk)], check=True)


def clock_jumps(catalogue: Path, photo: bytes, seconds: float) -> Outage:
    """The service's wall clock 25 years back, then 55 ahead, then right, by libfaketime. Raises FileNotFoundError."""
    if not FAKETIME.exists():
        raise FileNotFoundError(FAKETIME)
    with _copied(catalogue) as copy:
        clock = copy.parent / "clock"
        clock.write_text("+0")
        env = {
            "LD_PRELOAD": str(FAKETIME), "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }  # fmt: skip
        with serving(copy, "--workers", "1", env=env) as service:
            client = Asking(service, photo)
            before = _patiently(client.identify, lambda told: isinstance(told, dict), 120)
            during: Counter[str] = Counter()
            for jump in ("-25y", "+55y"):
                clock.write_text(jump)
                until = time.monotonic() + seconds / 2
                while time.monotonic() < until:
                    during[client.decide()] += 1
                    during["identified" if client.identify() == before else "OTHERWISE"] += 1
            clock.write_text("+0")
            again = time.monotonic()
            after = client.identify()
            done = client.decide() == "done"
            with Catalogue.open(copy) as opened:
                numbers = [decision.number for decision in opened.decisions()]
                whole = not check(opened) and set(client.acknowledged) <= set(numbers) and done
            same = before == after and not during["OTHERWISE"]
            return Outage("clock 25 years back, 55 ahead, right", dict(during), time.monotonic() - again, same, whole)


@contextmanager
def _copied(catalogue: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as scratch:
        yield Path(shutil.copytree(catalogue, Path(scratch) / "catalogue"))


def _patiently(ask: Callable[[], Any], good: Callable[[Any], bool], patience: float) -> Any:
    """Ask until the answer is good, or patience is over; the last answer."""
    until, told = time.monotonic() + patience, None
    while time.monotonic() < until:
        with suppress(httpx2.HTTPError):
            told = ask()
            if good(told):
                break
        time.sleep(0.3)
    return told


def main() -> None:
    """Make each outage that can be made here; exit 1 where something did not go on by itself as before."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", type=Path)
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--server", default="", help="a PostgreSQL database: postgresql+psycopg://user@host/name")
    parser.add_argument("--stop", default="", help="JSON list: the command that stops its server")
    parser.add_argument("--start", default="", help="JSON list: the command that starts it again")
    chosen = parser.parse_args()
    photo, found = chosen.photo.read_bytes(), []
    if chosen.server:
        stop, start = json.loads(chosen.stop), json.loads(chosen.start)
        found.append(database_gone(chosen.catalogue, photo, chosen.server, stop, start, chosen.seconds))
        print(found[-1].line, flush=True)
    for make in (disk_full, clock_jumps):
        try:
            found.append(make(chosen.catalogue, photo, chosen.seconds))
            print(found[-1].line, flush=True)
        except (FileNotFoundError, subprocess.CalledProcessError) as error:
            print(f"{make.__name__}: cannot be made here: {error}", flush=True)
    raise SystemExit(not all(one.same and one.whole for one in found))


if __name__ == "__main__":
    main()
