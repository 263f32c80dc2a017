"""Fit the pose's coefficients on cards of several worlds, and tell how they do in the world that was left out.

    scripts/fit_pose FOLDER... --manifest FILE... --work FOLDER [--output matcher/core/nets/weights/calibration.json]

Pictures that the manifests list to fit are negatives, a few of each folder, drawn by several hands by turns; with
--role report the shipped coefficients are told on those listed to report, and with --other-hand on prints, damage and
movements that other code draws, on which nothing is fitted.
Faces are drawn once for every seed and kept in --work; what is measured of them is measured anew each time. With
--output the rungs `pose` and `pose_unsteady` of that file are replaced, their scaling taken out: the odds are then what
the pair alone says. They are fitted on what an eye can tell: where it sees nothing move, two exposures look as alike as
two prints of one, and from such pairs a model learns to doubt them all.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration, RungModel, sigmoid
from matcher.core.errors import BadTable
from matcher.core.flatten import Face
from matcher.core.ladder.pose import STEADY, UNSTEADY, compare_pictures, pose_features, pose_rung
from matcher.core.ladder.registered import Registered
from matcher.core.parallel.processes import process_pool
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.other_hand import OTHER_HAND
from matcher.lab.manifests import Role, Taken, add_option, stored, take
from matcher.lab.measures import auroc, cllr, posterior_calibration_error, reliability
from matcher.lab.synthesis.hands import HANDS
from matcher.lab.synthesis.negatives import grey_picture
from matcher.lab.synthesis.observer import BARELY, LIMIT
from matcher.lab.synthesis.worlds import ENOUGH_TONES, OWN_HAND, STRANGERS, WORLDS, Hand, WorldPair, world_pairs
from matcher.lab.training.fitting import Rows, fit, rung_json

Picture = NDArray[np.uint8]
Row = dict[str, Any]

HEIGHT_PX, WIDEST = 900, 0.62
"""Negatives are brought to this height, and cut to this proportion at the most: a card shows no more of a wide one."""

SPEAKS_AGAINST = (
    "moved_most", "moved_6", "moved_12", "moved_24", "moved_all", "differs_most", "differs_6", "differs_12",
    "differs_24", "correlation", "fine_shortfall", "fine_mean",
)  # fmt: skip
"""However the worlds are drawn, movement, difference and a poor fit must never speak for one negative."""

UNSTEADY_FEATURES = ("odds", "correlation", "fine_shortfall", "fine_expected")
"""Where two pictures may lie wrongly upon each other: how far they agree at all, beside what their noise allows."""

Models = Mapping[str, RungModel]
"""By rung: `STEADY` and `UNSTEADY`."""

SURE = float(np.log(3))
"""Log odds from which a rung counts as settled: three in four."""


def chosen_pictures(
    role: Role, folders: Sequence[Path], manifests: Sequence[Path], most: int, seed: int
) -> list[Taken]:
    """At most so many pictures of each folder, mixed. Raises BadTable."""
    rng = np.random.default_rng(seed)
    chosen: list[Taken] = []
    for folder in folders:
        taken = take(role, [folder], manifests)
        chosen += [taken[int(k)] for k in rng.permutation(len(taken))[:most]]
    return [chosen[int(k)] for k in rng.permutation(len(chosen))]


def negative(path: Path) -> Picture:
    """A picture as the negative of a card."""
    grey = grey_picture(path)
    height, width = grey.shape
    if width / height > WIDEST:
        narrow = int(0.6 * height)
        left = (width - narrow) // 2
        grey = grey[:, left : left + narrow]
    scale = HEIGHT_PX / grey.shape[0]
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8)


@dataclass(frozen=True)
class Drawing:
    """The pairs of one negative that are to be drawn: which of a seed's, of what, and by whom drawn."""

    number: int
    own: Path
    stranger: Path
    seed: int
    work: Path
    hand: Hand

    @property
    def kept(self) -> Path:
        """Where they lie once they are drawn."""
        return self.work / f"{self.seed}_{self.number:04d}_{self.hand.name}.pickle"


def draw_or_read(task: Drawing) -> Path:
    """The faces of one negative's pairs, drawn where they are not kept already."""
    if not task.kept.exists():
        cv2.setNumThreads(1)
        rng = np.random.default_rng([task.seed, task.number])
        pairs = list(world_pairs(negative(task.own), [], negative(task.stranger), rng, hand=task.hand))
        reference = pairs[0].reference
        faces = [(facts_of(pair), pair.query.pixels, pair.query.trusted) for pair in pairs]
        task.kept.write_bytes(pickle.dumps((task.own.name, (reference.pixels, reference.trusted), faces)))
    return task.kept


def facts_of(pair: WorldPair) -> Row:
    """What a pair is, but for its faces."""
    return {name: getattr(pair, name) for name in FACTS}


FACTS = ("world", "relation", "hand", "tone", "wear", "colour", "contrast", "levels", "seen")


