"""Identify timed: whole, by stage, against its floor and its baselines, at any number of references, on two processes.

floor:  decode + detect + flatten + ORB of the same photo: what no identification can do without.
baselines: ORB + RANSAC of the same face against every record, once with the descriptors of all records in memory, and
        once describing each record's picture anew (measured on some, scaled to all); the nearest 64-bit hash.
sizes:  below the catalogue's own, an index of its first references; above, an index grown by simulated ones, which are
        never registered since they have no faces: what grows with the catalogue is the index's work alone.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.condition import condition
from matcher.core.describe import describe, fingerprint
from matcher.core.detect.detection import detect
from matcher.core.flatten import Face, flatten
from matcher.core.identify import Identification, identify
from matcher.core.ladder.verification import verify
from matcher.core.ocr.reading import can_read
from matcher.core.parallel.processes import one_thread, process_pool
from matcher.core.photo import read_photo
from matcher.core.search.reference_index import ReferenceIndex
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all
from matcher.lab.benchmarks.simulated_index import Real, grow
from matcher.lab.evaluation.baselines import Baselines, inliers

ANEW = 200
"""Records whose faces are read and described anew for one query; the time is scaled to all of them."""

FLOORS = 3
Photos = list[tuple[str, bytes]]
Row = dict[str, object]
Result = TypeVar("Result")


@dataclass(frozen=True)
class Timed:
    """One photo: seconds of the whole and of its floor, and whether the right pose came first."""

    whole: float
    floor: float
    right: bool


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def floor(data: bytes) -> None:
    """What no identification can do without."""
    photo = read_photo(data)
    for outline in detect(photo):
        describe(flatten(photo, outline))


def at_size(folder: Path, photos: Photos, size: int, work: Path) -> Row:
    """One row, in a process of its own: a catalogue that has seen none of these photos, warmed with the last."""
    with process_pool(1) as pool:
        return pool.submit(_at_size, folder, photos, size, work).result()


def _at_size(folder: Path, photos: Photos, size: int, work: Path) -> Row:
    one_thread()
    settings = Settings()
    with CatalogueReferences.open(folder, settings) as references:
        references.index = index_of(references, size, work)
        warm(references, photos[-1][1])
        timed = [_time(pose, data, references) for pose, data in photos[:-1]]
        ratios = [one.whole / one.floor for one in timed]
        return {
            "references": len(references.index),
            "index": references.index.kind,
            "photos": len(timed),
            "identify_ms": round(1000 * statistics.median(one.whole for one in timed)),
            "floor_ms": round(1000 * statistics.median(one.floor for one in timed)),
            "over_floor_median": round(statistics.median(ratios), 2),
            "over_floor_p95": round(float(np.quantile(ratios, 0.95)), 2),
            "pose_first": f"{sum(one.right for one in timed)}/{len(timed)}",
        }


def index_of(references: CatalogueReferences, size: int, work: Path) -> ReferenceIndex:
    """The catalogue's own index, one of its first references, or one grown beyond them."""
    if size == len(references):
        return references.index
    if size < len(references):
        index = ReferenceIndex(work / "none", fingerprint())
        for number, text in list(references.catalogue.descriptions())[:size]:
            index.add(number, text)
        return index
    folder = work / f"index-{size}"
    if not (folder / "index.json").is_file():
        described = sorted(references.catalogue.descriptions(), key=lambda one: one[0])
        assert described[-1][0] - described[0][0] == len(described) - 1, "references have been removed"
        real = Real([text for _, text in described], [number for number, _ in described], [])
        grow(real, size, folder, first=described[0][0])
    return ReferenceIndex.open(folder, fingerprint())


def warm(references: CatalogueReferences, data: bytes) -> None:
    """As a worker is before its first photo, with another photo than those that are timed."""
    identify(read_photo(data), references, references.catalogue.settings, Calibration.load())
    can_read()


def _time(pose: str, data: bytes, references: CatalogueReferences) -> Timed:
    started = time.perf_counter()
    found = identify(read_photo(data), references, references.catalogue.settings, references.calibration)
    whole = time.perf_counter() - started
    least = statistics.median(seconds(lambda: floor(data)) for _ in range(FLOORS))
    closest = found.cards[0].answer.candidates[:1] if found.cards else ()
    return Timed(whole, least, bool(closest) and closest[0].record.pose == pose)


def by_stage(folder: Path, photos: Photos) -> Row:
    """Median milliseconds of each stage, one after the other on the same photos."""
    with process_pool(1) as pool:
        return pool.submit(_by_stage, folder, photos).result()


