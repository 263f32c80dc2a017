"""The confidence refitted on one's own catalogue: its references in; calibration and a report of what it gained out.

The most legible reference of each pose becomes a negative. It is printed, aged and photographed in code, and compared
with its own scan and with other poses (`trials`). Subjects are split: some teach, the others judge, rung by rung,
whether what was learnt does better than what is shipped; only then it is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import chain
from typing import Any

import cv2
import numpy as np

from matcher.catalogue import Catalogue, ReferenceRow
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.view import picture_zone
from matcher.core.calibration import Calibration
from matcher.core.errors import CatalogueError
from matcher.core.flatten import Face
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import process_pool
from matcher.core.reference_set import KnownReference
from matcher.lab.synthesis.trials import Picture, Subject, Trial, trials
from matcher.lab.training.fitting import RUNGS, Rows, as_json, fit_rung, report, rows_of

LEAST_POSES, LEAST_SUBJECTS = 30, 10
"""Fewer teach nothing: they give some hundred pairs for a score of features, and too few subjects to judge them on."""

LEAST_CONTRAST = 0.3
"""References that have kept less are no negatives: their grain would be taken for the picture."""

LEAST_DRAWN = (80, 40)
"""To teach and to judge: fewer poses than this are drawn several times."""

HELD_OUT = 0.3
WIDTH = 600

AT_ONCE = 5

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Gain:
    """One rung on the held-out pairs: shipped and refitted (`fitting.report`), and whether the refitted was taken."""

    rung: str
    shipped: dict[str, float]
    refitted: dict[str, float]

    @property
    def taken(self) -> bool:
        return self.refitted["brier"] < self.shipped["brier"]


@dataclass(frozen=True)
class Refitted:
    """calibration: what `Calibration.load` reads, as JSON. poses: drawn. pairs: that taught."""

    calibration: dict[str, Any]
    gains: tuple[Gain, ...]
    poses: int
    pairs: int


def refit(
    references: CatalogueReferences,
    *,
    seed: int = 1,
    most: int = 150,
    workers: int = 2,
    fonts: Sequence[str] = ("",),
    progress: Progress = lambda done, total: None,
    cluster: Cluster | None = None,
) -> Refitted:
    """Refit the confidence on a catalogue's own references; at most so many poses. Nothing is written.

    Raises CatalogueError too_few_poses; on a cluster PlatekinError no_cluster.
    """
    chosen = _chosen(references, most, np.random.default_rng([seed, 51]))
    teach, judge = _split(chosen, np.random.default_rng([seed, 52]))
    teaching = _tasks(references, teach, LEAST_DRAWN[0], seed, fonts)
    judging = _tasks(references, judge, LEAST_DRAWN[1], seed + 1000, fonts)
    results = list(worked(references.catalogue, [*teaching, *judging], workers, progress, cluster))
    taught, judged = (list(chain.from_iterable(p)) for p in (results[: len(teaching)], results[len(teaching) :]))
    shipped = Calibration.load()
    gains, models = [], dict(shipped.rungs)
    for rung in RUNGS:
        lessons, rows = _rows(taught, rung), _rows(judged, rung)
        if lessons is None or rows is None:
            continue
        model = fit_rung(rung, lessons)
        gain = Gain(rung, report(shipped.rungs[rung], rows), report(model, rows))
        models[rung] = model if gain.taken else models[rung]
        gains.append(gain)
    about = {
        "made": date.today().isoformat(),
        "pairs": len(taught),
        "seed": seed,
        "pictures": f"{len(chosen)} poses of this catalogue, {len(judge)} of them held out",
        "refitted": [gain.rung for gain in gains if gain.taken],
    }
    return Refitted(as_json(models, about, shipped.platt), tuple(gains), len(chosen), len(taught))


def _rows(some: Sequence[Trial], rung: str) -> Rows | None:
    """What a rung can learn from or be judged on; None where these trials do not hold both answers."""
    try:
        rows = rows_of(some, rung)
    except IndexError:  # not one pair that it could judge
        return None
    return rows if rows.truth.any() and not rows.truth.all() else None


def negative_from(face: Face) -> Picture:
    """(5/3 width, width) uint8: the face's picture without border and caption, 3 to 5, its contrast restored."""
    rows, columns = (np.flatnonzero(picture_zone(face.size).any(axis=axis)) for axis in (1, 0))
    grey = face.grey[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    width = min(grey.shape[1], round(grey.shape[0] * 0.6))
    left = (grey.shape[1] - width) // 2
    grey = grey[: round(width / 0.6), left : left + width]
    dark, light = np.percentile(grey, [1, 99])
    view = cv2.resize(grey, (WIDTH, round(WIDTH / 0.6)), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    view = 20 + (view - np.float32(dark)) * np.float32(215 / max(float(light - dark), 1.0))
    return np.asarray(np.clip(view, 0, 255), np.uint8)


@dataclass(frozen=True)
class Task:
    """A few references, each with one of another pose of its subject, if there is one."""

    pairs: tuple[tuple[ReferenceRow, ReferenceRow | None], ...]
    seed: int
    fonts: tuple[str, ...]


def _chosen(references: CatalogueReferences, most: int, rng: np.random.Generator) -> list[KnownReference]:
    """The most legible reference of each pose that is legible enough. Raises CatalogueError too_few_poses."""
    poses = sorted({record.pose for record in references.catalogue.records()})
    best = [known[0] for pose in poses if (known := references.of_pose(pose))]
    legible = [known for known in best if known.legibility >= LEAST_CONTRAST]
    subjects = {known.record.subject for known in legible}
    if len(legible) < LEAST_POSES or len(subjects) < LEAST_SUBJECTS:
        raise CatalogueError(
            "too_few_poses",
            f"{references.catalogue.folder}: {len(legible)} poses of {len(subjects)} subjects have a reference that is "
            f"legible enough; at least {LEAST_POSES} poses of {LEAST_SUBJECTS} subjects are needed",
            "enrol more; until then the shipped confidence is used, which was fitted on other pictures",
        )
    return [legible[k] for k in rng.permutation(len(legible))[:most]]


def _split(
    chosen: Sequence[KnownReference], rng: np.random.Generator
) -> tuple[list[KnownReference], list[KnownReference]]:
    """Those that teach, and those that judge: no subject, and so no pose, is in both."""
    subjects = sorted({known.record.subject for known in chosen})
    shuffled = [subjects[k] for k in rng.permutation(len(subjects))]
    judges = set(shuffled[: max(2, round(HELD_OUT * len(shuffled)))])
    teach = [known for known in chosen if known.record.subject not in judges]
    return teach, [known for known in chosen if known.record.subject in judges]


def _tasks(
    references: CatalogueReferences, chosen: Sequence[KnownReference], least: int, seed: int, fonts: Sequence[str]
) -> list[Task]:
    pairs = []
    for number, known in enumerate(chosen):
        others = [o for o in chosen if o.record.subject == known.record.subject and o.record.pose != known.record.pose]
        other = others[number % len(others)] if others else None
        pairs.append((references.row(known.id), references.row(other.id) if other else None))
    pairs *= -(-least // len(pairs))
    parts = [tuple(pairs[k : k + AT_ONCE]) for k in range(0, len(pairs), AT_ONCE)]
    return [Task(part, 10_000 * seed + number, tuple(fonts)) for number, part in enumerate(parts)]


def worked(
    catalogue: Catalogue, tasks: Sequence[Task], workers: int, progress: Progress, cluster: Cluster | None = None
) -> Iterator[list[Trial]]:
    """Each task's trials, in the order of the tasks; none of a task that ended several workers of a cluster."""
    work = partial(_session, catalogue)
    results: Iterator[list[Trial]]
    with nullcontext() if cluster else process_pool(max(1, workers)) as pool:
        results = cluster.in_order(tasks, work, _lost) if cluster else pool.map(work, tasks)  # type: ignore[union-attr]
        for done, result in enumerate(results, start=1):
            progress(done, len(tasks))
            yield result


def _lost(task: Task) -> list[Trial]:
    return []


def _session(catalogue: Catalogue, task: Task) -> list[Trial]:
    with catalogue:
        subjects = [
            Subject(negative_from(catalogue.face(own)), negative_from(catalogue.face(other)) if other else None)
            for own, other in task.pairs
        ]
    return list(trials(subjects, task.seed, task.fonts))