def measured(kept: Path) -> list[Row]:
    """What the pose's coefficients are fitted on, of every pair of one negative that could be compared."""
    cv2.setNumThreads(1)
    name, enrolled, pairs = pickle.loads(kept.read_bytes())
    reference = View(_face(*enrolled))
    rows = []
    for facts, pixels, trusted in pairs:
        query = View(_face(pixels, trusted))
        found = align(query, reference)
        compared = compare_pictures(Registered.of(query.face, reference.face, found)) if found else None
        rung = pose_rung(found) if found else ""
        rows.append({"name": name, **facts, "rung": rung, "features": pose_features(compared) if compared else None})
    return rows


def _face(pixels: Picture, trusted: NDArray[np.bool_]) -> Face:
    return Face(pixels, to_grey(pixels), trusted, FaceSize())


def rows_of(table: Sequence[Row], rung: str) -> Rows:
    """The pairs of a rung that were compared, as a fit takes them."""
    used = [row for row in table if row["features"] and row["rung"] == rung]
    names = tuple(used[0]["features"]) if rung == STEADY else UNSTEADY_FEATURES
    values = np.array([[row["features"][name] for name in names] for row in used], np.float64)
    return Rows(names, values, _truth(used), tuple(row["relation"] for row in used))


def fitted(table: Sequence[Row]) -> Models:
    """Both answers weighed alike, so that the log odds are a likelihood ratio.

    That two pictures lie upon each other by few features, or not at all, is evidence too: it is more often so where
    they are not of one negative.
    """
    models = {rung: fit(rows_of(table, rung), even=True, against=SPEAKS_AGAINST) for rung in (STEADY, UNSTEADY)}
    truth, unsteady = _truth(table), np.array([row["rung"] != STEADY for row in table])
    ratio = float(np.log(unsteady[truth].mean() / unsteady[~truth].mean()))
    models[UNSTEADY] = replace(models[UNSTEADY], intercept=models[UNSTEADY].intercept + ratio)
    return models


def told(models: Models, table: Sequence[Row], kind: str) -> str:
    """One line: near-identical exposures against the same negative, of one kind of pairs."""
    near = [row for row in table if row["features"] and row["relation"] not in STRANGERS]
    odds = np.array([models[row["rung"]].logit(row["features"]) for row in near])
    same, contrast = _truth(near), np.array([row["contrast"] for row in near])
    clear = [
        f"{auroc(odds[use], same[use]):.3f}"
        for low, high in CONTRASTS
        if (use := (contrast >= low) & (contrast < high)).any()
    ]
    stated = reliability([sigmoid(value) for value in odds], same)
    return (
        f"{kind:20} {same.sum()} same, {(~same).sum()} others: AUROC {auroc(odds, same):.3f}, by contrast "
        f"{' / '.join(clear)}; Cllr {cllr(odds, same):.3f} bits; ECE {stated.ece:.3f}, "
        f"{posterior_calibration_error(odds, same):.3f} with the pairs' own prior; "
        f"right where 0.95 and more is stated {stated.precision:.3f} ({stated.sure}); "
        f"called new {np.mean(odds[same] < -SURE):.3f}, others called one {np.mean(odds[~same] > SURE):.3f}"
    )


CONTRASTS = ((0.5, 1.01), (0.3, 0.5), (0.15, 0.3), (0.0, 0.15))
"""Residual contrast of the query: from, and below."""


SEEN = {"": 0.0, ", barely seen": BARELY, ", seen": LIMIT}
"""What is told: all pairs; without two exposures whose prints show no eye a difference; and without those in which it
would often miss it. Nobody can say of such a pair whether it is one negative."""


def to_an_eye(table: Sequence[Row], limit: float) -> list[Row]:
    """The pairs without those two exposures that an eye with this limit does not tell apart."""
    return [row for row in table if row["relation"] != "moment" or row["seen"] >= limit]


def by_kind(table: Sequence[Row]) -> Iterator[tuple[str, list[Row]]]:
    """The pairs by the query's wear, with all of another exposure that bear it, by how far its colour is from the
    print's, by how strong the query's own tone is, and by the tones of the reference."""
    for wear in sorted({row["wear"] for row in table if row["wear"]}):
        yield wear, [row for row in table if row["wear"] == wear]
    for low, high in ((0.0, 0.01), (0.2, 0.5), (0.5, 0.75), (0.75, 1.0)):
        yield f"colour {low}..{high}", [row for row in table if row["wear"] and low <= row["colour"] < high]
    for low, high in ((0.3, 0.6), (0.6, 0.9), (0.9, 1.21)):
        yield (
            f"tone {low}..{min(high, 1.2)}",
            [row for row in table if row["world"] == "toned" and low <= row["tone"] < high],
        )
    for what, few in (("few tones", True), ("tones enough", False)):
        yield what, [row for row in table if (row["levels"] < ENOUGH_TONES) == few]


