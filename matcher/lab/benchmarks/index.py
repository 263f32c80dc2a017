"""The index alone, at any number of references: cost and recall, each size in a process of its own.

oracle: every descriptor of every reference compared with every one of the query's (FAISS, flat), at the smallest size.
"""

from __future__ import annotations

import shutil
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from matcher.core.describe import Description, fingerprint
from matcher.core.parallel.processes import one_thread, process_pool
from matcher.core.search.reference_index import ReferenceIndex
from matcher.core.search.settings import SearchSettings
from matcher.lab.benchmarks.cards import records_of
from matcher.lab.benchmarks.simulated_index import Real, describe_cards, grow
from matcher.lab.processes import resident

Result = TypeVar("Result")

POSES = 4
"""Negatives at the head of the shortlist that `identify` registers."""


def oracle_of(real: Real, folder: Path) -> ReferenceIndex:
    """The exact index, whatever the size."""
    index = ReferenceIndex(folder, fingerprint(), SearchSettings(exact_below=10**9))
    for number, description in enumerate(real.references):
        index.add(number, description)
    return index


def measure_sizes(real_folder: Path, sizes: list[int], queries: int, work: Path) -> list[dict[str, object]]:
    """One row a size, and one for the oracle on the real references alone."""
    rows = []
    for size in sizes:
        folder = work / f"index-{size}"
        with process_pool(1) as pool:
            built = pool.submit(_build, real_folder, size, folder).result()
        with process_pool(1) as pool:
            rows.append({**built, **pool.submit(_measure, real_folder, size, folder, queries).result()})
        print(rows[-1], flush=True)
    with process_pool(1) as pool:
        rows.append(pool.submit(_oracle, real_folder, min(queries, 48)).result())
    return rows


def _build(real_folder: Path, size: int, folder: Path) -> dict[str, object]:
    one_thread()
    started = time.process_time()
    if not (folder / "index.json").is_file():
        shutil.rmtree(folder, ignore_errors=True)
        grow(Real.load(real_folder), size, folder)
    return {"references": size, "grown_in_cpu_s": round(time.process_time() - started)}


def _measure(real_folder: Path, size: int, folder: Path, queries: int) -> dict[str, object]:
    one_thread()
    real = Real.load(real_folder)
    before = resident()
    opening, index = _timed(lambda: ReferenceIndex.open(folder, fingerprint()))
    assert len(index) == size, "not opened"
    asked = real.queries[1::2][:queries]  # the others are for choosing settings
    found = _ask(index, real, asked)
    # A reference comes and goes in one step each; what is added is a real card that is there already.
    adding = [_timed(partial(index.add, size + k, real.references[k]))[0] for k in range(20)]
    removing = [_timed(partial(index.remove, 17 + 31 * k))[0] for k in range(20)]
    files = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    return {
        "kind": index.kind,
        "cells": index.cells,
        "opening_s": round(opening, 3),
        "file_gb": round(files / 1e9, 2),
        "resident_gb": round((resident() - before) / 1e9, 2),
        **found,
        "add_ms": round(1000 * statistics.median(adding), 2),
        "remove_ms": round(1000 * statistics.median(removing), 2),
    }


def _oracle(real_folder: Path, queries: int) -> dict[str, object]:
    one_thread()
    real = Real.load(real_folder)
    rows = {"references": len(real.references), "kind": "oracle (FAISS flat, all descriptors)"}
    return {**rows, **_ask(oracle_of(real, real_folder), real, real.queries[1::2][:queries])}


def _ask(index: ReferenceIndex, real: Real, queries: list[tuple[int, Description]]) -> dict[str, object]:
    """Time and recall, after a pass that warms caches, as in a service that has run for a while."""
    walls, cpus, first, few, listed = [], [], 0, 0, 0
    for _, text in queries[:12]:
        index.search(text)
    for owner, text in queries:
        wall, cpu = time.perf_counter(), time.process_time()
        hits = index.search(text)
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
        poses = [real.owners[h.reference_id] if h.reference_id < len(real.owners) else -1 for h in hits]
        first += poses[:1] == [owner]
        few += owner in list(dict.fromkeys(poses))[:POSES]
        listed += owner in poses
    return {
        "queries": len(queries),
        "search_cpu_ms": round(1000 * statistics.median(cpus), 1),
        "search_wall_ms": round(1000 * statistics.median(walls), 1),
        "search_wall_p95_ms": round(1000 * float(np.quantile(walls, 0.95)), 1),
        "pose_first": first,
        f"pose_in_{POSES}": few,
        "pose_in_list": listed,
    }


def draw_cards(photographs: list[Path], folder: Path, workers: int) -> None:
    """Describe the cards of all photographs, unless they are described already."""
    folder.mkdir(parents=True, exist_ok=True)
    todo = [(n, path, folder) for n, path in enumerate(photographs) if not (folder / f"{n:05d}.npz").is_file()]
    if todo:
        with process_pool(workers) as pool:
            list(pool.map(_draw, *zip(*todo, strict=True), chunksize=4))


def _draw(number: int, path: Path, folder: Path) -> None:
    one_thread()
    describe_cards(number, path, folder, [arrival.prepared.description for _, arrival in records_of(number, path)])


def plot(rows: Sequence[Mapping[str, object]], names: tuple[str, str], path: Path) -> None:
    """Two costs against the number of references, on scales of powers."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(9, 3.6), layout="constrained")
    for axis, name in zip(axes, names, strict=True):
        axis.loglog([row["references"] for row in rows], [row[name] for row in rows], "o-")
        axis.set_xlabel("references")
        axis.set_ylabel(name.replace("_", " "))
        axis.grid(True, which="both", alpha=0.3)
    figure.savefig(path)
    plt.close(figure)


def _timed(work: Callable[[], Result]) -> tuple[float, Result]:
    started = time.perf_counter()
    result = work()
    return time.perf_counter() - started, result
