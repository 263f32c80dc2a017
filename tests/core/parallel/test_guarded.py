"""Work in this very process that still has an end: too slow, too large, and never to come back."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from matcher.core.errors import PlatekinError
from matcher.core.parallel.guarded import Guarded
from matcher.core.parallel.limits import WorkLimits
from matcher.core.settings import Settings
from matcher.jobs import workers
from matcher.jobs.job import Job, JobResult

SHORT = WorkLimits(job_s=0.5, memory_bytes=500_000_000)


def spin() -> None:
    while True:
        pass


def eat(size: int) -> int:
    return len(bytearray(size))


def test_too_slow_and_too_large_are_told_and_the_next_is_done() -> None:
    before = resource.getrlimit(resource.RLIMIT_AS)
    with Guarded(SHORT, "a.jpg") as guard:
        with pytest.raises(PlatekinError) as late:
            guard(spin)
        with pytest.raises(PlatekinError) as large:
            guard(eat, 3_000_000_000)
        assert guard(eat, 1000) == 1000
        time.sleep(1.2)  # nothing is at work: no time runs
        assert guard(os.getpid) == os.getpid()
    assert (late.value.code, large.value.code) == ("timeout", "too_much_memory")
    assert late.value.message == "a.jpg: no answer within 0.5 s"
    assert resource.getrlimit(resource.RLIMIT_AS) == before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


HANGS = """
import signal, time
from matcher.core.parallel import guarded
from matcher.core.parallel.limits import WorkLimits

def never():  # as a decoder that does not come back: Python hears of no alarm
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGALRM})
    time.sleep(60)

guarded.SPARE_S = 0.5
with guarded.Guarded(WorkLimits(job_s=0.5), "a.jpg") as guard:
    guard(never)
"""


def test_what_never_comes_back_ends_the_command_with_a_word(tmp_path: Path) -> None:
    script = tmp_path / "hangs.py"
    script.write_text(HANGS)
    begun = time.monotonic()
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=50, check=False)
    assert done.returncode == -signal.SIGKILL
    assert (
        done.stderr == "platekin: a.jpg: no answer within 0.5 s\n  what to do: save it as a plain JPEG, or divide it\n"
    )
    assert time.monotonic() - begun < 45


def test_a_photo_without_an_end_costs_itself_alone(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A command line of fewer than four photos: no pool is started for it."""
    opened = []

    def run(self: workers.Worker, job: Job) -> JobResult:
        opened.append(id(self))
        if job.name == "slow.jpg":
            spin()
        if job.name == "large.jpg":
            eat(3_000_000_000)
        return workers._failed(job, PlatekinError("no_card", job.name))

    monkeypatch.setattr(workers.Worker, "run", run)
    monkeypatch.setattr(workers, "PATIENT", SHORT)
    jobs = [Job(name, b"") for name in ("slow.jpg", "large.jpg", "good.jpg")]
    found = [result.answer.error for result in workers.identify_all(jobs, library, Settings())]
    assert [error and error.code for error in found] == ["timeout", "too_much_memory", "no_card"]
    assert len(opened) == 3


CRASHES = """
import os, signal, sys
from pathlib import Path
from matcher.core.parallel import guarded
from matcher.core.parallel.limits import WorkLimits

def crash(path):  # as a decoder that writes where it may not
    os.kill(os.getpid(), signal.SIGSEGV)

with guarded.Guarded(WorkLimits(job_s=20)) as guard:
    guard(len, "one that is read")
    guard(crash, Path("box/scan 7.jpg"))
"""


def test_what_crashes_ends_the_command_with_a_word(tmp_path: Path) -> None:
    script = tmp_path / "crashes.py"
    script.write_text(CRASHES)
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=50, check=False)
    assert done.returncode == -signal.SIGSEGV
    assert done.stderr == (
        "platekin: scan 7.jpg: the program came to a sudden end while it was read\n"
        "  what to do: save it as a plain JPEG, or leave it out; what was done before is kept\n"
    )


def test_an_end_between_two_photos_is_nobodys_fault(tmp_path: Path) -> None:
    script = tmp_path / "ends.py"
    script.write_text(CRASHES.replace('guard(crash, Path("box/scan 7.jpg"))', "crash(None)"))
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=50, check=False)
    assert (done.returncode, done.stderr) == (-signal.SIGSEGV, "")
