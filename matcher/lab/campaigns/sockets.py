"""What the product connects to while it works: every connect() and DNS question of every process, by strace.

Allowed are sockets of this machine's own (AF_UNIX) and the service's own address. Anything else is counted, and named.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from matcher.lab.campaigns.at_work import PLATEKIN, free_port

CALLS = "connect,sendto,sendmsg,sendmmsg"
_ADDRESS = re.compile(r"sa_family=AF_INET6?,.*?(?:inet_addr\(\"|inet_pton\(AF_INET6, \")([^\"]+)\"")
_PORT = re.compile(r"sin6?_port=htons\((\d+)\)")


def traced(command: Sequence[str], seconds: float | None = None) -> list[str]:
    """Run a command with all its children; lines of addresses that were spoken to, but for `127.0.0.1:PORT` that it
    listens on. seconds: after which it is ended. Raises FileNotFoundError where there is no strace."""
    if shutil.which("strace") is None:
        raise FileNotFoundError("strace")
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "trace"
        full = ["strace", "-f", "-qq", "-e", f"trace={CALLS}", "-o", str(out), *command]
        with subprocess.Popen(full, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
            try:
                process.wait(seconds)
            except subprocess.TimeoutExpired:
                subprocess.run(["pkill", "-TERM", "-P", str(process.pid)], check=False)
                try:
                    process.wait(60)
                except subprocess.TimeoutExpired:
                    process.kill()
        return spoken_to(out.read_text(errors="replace") if out.exists() else "")


def spoken_to(trace: str) -> list[str]:
    """Addresses of the Internet families in what strace has written."""
    found = []
    for line in trace.splitlines():
        address = _ADDRESS.search(line)
        if address:
            port = _PORT.search(line)
            found.append(f"{address[1]}:{port[1] if port else '?'}")
    return found


def run(
    photos: Sequence[Path], catalogue: Path, table: Path | None = None, seconds: float = 25.0
) -> dict[str, list[str]]:
    """What each kind of work has spoken to, by its name; each on a copy of the catalogue."""
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(shutil.copytree(catalogue, Path(scratch) / "catalogue"))
        box = Path(scratch) / "box"
        box.mkdir()
        for photo in photos:
            shutil.copyfile(photo, box / photo.name)
        (Path(scratch) / "words.txt").write_text("Rowing card, see https://example.org/ and www.example.org for more.")
        names = [str(box / photo.name) for photo in photos]
        works: dict[str, tuple[Sequence[str], float | None]] = {
            "identify": (["identify", *names, "-c", str(copy), "--quiet"], None),
            "identify in processes": (["identify", *(names * 4)[:8], "-c", str(copy), "--quiet"], None),
            "lot": (["lot", str(box), "-c", str(copy), "--quiet"], None),
            "listing": (["listing", "--text", str(Path(scratch) / "words.txt"), names[0], "-c", str(copy)], None),
            "serve": (["serve", "-c", str(copy), "--port", str(free_port()), "--quiet"], seconds),
        }
        if table is not None:
            works["enrol"] = (["enrol", str(table), "-c", str(Path(scratch) / "new"), "--quiet"], None)
        return {name: traced([*PLATEKIN, *words], limit) for name, (words, limit) in works.items()}


def main() -> None:
    """Work under strace; exit 1 where anything was connected to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--table", type=Path, help="a table of records to enrol")
    parser.add_argument("--seconds", type=float, default=25.0, help="how long the service runs")
    chosen = parser.parse_args()
    found = run(chosen.photos, chosen.catalogue, chosen.table, chosen.seconds)
    for name, addresses in found.items():
        print(f"{name:24} {len(addresses)} {' '.join(sorted(set(addresses)))}")
    raise SystemExit(any(found.values()))


if __name__ == "__main__":
    main()
