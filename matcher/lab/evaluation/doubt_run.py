"""Does a catalogue doubt the right pictures? A table with its pictures in; shares told and doubted out.

    scripts/measure_doubts RECORDS.csv --output DIR [--seed N] [--share 0.15]

The table is enrolled twice: as it is, and with pictures exchanged among poses of which the catalogue holds several
pictures. A picture under another's pose is wrong; it is told where a doubt concerns it, or one of the pictures beside
which it was put: with two pictures of a pose, neither the other's negative, nobody can say which is wrong.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from matcher.catalogue import Catalogue
from matcher.catalogue.records.enrol import enrol
from matcher.jobs.doubts import Doubt, doubts

Row = dict[str, str]


@dataclass(frozen=True)
class Told:
    """wrong, told: pictures under another's pose, and those of them that a doubt concerns. right, doubted: of the table
    as it is. kinds: doubts about right pictures by kind."""

    wrong: int
    told: int
    right: int
    doubted: int
    kinds: Mapping[str, int]

    def lines(self) -> list[str]:
        return [
            f"wrong pictures under a pose: {self.told} of {self.wrong} told ({self.told / self.wrong:.1%})",
            f"right pictures: {self.doubted} of {self.right} doubted ({self.doubted / self.right:.1%})"
            + "".join(f"; {kind} {count}" for kind, count in sorted(self.kinds.items())),
        ]


def exchanged(rows: Sequence[Row], share: float, seed: int) -> tuple[list[Row], dict[str, str]]:
    """The rows with some pictures exchanged between poses; and each exchanged picture's wrong pose.

    Only among poses with two pictures or more, one picture of a pose at most, and never within a sitter.
    """
    of_pose: dict[str, list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        of_pose[row["pose"]].append(place)
    several = [pose for pose in of_pose if len(of_pose[pose]) >= 2]
    rng = random.Random(seed)
    rng.shuffle(several)
    count = max(2, round(share * len(rows)))
    chosen = [rng.choice(of_pose[pose]) for pose in several[: min(count, len(several))]]
    made = [dict(row) for row in rows]
    wrong: dict[str, str] = {}
    for place, other in zip(chosen, [*chosen[1:], chosen[0]], strict=True):
        if rows[place]["subject"] != rows[other]["subject"]:
            made[place]["image"] = rows[other]["image"]
            wrong[rows[other]["image"]] = rows[place]["pose"]
    taken = Counter(row["image"] for row in made)
    left = [row for row in made if taken[row["image"]] == 1 or row["image"] not in wrong]
    there = {row["image"] for row in left}
    return left, {image: pose for image, pose in wrong.items() if image in there}


def measure(table: Path, output: Path, share: float, seed: int) -> Told:
    """Enrol both tables into `output`, and doubt them."""
    with table.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    right = _doubts(_written(output / "right.csv", rows), output / "right", table.parent)
    changed, wrong = exchanged(rows, share, seed)
    found = _doubts(_written(output / "wrong.csv", changed), output / "wrong", table.parent)
    concerned = {pose for _, pose, kind in found if kind in ("negative", "elsewhere")}
    told = sum(pose in concerned for pose in wrong.values())
    doubted = {image for image, _, _ in right}
    return Told(len(wrong), told, len(rows), len(doubted), Counter(kind for _, _, kind in right))


def _written(path: Path, rows: Sequence[Row]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def _doubts(table: Path, folder: Path, images: Path) -> list[tuple[str, str, str]]:
    """(picture's name, pose, kind) of each doubt."""
    report = enrol(table, folder, images=images)
    for failed in report.failed:
        print(failed.message)
    with Catalogue.open(folder) as catalogue:
        found: tuple[Doubt, ...] = doubts(catalogue)
        names = {row.id: row.name for row in catalogue.references()}
        poses = {record.record_id: record.pose for record in catalogue.records()}
    for one in found:
        print(f"{table.stem}: {one.kind}: {one.words}")
    return [(names[one.reference], poses[one.record_id], one.kind) for one in found]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", type=Path, metavar="RECORDS.csv")
    parser.add_argument("--output", type=Path, required=True, help="a folder that is not there yet")
    parser.add_argument("--share", type=float, default=0.15, help="of the rows whose pictures are exchanged at most")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    found = measure(given.table, given.output, given.share, given.seed)
    for line in found.lines():
        print(line)
    (given.output / "doubts.json").write_text(json.dumps(found.__dict__, default=dict) + "\n")


if __name__ == "__main__":
    main()
