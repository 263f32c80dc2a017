"""Fit the pose's coefficients on cards of several worlds, and tell how they do in the world that was left out.

    scripts/fit_pose MANIFEST --pictures FOLDER --work FOLDER [--output calibration.json]

Every picture of the manifest's role `fit` is a negative; those of `report` with --role show how the shipped coefficients
do. Faces are drawn once and kept in --work; what is measured of them is measured anew each time. With --output the rung
`pose` of that file is replaced, and its scaling taken out: the odds are then what the pair alone says.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration, RungModel
from matcher.core.flatten import Face
from matcher.core.ladder.pose import compare_pictures, pose_features
from matcher.core.ladder.registered import Registered
from matcher.core.parallel.processes import process_pool
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.measures import auroc, cllr
from matcher.lab.synthesis.worlds import WORLDS, WorldPair, world_pairs
from matcher.lab.training.fitting import Rows, fit, rung_json

Picture = NDArray[np.uint8]
Row = dict[str, Any]

HEIGHT_PX, WIDEST = 900, 0.62
"""Negatives are brought to this height, and cut to this proportion at the most: a card shows no more of a wide one."""

SPEAKS_AGAINST = (
    "moved_most", "moved_6", "moved_12", "moved_24", "moved_all", "differs_most", "differs_6", "differs_12", "differs_24",
    "correlation", "fine_shortfall", "fine_mean",
)  # fmt: skip
"""However the worlds are drawn, movement, difference and a poor fit must never speak for one negative."""

SURE = float(np.log(3))
"""Log odds from which a rung counts as settled: three in four."""


def chosen_pictures(manifest: Path, role: str, most: int, seed: int) -> list[Row]:
    """Rows of the manifest, at most so many of each source; frames of one room are no negatives of cards."""
    rng = np.random.default_rng(seed)
    by_source: dict[str, list[Row]] = {}
    for row in json.loads(manifest.read_text())["pictures"]:
        if row["role"] == role:
            by_source.setdefault(row["source"], []).append(row)
    chosen: list[Row] = []
    for rows in by_source.values():
        if not any(row.get("room") for row in rows):
            rng.shuffle(rows)  # type: ignore[arg-type]
            chosen += rows[:most]
    rng.shuffle(chosen)  # type: ignore[arg-type]
    return chosen


def negative(path: Path) -> Picture:
    """A picture as the negative of a card."""
    grey = np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), np.uint8)
    height, width = grey.shape
    if width / height > WIDEST:
        narrow = int(0.6 * height)
        left = (width - narrow) // 2
        grey = grey[:, left : left + narrow]
    scale = HEIGHT_PX / grey.shape[0]
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8)


def draw_or_read(task: tuple[int, Path, Path, int, Path]) -> Path:
    """The faces of one negative's pairs, drawn where they are not kept already."""
    number, own, stranger, seed, work = task
    kept = work / f"{number:04d}.pickle"
    if not kept.exists():
        cv2.setNumThreads(1)
        rng = np.random.default_rng([seed, number])
        pairs = list(world_pairs(negative(own), [], negative(stranger), rng))
        kept.write_bytes(pickle.dumps(("", own.name, [_stored(pair, k == 0) for k, pair in enumerate(pairs)])))
    return kept


def _stored(pair: WorldPair, first: bool) -> tuple[Any, ...]:
    reference = (pair.reference.pixels, pair.reference.trusted) if first else (None, None)
    facts = (pair.world, pair.relation, pair.tone, pair.wear, pair.contrast)
    return (*facts, pair.query.pixels, pair.query.trusted, *reference)


def measured(kept: Path) -> list[Row]:
    """What the pose's coefficients are fitted on, of every pair of one negative that could be compared."""
    cv2.setNumThreads(1)
    _, name, pairs = pickle.loads(kept.read_bytes())
    reference = View(_face(*pairs[0][7:]))
    rows = []
    for world, relation, tone, wear, contrast, pixels, trusted, *_ in pairs:
        query = View(_face(pixels, trusted))
        found = align(query, reference)
        compared = compare_pictures(Registered.of(query.face, reference.face, found)) if found else None
        row = {"name": name, "world": world, "relation": relation, "tone": tone, "wear": wear, "contrast": contrast}
        rows.append({**row, "features": pose_features(compared) if compared else None})
    return rows