def _by_stage(folder: Path, photos: Photos) -> Row:
    one_thread()
    stage_seconds: dict[str, list[float]] = {}

    def stage(name: str, work: Callable[..., Result], *given: Any) -> Result:
        started = time.perf_counter()
        result = work(*given)
        stage_seconds.setdefault(name, []).append(time.perf_counter() - started)
        return result

    with CatalogueReferences.open(folder, Settings()) as references:
        warm(references, photos[-1][1])
        for _, data in photos[:-1]:
            photo = stage("decode", read_photo, data)
            outlines = stage("detect", detect, photo)
            for outline in list(outlines)[:1]:
                face = stage("flatten", flatten, photo, outline)
                stage("condition", condition, face, photo, outline)
                description = stage("describe", describe, face)
                hits = stage("search", references.index.search, description)
                stage("ladder", verify, View(face, description), references, references.calibration, hits)
        for _, data in photos[:-1]:
            stage("identify, all", _identified, data, references)
    return {name: round(1000 * statistics.median(times), 1) for name, times in stage_seconds.items()}


def by_reading(folder: Path, photos: Sequence[Path]) -> Row:
    """What reading adds to an identification: each photo asked with it and without it, in turn."""
    with process_pool(1) as pool:
        return pool.submit(_by_reading, folder, photos).result()


def _by_reading(folder: Path, photos: Sequence[Path]) -> Row:
    one_thread()
    settings = Settings()
    ocr = replace(settings.ocr, reader=replace(settings.ocr.reader, on=False))
    both = (settings, replace(settings, ocr=ocr))
    with CatalogueReferences.open(folder, settings) as references:
        photos_read = [read_photo(path.read_bytes()) for path in photos]
        for one in photos_read[:WARM]:
            identify(one, references, settings, references.calibration)
        timed = []
        for number, photo in enumerate(photos_read):
            ask = partial(identify, photo, references, calibration=references.calibration)
            in_turn = both if number % 2 else both[::-1]  # what comes second finds more in memory
            took = {one.ocr.reader.on: 1000 * seconds(partial(ask, settings=one)) for one in in_turn}
            timed.append((took[True], took[False]))
    added = [read - unread for read, unread in timed]
    return {
        "photos": len(timed),
        "read_ms": round(statistics.median(read for read, _ in timed)),
        "not_read_ms": round(statistics.median(unread for _, unread in timed)),
        "added_ms": round(statistics.median(added)),
        "added_ms_p95": round(float(np.quantile(added, 0.95))),
    }


WARM = 3
"""Photos asked before any is timed, for which libraries are loaded."""


def _identified(data: bytes, references: CatalogueReferences) -> Identification:
    return identify(read_photo(data), references, Settings(), references.calibration)


def processes(folder: Path, photos: Photos, rounds: int) -> Row:
    """Photos a second on one process and on two, none counted before each process has answered once."""
    rates = {}
    for workers in (1, 2):
        jobs = [Job(f"{n}.jpg", data) for n, (_, data) in enumerate(photos * rounds)]
        answers = identify_all(jobs, folder, Settings(), workers)
        for _ in range(2 * workers):
            next(answers)
        started = time.perf_counter()
        count = sum(1 for _ in answers)
        rates[workers] = count / (time.perf_counter() - started)
    return {
        "one_process_per_s": round(rates[1], 2),
        "two_processes_per_s": round(rates[2], 2),
        "two_over_one": round(rates[2] / rates[1], 2),
    }


def baselines(folder: Path, photos: Photos) -> Row:
    """What the baselines take and name, over what identify takes and names on the same photos."""
    with CatalogueReferences.open(folder, Settings()) as references:
        warm(references, photos[-1][1])
        everything, compared = Baselines.of(references), []
        for pose, data in photos[:-1]:
            timed, face = _time(pose, data, references), _face(data)
            text, started = describe(face), time.perf_counter()
            by_features = everything.most_inliers(text).pose
            features_s = time.perf_counter() - started
            by_hash = everything.nearest_hash(face).pose
            compared.append((timed, features_s / timed.whole, by_features == pose, by_hash == pose))
        anew = _describing_anew(_face(photos[0][1]), references)
    count, whole = len(compared), statistics.median(one[0].whole for one in compared)
    return {
        "orb_ransac_over_identify": round(statistics.median(one[1] for one in compared), 1),
        "describing_anew_over_identify": round(anew / whole, 1),
        "pose_first": f"{sum(one[0].right for one in compared)}/{count}",
        "pose_first_orb_ransac": f"{sum(one[2] for one in compared)}/{count}",
        "pose_first_hash": f"{sum(one[3] for one in compared)}/{count}",
    }


def _face(data: bytes) -> Face:
    photo = read_photo(data)
    return flatten(photo, next(iter(detect(photo))))


def _describing_anew(face: Face, references: CatalogueReferences) -> float:
    """Seconds that ORB + RANSAC would take on all references if each one's face were read and described for it."""
    some = references.catalogue.references()[:ANEW]
    started = time.perf_counter()
    text = describe(face)
    for reference in some:
        inliers(text, describe(references.catalogue.face(reference)))
    return (time.perf_counter() - started) / len(some) * len(references)
