"""A lot's run against the same stages called in a plain loop, on as many processes: seconds and memory."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.identify import identify
from matcher.core.parallel.processes import process_pool
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.jobs.lot.run import Progress
from matcher.jobs.lot.run import run as run_lot
from matcher.lab.processes import resident_family


@dataclass(frozen=True)
class Speed:
    """Wall and processor seconds of both, start of the processes included; memory: last third over first."""

    cards: int
    lot_s: float
    loop_s: float
    lot_cpu_s: float
    loop_cpu_s: float
    memory: float


def compare_speed(folder: Path, catalogue: Path, workers: int) -> Speed:
    """Both on the same scans, in quarters that take turns, so that a busy machine slows both alike."""
    scans = sorted(folder.glob("*.jpg"))
    parts = [scans[k::4] for k in range(4)]
    lot_s = loop_s = lot_cpu = loop_cpu = 0.0
    used: list[list[int]] = []
    for part in parts:
        used.append([])
        wall, cpu = _timed(partial(_as_lot, part, catalogue, workers, used[-1]))
        lot_s, lot_cpu = lot_s + wall, lot_cpu + cpu
        wall, cpu = _timed(partial(_in_a_loop, part, catalogue, workers))
        loop_s, loop_cpu = loop_s + wall, loop_cpu + cpu
    return Speed(len(scans), lot_s, loop_s, lot_cpu, loop_cpu, _growth(used))


def _as_lot(scans: list[Path], folder: Path, workers: int, used: list[int]) -> None:
    def tell(now: Progress) -> None:
        used.append(resident_family())

    with Catalogue.open(folder) as catalogue:
        run_lot(catalogue, scans, person("evaluation"), Settings(), new=True, workers=workers, tell=tell, compare=False)


def _in_a_loop(scans: list[Path], folder: Path, workers: int) -> None:
    with process_pool(workers) as pool:
        list(pool.map(_loop, [scans[k::workers] for k in range(workers)], [folder] * workers))


def _loop(scans: list[Path], folder: Path) -> int:
    """In a worker: nothing but the stages."""
    settings = Settings()
    with CatalogueReferences.open(folder, settings) as references:
        return sum(len(identify(read_photo(s), references, settings, references.calibration).cards) for s in scans)


def _timed(work: Callable[[], None]) -> tuple[float, float]:
    """Wall seconds, and processor seconds of this process and of children that have ended."""
    began, before = time.perf_counter(), os.times()
    work()
    after = os.times()
    cpu = sum(getattr(after, n) - getattr(before, n) for n in ("user", "system", "children_user", "children_system"))
    return time.perf_counter() - began, cpu


def _growth(quarters: list[list[int]]) -> float:
    """Mean of the last third over that of the first, quarter by quarter: each begins with new processes."""
    first = [kb for used in quarters for kb in used[: len(used) // 3]]
    last = [kb for used in quarters for kb in used[-(len(used) // 3) :]]
    return (sum(last) / len(last)) / max(1.0, sum(first) / len(first)) if first else float("nan")
