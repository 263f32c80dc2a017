"""What the evaluation of listings is made of: negatives, a seed and a list of words in; a catalogue and pictures out.

Sitters get invented names, poses and crops get descriptions from the words, records get years; all of it is enrolled as
a person would enrol it, descriptions and all. The pictures are those of the ladder's evaluation: known and unknown
things in its fades and conditions.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.files import write_whole
from matcher.core.parallel.processes import process_pool
from matcher.jobs.listing.vocabulary import CROP_COLUMN, POSE_COLUMN
from matcher.lab.evaluation.draw import COLUMNS, draw_query, draw_references
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.plan import EvaluationPlan, PlannedQuery, make_plan

TUNING, REPORTING = "listing_words_tuning.json", "listing_words.json"


@dataclass(frozen=True)
class Words:
    """Names, descriptions and wordings; poses and crops: each with how it is described, said, and read."""

    sitters: tuple[str, ...]
    poses: tuple[dict[str, Any], ...]
    crops: tuple[dict[str, Any], ...]
    said: dict[str, Any]

    @classmethod
    def load(cls, name: str) -> Words:
        given = json.loads(Path(__file__).with_name(name).read_text("utf-8"))
        return cls(tuple(given["sitters"]), tuple(given["poses"]), tuple(given["crops"]), given)


@dataclass(frozen=True)
class ListingSet:
    """A plan with what listings say of it. poses, crops: entries of the words, by pose and by (pose, crop).

    details: of each pose a detail that is described and one that is not; none where there are no such details.
    """

    plan: EvaluationPlan
    words: Words
    poses: dict[str, dict[str, Any]]
    crops: dict[tuple[str, str], dict[str, Any]]
    years: dict[str, int]
    details: dict[str, tuple[dict[str, Any], dict[str, Any]]] = field(default_factory=dict)


def make_set(negatives: Sequence[Negative], words: Words, pictures: int, seed: int, fonts: Sequence[str]) -> ListingSet:
    """Plan and descriptions; the same arguments give the same set. Raises BadTable bad_evaluation."""
    rng = np.random.default_rng([seed, 61])
    plan = make_plan(_named(negatives, words.sitters, rng), pictures, seed, fonts)
    poses: dict[str, dict[str, Any]] = {}
    crops: dict[tuple[str, str], dict[str, Any]] = {}
    by_sitter: dict[str, list[str]] = {}
    for record in plan.records:
        shows = record.shows
        own = by_sitter.setdefault(shows.negative.sitter, [])
        if shows.pose not in own:
            own.append(shows.pose)
        of_pose = sorted({r.shows.crop_name for r in plan.records if r.shows.pose == shows.pose})
        dealt = np.random.default_rng([seed, 62, int(shows.pose[1:])]).permutation(len(words.crops))
        crops[shows.pose, shows.crop_name] = words.crops[dealt[of_pose.index(shows.crop_name)]]
    for own in by_sitter.values():
        dealt = rng.permutation(len(words.poses))
        poses |= {pose: words.poses[dealt[k % len(dealt)]] for k, pose in enumerate(own)}
    years = {record.record_id: int(rng.integers(1878, 1897)) for record in plan.records}
    return ListingSet(plan, words, poses, crops, years)


def _named(negatives: Sequence[Negative], names: Sequence[str], rng: np.random.Generator) -> list[Negative]:
    """The negatives of as many sitters as there are names, those with several exposures first."""
    exposures: dict[str, int] = {}
    for negative in negatives:
        exposures[negative.sitter] = exposures.get(negative.sitter, 0) + 1
    order = sorted(rng.permutation(sorted(exposures)).tolist(), key=lambda sitter: exposures[sitter] == 1)
    given = dict(zip(order, names, strict=False))
    return [replace(negative, sitter=given[negative.sitter]) for negative in negatives if negative.sitter in given]


def build(made: ListingSet, output: Path, workers: int) -> Path:
    """Draw references and pictures that are not there yet, enrol; returns the catalogue's folder."""
    table = draw_references(made.plan, output / "set", workers)
    listed = table.with_name("listed.csv")
    _describe(made, table, listed)
    report = enrol(listed, output / "catalogue", workers=None if workers > 1 else 0)
    if report.failed:
        raise RuntimeError(f"{len(report.failed)} references were not enrolled: {report.failed[0]}")
    missing = [q for q in made.plan.queries if not picture(output, q).is_file()]
    if workers > 1 and missing:
        with process_pool(workers) as pool:
            list(pool.map(_draw, missing, [output] * len(missing)))
    else:
        for query in missing:
            _draw(query, output)
    return output / "catalogue"


def picture(output: Path, query: PlannedQuery) -> Path:
    """Where a query's photo lies."""
    return output / "set" / "queries" / f"{query.query_id}.jpg"


def _draw(query: PlannedQuery, output: Path) -> None:
    write_whole(picture(output, query), draw_query(query)[0], keep=False)


def _describe(made: ListingSet, table: Path, listed: Path) -> None:
    """The table with years and descriptions beside."""
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        row["year"] = str(made.years[row["record_id"]])
        row[POSE_COLUMN] = made.poses[row["pose"]]["described"]
        row[CROP_COLUMN] = made.crops[row["pose"], row["crop"]]["described"]
    with listed.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, (*COLUMNS, "year", POSE_COLUMN, CROP_COLUMN))
        writer.writeheader()
        writer.writerows(rows)
