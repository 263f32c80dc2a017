"""Work on a cluster of real worker processes: the same answers as here, and a killed worker costs only time."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.prepare import Sought, prepare_in_order
from matcher.core.errors import PlatekinError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.limits import WorkLimits
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all
from matcher.lab.training.recalibrate import Task, worked

pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning:distributed")

ROOT = Path(__file__).parents[3]
IDS = (3, 8, 21, 22, 40)
UNCLEAN = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "2", "PYTHONWARNINGS": "ignore"}


class Machines:
    """A scheduler and two workers, as a person would start them, here on one machine."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.started: list[subprocess.Popen[str]] = []
        scheduler = self._start("scheduler", "--port", "0", "--no-dashboard", "--host", "127.0.0.1")
        assert scheduler.stderr is not None
        told = (re.search(r"Scheduler at:\s+(tcp://\S+)", line) for line in scheduler.stderr)
        self.address = next(found for found in told if found).group(1)
        for _ in range(2):
            self._start("worker", self.address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1")

    def _start(self, *arguments: str) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "distributed.cli.dask_" + arguments[0], *arguments[1:]]
        if arguments[0] == "worker":
            command += ["--local-directory", str(self.folder), "--death-timeout", "60"]
        paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
        environment = {**os.environ, **UNCLEAN, "PYTHONPATH": paths}
        err = subprocess.PIPE if arguments[0] == "scheduler" else subprocess.DEVNULL
        process = subprocess.Popen(
            command, cwd=self.folder, env=environment, stdout=subprocess.DEVNULL, stderr=err, text=True
        )
        self.started.append(process)
        return process

    def close(self) -> None:
        for process in reversed(self.started):
            process.send_signal(signal.SIGTERM)
        for process in self.started:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stderr is not None:
                process.stderr.close()


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    made = Machines(tmp_path_factory.mktemp("machines"))
    yield made
    made.close()


@pytest.fixture
def cluster(machines: Machines) -> Iterator[Cluster]:
    with Cluster.connect(machines.address, patience=60) as connected:
        connected.client.wait_for_workers(2, timeout=60)
        yield connected


def squared(number: int) -> int:
    return number * number


def slowly(number: int) -> tuple[int, int]:
    time.sleep(0.2)
    return number, os.getpid()


def fatal(number: int) -> int:
    if number == 3:
        os._exit(1)
    return number


def test_results_come_in_the_order_of_the_items(cluster: Cluster) -> None:
    assert list(cluster.in_order(range(60), squared, squared)) == [n * n for n in range(60)]


def test_a_worker_killed_in_mid_run_costs_only_time(cluster: Cluster) -> None:
    results: list[tuple[int, int]] = []
    for result in cluster.in_order(range(24), slowly, lambda n: (n, -1)):
        results.append(result)
        if len(results) == 3:
            os.kill(result[1], signal.SIGKILL)
    assert [number for number, _ in results] == list(range(24))
    assert -1 not in {process for _, process in results}


def test_an_item_that_ends_its_workers_is_lost_alone(cluster: Cluster) -> None:
    assert list(cluster.in_order(range(6), fatal, lambda n: -n)) == [0, 1, 2, -3, 4, 5]


def test_no_cluster_and_a_folder_that_is_not_seen_are_told(machines: Machines, tmp_path: Path) -> None:
    with pytest.raises(PlatekinError) as told:
        Cluster.connect("tcp://127.0.0.1:9", patience=1)
    assert told.value.code == "no_cluster"
    with pytest.raises(PlatekinError) as told:
        Cluster.connect(machines.address, tmp_path / "elsewhere", patience=60)
    assert told.value.code == "cluster_blind"
    assert "elsewhere" in told.value.message


def test_photos_are_answered_as_they_are_here(cluster: Cluster, library: Path, tmp_path: Path) -> None:
    scans = sorted((library.parent).glob("scan*.png"))[:3]
    (tmp_path / "broken.jpg").write_text("no picture")
    jobs = [Job(path.name, path) for path in [*scans, tmp_path / "broken.jpg"]]
    here = list(identify_all(jobs, library, Settings(), workers=1))
    there = list(identify_all(jobs, library, Settings(), cluster=cluster))
    assert there == here
    assert len(here) == 4
    assert here[-1].answer.error
    assert here[-1].answer.error.code == "not_an_image"
    assert _prepared(scans, cluster=cluster) == _prepared(scans, workers=0)


def test_rehearsals_are_the_same_trials_as_here(cluster: Cluster, library: Path) -> None:
    with Catalogue.open(library) as catalogue:
        first, other = catalogue.references()[:2]
        tasks = [Task(((first, other),), 5, ("",)), Task(((other, None),), 6, ("",))]
        here = list(worked(catalogue, tasks, 1, lambda done, total: None))
        there = list(worked(catalogue, tasks, 1, lambda done, total: None, cluster))
    assert there == here
    assert [len(trials) > 5 for trials in here] == [True, True]


def _prepared(scans: list[Path], **how: Any) -> list[Any]:
    """What enrolling would store of these scans."""
    found = prepare_in_order(list(map(Sought, [*scans, scans[0].parent / "nowhere.png"])), Settings(), **how)
    return [
        (one.code, one.message) if isinstance(one, PlatekinError) else (one.sha256, one.quad, one.facts, one.face)
        for one in found
    ]


def endless(number: int) -> int:
    while number == 3:
        time.sleep(0.1)
    return number


def greedy(number: int) -> int:
    return len(bytearray(8_000_000_000)) if number == 3 else number


def test_an_item_beyond_its_limits_is_lost_alone(cluster: Cluster) -> None:
    """Time ends the worker, which its nanny starts again; memory is refused to the item itself."""
    limits = WorkLimits(job_s=2.0, memory_bytes=1_000_000_000)
    assert list(cluster.in_order(range(6), endless, lambda n: -n, limits)) == [0, 1, 2, -3, 4, 5]
    with pytest.raises(MemoryError):
        list(cluster.in_order(range(6), greedy, lambda n: -n, limits))
