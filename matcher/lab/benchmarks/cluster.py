"""Photos a second on a Dask cluster of one and of two worker processes of this machine, and on its own pool of two."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from distributed import LocalCluster

from matcher.core.parallel.cluster import Cluster
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all
from matcher.lab.benchmarks.identification import Photos, Row

WARM = 4
"""Answers a worker that are not counted: the first ones open the catalogue."""


def scaling(folder: Path, photos: Photos, rounds: int) -> Row:
    """One row; everything is asked for the same photos."""
    jobs = [Job(f"{number}.jpg", data) for number, (_, data) in enumerate(photos * rounds)]
    rates = {f"cluster_of_{workers}_per_s": _on_cluster(folder, jobs, workers) for workers in (1, 2)}
    here = _rate(identify_all(jobs, folder, Settings(), 2), 2 * WARM)
    return {
        **{name: round(rate, 2) for name, rate in rates.items()},
        "own_pool_of_2_per_s": round(here, 2),
        "two_over_one": round(rates["cluster_of_2_per_s"] / rates["cluster_of_1_per_s"], 2),
        "cluster_over_own_pool": round(rates["cluster_of_2_per_s"] / here, 2),
    }


def _on_cluster(folder: Path, jobs: list[Job], workers: int) -> float:
    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None) as local,
        Cluster.connect(local.scheduler_address, folder) as cluster,
    ):
        return _rate(identify_all(jobs, folder, Settings(), cluster=cluster), WARM * workers)


def _rate(answers: Iterator[object], warm: int) -> float:
    for _ in range(warm):
        next(answers)
    started = time.perf_counter()
    return sum(1 for _ in answers) / (time.perf_counter() - started)
