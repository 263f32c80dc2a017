"""Nothing leaves the machine: no process of ours connects to anything, or asks for a name.

Review of security, finding 5. The whole: `scripts/mistreat sockets`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from matcher.lab.campaigns.sockets import spoken_to, traced

NETWORK = """
import os, sys, numpy as np
import matcher
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import _session
from matcher.core.parallel.supervised import supervised_pool

def asked(_=0):
    _session(weight_file("orientation.onnx"))
    assert os.environ["ORT_DISABLE_TELEMETRY"] == "1"
    return os.getpid()

if __name__ == "__main__":
    asked()
    import time
    time.sleep(float(sys.argv[1]))
"""

TALKS = "import socket; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.connect(('192.0.2.1', 9))"

needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here")


@needs_strace
def test_the_watch_sees_a_connection() -> None:
    assert traced([sys.executable, "-c", TALKS]) == ["192.0.2.1:9"]


def test_what_strace_writes_is_read() -> None:
    trace = (
        '12 connect(3, {sa_family=AF_INET6, sin6_port=htons(53), inet_pton(AF_INET6, "2001:db8::1", &sin6_addr)}, 28)'
    )
    assert spoken_to(trace + '\n13 connect(4, {sa_family=AF_UNIX, sun_path="/x"}, 4)') == ["2001:db8::1:53"]


@needs_strace
def test_a_network_is_loaded_without_a_word_to_anybody(tmp_path: Path) -> None:
    script = tmp_path / "network.py"
    script.write_text(NETWORK)
    assert traced([sys.executable, str(script), "2"]) == []


def test_the_runtimes_own_reports_are_off_before_it_is_loaded_and_leave_no_file(tmp_path: Path) -> None:
    script = tmp_path / "network.py"
    script.write_text(NETWORK)
    env = {name: value for name, value in os.environ.items() if name != "ORT_DISABLE_TELEMETRY"}
    env |= {"HOME": str(tmp_path / "home"), "TMPDIR": str(tmp_path / "tmp"), "XDG_CACHE_HOME": str(tmp_path / "home")}
    for name in ("home", "tmp"):
        (tmp_path / name).mkdir()
    subprocess.run([sys.executable, str(script), "1"], env=env, check=True)
    left = [path for name in ("home", "tmp") for path in (tmp_path / name).rglob("*") if "onnx" in path.name.lower()]
    assert left == []