def _truth(rows: Sequence[Row]) -> NDArray[np.bool_]:
    return np.array([row["relation"] in ("same", "crop") for row in rows], np.bool_)


def table_of(
    paths: Sequence[Path], seed: int, work: Path, hands: Sequence[Hand] = (OWN_HAND,), processes: int = 2
) -> list[Row]:
    """All pairs of these negatives, measured; the hands draw them by turns."""
    work.mkdir(parents=True, exist_ok=True)
    strangers = [paths[(n + len(paths) // 2) % len(paths)] for n in range(len(paths))]
    tasks = [
        Drawing(n, *both, seed, work, hands[n % len(hands)])
        for n, both in enumerate(zip(paths, strangers, strict=True))
    ]
    with process_pool(processes) as pool:
        return list(chain.from_iterable(pool.map(measured, list(pool.map(draw_or_read, tasks)))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--role", choices=["fit", "report"], default="fit")
    parser.add_argument("--most", type=int, default=22, help="pictures taken of each folder")
    parser.add_argument("--work", type=Path, required=True, help="where the drawn faces are kept")
    parser.add_argument("--seed", type=int, nargs="+", default=[5], help="each draws cards and chooses pictures anew")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--hands", choices=list(HANDS), nargs="+", default=list(HANDS), help="who draw, by turns")
    parser.add_argument("--other-hand", action="store_true", help="drawn by code that nothing is fitted on")
    parser.add_argument("--output", type=Path, help="the calibration whose rung `pose` is replaced")
    chosen = parser.parse_args()
    if chosen.output and chosen.role != "fit":
        parser.error("coefficients are fitted on pictures that are listed to fit: leave --output out")
    if chosen.other_hand and chosen.role != "report":
        parser.error("the other hand is for reporting alone: add --role report")
    try:
        taken, table = drawn(chosen)
    except BadTable as error:
        parser.error(str(error))
    lost = sum(row["relation"] in ("same", "crop") for row in table if not row["features"])
    print(f"{len(table)} pairs of {len(taken)} negatives, {lost} of one negative not compared")
    for name, limit in SEEN.items():
        rows = to_an_eye(table, limit)
        print(f"{len(table) - len(rows)} pairs of two exposures left out{name}")
        for line in left_out(rows) if chosen.role == "fit" else as_shipped(rows):
            print(line)
    if chosen.output:
        told_apart = to_an_eye(table, LIMIT)
        replace_pose(chosen.output, fitted(told_apart), len(told_apart), chosen.seed, stored(taken))


def left_out(rows: Sequence[Row]) -> Iterator[str]:
    """How each world, each hand, and a fifth of the pictures is told by coefficients that were fitted on the others."""
    fifths = {name: f"pictures, fifth {n % 5 + 1}" for n, name in enumerate(sorted({row["name"] for row in rows}))}
    ways: tuple[Callable[[Row], str], ...] = (itemgetter("world"), itemgetter("hand"), lambda row: fifths[row["name"]])
    for way in ways:
        kinds = sorted({way(row) for row in rows})
        for kind in kinds if len(kinds) > 1 else ():
            models = fitted([row for row in rows if way(row) != kind])
            yield told(models, [row for row in rows if way(row) == kind], kind)


def as_shipped(rows: Sequence[Row]) -> Iterator[str]:
    """How each world and each kind of pairs is told by the shipped coefficients."""
    shipped = Calibration.load().rungs
    for world in WORLDS:
        yield told(shipped, [row for row in rows if row["world"] == world], world)
    for kind, some in (("all worlds", rows), *by_kind(rows)):
        if some:
            yield told(shipped, some, kind)


def drawn(chosen: argparse.Namespace) -> tuple[list[Taken], list[Row]]:
    """The pictures that were used, each once, and the pairs of all seeds. Raises BadTable."""
    hands = [OTHER_HAND] if chosen.other_hand else [HANDS[name] for name in chosen.hands]
    taken: dict[Path, Taken] = {}
    table: list[Row] = []
    for seed in chosen.seed:
        pictures = chosen_pictures(chosen.role, chosen.folders, chosen.manifest, chosen.most, seed)
        table += table_of([one.path for one in pictures], seed, chosen.work, hands, chosen.processes)
        taken |= {one.path: one for one in pictures}
    return list(taken.values()), table


def replace_pose(path: Path, models: Models, pairs: int, seeds: list[int], manifests: dict[str, int]) -> None:
    """Write the rungs into a calibration, with where they come from."""
    calibration = json.loads(path.read_text())
    calibration["rungs"] |= {rung: rung_json(model) for rung, model in models.items()}
    made = date.today().isoformat()
    about = {"made": made, "pairs": pairs, "seeds": seeds, "worlds": list(WORLDS), "manifests": manifests}
    calibration["provenance"]["pose"] = about
    calibration["answers"].pop("pose", None)
    path.write_text(json.dumps(calibration, indent=1) + "\n")


if __name__ == "__main__":
    main()