def _face(pixels: Picture, trusted: NDArray[np.bool_]) -> Face:
    return Face(pixels, to_grey(pixels), trusted, FaceSize())


def rows_of(table: Sequence[Row]) -> Rows:
    """The pairs that were compared, as a fit takes them."""
    used = [row for row in table if row["features"]]
    names = tuple(used[0]["features"])
    values = np.array([[row["features"][name] for name in names] for row in used], np.float64)
    truth = np.array([row["relation"] in ("same", "crop") for row in used])
    return Rows(names, values, truth, tuple(row["relation"] for row in used))


def fitted(table: Sequence[Row]) -> RungModel:
    """Both answers weighed alike, so that the log odds are a likelihood ratio."""
    return fit(rows_of(table), even=True, against=SPEAKS_AGAINST)


def told(model: RungModel, table: Sequence[Row]) -> Iterator[str]:
    """One line a world: near-identical exposures against the same negative."""
    for world in WORLDS:
        near = [row for row in table if row["world"] == world and row["features"] and row["relation"] != "other"]
        odds = np.array([model.logit(row["features"]) for row in near])
        same = np.array([row["relation"] in ("same", "crop") for row in near])
        clear = np.array([row["contrast"] >= 0.5 for row in near])
        yield (
            f"{world:6} {same.sum()} same, {(~same).sum()} others: AUROC {auroc(odds, same):.3f}, at 50 % contrast and more "
            f"{auroc(odds[clear], same[clear]):.3f}; Cllr {cllr(odds, same):.3f} bits; called new {np.mean(odds[same] < -SURE):.3f}, "
            f"others called one {np.mean(odds[~same] > SURE):.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--pictures", type=Path, required=True, help="folder in which the manifest's names lie")
    parser.add_argument("--role", choices=["fit", "report"], default="fit")
    parser.add_argument("--most", type=int, default=22, help="pictures taken of each source")
    parser.add_argument("--work", type=Path, required=True, help="where the drawn faces are kept")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--output", type=Path, help="the calibration whose rung `pose` is replaced")
    chosen = parser.parse_args()
    rows = chosen_pictures(chosen.manifest, chosen.role, chosen.most, chosen.seed)
    chosen.work.mkdir(parents=True, exist_ok=True)
    paths = [chosen.pictures / row["name"] for row in rows]
    tasks = [
        (n, own, paths[(n + len(paths) // 2) % len(paths)], chosen.seed, chosen.work) for n, own in enumerate(paths)
    ]
    with process_pool(2) as pool:
        kept = list(pool.map(draw_or_read, tasks))
        table = [row for found in pool.map(measured, kept) for row in found]
    lost = [row for row in table if not row["features"]]
    print(
        f"{len(table)} pairs of {len(paths)} negatives, {sum(r['relation'] in ('same', 'crop') for r in lost)} of one negative not compared"
    )
    if chosen.role == "report":
        print("the shipped coefficients:", *told(Calibration.load().rungs["pose"], table), sep="\n")
        return
    for world in WORLDS:
        model = fitted([row for row in table if row["world"] != world])
        print(*(line for line in told(model, table) if line.startswith(world)), "(this world left out)")
    if chosen.output:
        replace_pose(
            chosen.output, fitted(table), {"pairs": len(table), "seed": chosen.seed, "made": date.today().isoformat()}
        )


def replace_pose(path: Path, model: RungModel, provenance: Row) -> None:
    """Write the rung into a calibration, with where it comes from."""
    stored = json.loads(path.read_text())
    stored["rungs"]["pose"] = rung_json(model)
    stored["provenance"]["pose"] = {
        "worlds": list(WORLDS),
        "pictures": "role fit of manifests/movement.json",
        **provenance,
    }
    stored["answers"].pop("pose", None)
    path.write_text(json.dumps(stored, indent=1) + "\n")


if __name__ == "__main__":
    main()
