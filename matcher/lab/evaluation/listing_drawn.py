"""A set that is drawn and identified already, as `scripts/demo` leaves it, in; the same as a set of listings out.

    FOLDER/set/records.csv, FOLDER/set/truth.csv    what was enrolled, what the photos show
    FOLDER/catalogue, FOLDER/results.jsonl          the catalogue, and what `identify` said of each photo

Pictures that were identified once serve any number of listings. Descriptions are added to a copy of the catalogue's
words alone; its pictures, records and answers stay what they are. Photos with a second card are left out.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from matcher.jobs.listing.inspection import ListingPhoto
from matcher.jobs.listing.listing_json import photo_from_json
from matcher.lab.evaluation.listing_set import ListingSet, Words
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.plan import EvaluationPlan, Kind, PlannedCopy, PlannedQuery, PlannedRecord
from matcher.lab.evaluation.run import read_lines
from matcher.lab.evaluation.variations import Variation
from matcher.lab.synthesis import Age, Caption, Crop, Scene

KINDS: Mapping[str, Kind] = {
    "known": "known", "new_crop": "new_crop", "new_caption": "new_caption", "new_pose": "near_pose",
    "unknown": "unknown",
}  # fmt: skip


def read_set(folder: Path, words: Words, seed: int, part: int) -> ListingSet:
    """The records and photos of a drawn set, with descriptions dealt out from the words.

    part: 0 or 1, which sitters' photos are asked about: the ones are for working on, the others for reporting.
    """
    rng = np.random.default_rng([seed, 63])
    rows = _rows(folder / "set" / "records.csv")
    first = {row["record_id"]: row for row in reversed(rows)}
    records = tuple(PlannedRecord(record_id, _shown(first[record_id]), ()) for record_id in sorted(first))
    truths = [row for row in _rows(folder / "set" / "truth.csv") if not row["beside"]]
    asked = sorted({row["subject"] for row in truths})[part::2]
    photos = [row for row in truths if row["subject"] in asked]
    queries = tuple(_query(row) for row in photos)
    poses: dict[str, dict[str, Any]] = {}
    for sitter in sorted({record.shows.negative.sitter for record in records}):
        own = sorted({record.shows.pose for record in records if record.shows.negative.sitter == sitter})
        dealt = rng.permutation(len(words.poses))
        poses |= {pose: words.poses[dealt[k % len(dealt)]] for k, pose in enumerate(own)}
    crops: dict[tuple[str, str], dict[str, Any]] = {}
    for pose in sorted(poses):
        own = sorted({record.shows.crop_name for record in records if record.shows.pose == pose})
        dealt = rng.permutation(len(words.crops))
        crops |= {(pose, crop): words.crops[dealt[k % len(dealt)]] for k, crop in enumerate(own)}
    years = {record_id: int(row["year"]) for record_id, row in first.items()}
    plan = EvaluationPlan(records, queries, {pose: pose for pose in poses}, seed)
    return ListingSet(plan, words, poses, crops, years)


def own_words(made: ListingSet) -> dict[str, Any]:
    """The descriptions as a catalogue's own vocabulary."""
    crops: dict[str, dict[str, str]] = {}
    for (pose, crop), entry in made.crops.items():
        crops.setdefault(pose, {})[crop] = entry["described"]
    return {"poses": {pose: entry["described"] for pose, entry in made.poses.items()}, "crops": crops}


def answers_of(folder: Path) -> dict[str, ListingPhoto]:
    """What `identify` said of each photo, by the photo's file name."""
    photos = map(photo_from_json, read_lines(folder / "results.jsonl"))
    return {Path(photo.answer.photo).name: photo for photo in photos}


def _query(row: Mapping[str, str]) -> PlannedQuery:
    name = Path(row["photo"]).stem
    copy = PlannedCopy(row["copy"] or name, _shown(row), Age(residual_contrast=float(row["residual_contrast"])), 0)
    return PlannedQuery(name, KINDS[row["kind"]], copy, "plain", Scene(), 0, row["record_id"], bool(row["copy"]))


def _shown(row: Mapping[str, str]) -> Variation:
    negative = Negative(row["pose"] or row["subject"], Path(), row["subject"], 0)
    caption = Caption(row["caption"], row["club"])
    return Variation(negative, row["pose"], row["crop"], Crop(), caption)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def write_words(made: ListingSet, path: Path) -> None:
    """Write the descriptions as a vocabulary file."""
    path.write_text(json.dumps(own_words(made), indent=1, ensure_ascii=False) + "\n", "utf-8")
