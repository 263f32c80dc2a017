"""Fit the confidence of every rung on cards drawn of some photographs, and report it on others.

    scripts/calibrate --train FOLDER... --held-out FOLDER... --manifest FILE [--pairs '^(p\\d+)_([a-z]+)'] --output FILE

Each photograph is a negative. With --pairs, files whose names share the pattern's first group but not its second
are exposures of one sitter in one room: they become near misses. Pictures to train on are those that manifests list to
fit, held-out ones those to report on.
"""

from __future__ import annotations

import argparse
import json
import pickle
import re
from collections.abc import Sequence
from datetime import date
from itertools import chain
from pathlib import Path

import numpy as np

from matcher.core.calibration import Calibration
from matcher.core.errors import BadTable
from matcher.core.ladder.crop import EDGES
from matcher.core.parallel.processes import process_pool
from matcher.lab.manifests import Role, Taken, add_option, sha256_of, stored, take
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.trials import Pairing, Subject, Trial, drawn, drawn_copies, measured
from matcher.lab.training.fitting import RUNGS, as_json, fit_rung, report, rows_of
from matcher.lab.training.platt_fit import fit_answers
from matcher.lab.training.window_pairs import WindowPair, window_pairs
from matcher.lab.training.window_report import window_sentences

WINDOW_RUNGS = {"crop", EDGES}
"""Fitted alone, they are fitted and reported on `window_pairs`: trimmed cards, and windows that differ by little."""


def taken_of(role: Role, folders: Sequence[Path], manifests: Sequence[Path], limit: int) -> list[Taken]:
    """The first pictures of each folder that serve for a role."""
    return list(chain.from_iterable(take(role, [folder], manifests)[:limit] for folder in folders))


def siblings(paths: Sequence[Path], pattern: str, rng: np.random.Generator) -> list[tuple[Path, Path | None]]:
    """Each path with another of the same group but another second group (its pose), if there is one."""
    named = [(path, re.search(pattern, path.name)) for path in paths]
    pairs: list[tuple[Path, Path | None]] = []
    for path, own in named:
        others = [p for p, m in named if own and m and m[1] == own[1] and m[2] != own[2]]
        pairs.append((path, others[rng.integers(len(others))] if others else None))
    return pairs


def session(
    work: Path | None, pairs: Sequence[tuple[Path, Path | None]], seed: int, rungs: Sequence[str]
) -> list[Trial]:
    """The trials of some subjects; their faces are kept in `work`, where a later call finds them."""
    copies_alone = set(rungs) == {"copy"}
    place = work / f"{'copies' if copies_alone else 'faces'}-{seed}.pickle" if work else None
    if place is not None and place.exists():
        faces: list[list[Pairing]] = pickle.loads(place.read_bytes())
    else:
        subjects = [Subject(negative_of(a), negative_of(b) if b else None) for a, b in pairs]
        faces = list(drawn_copies(subjects, seed, FONTS))
        faces += [] if copies_alone else drawn(subjects, seed, FONTS)
        if place is not None:
            place.parent.mkdir(parents=True, exist_ok=True)
            draft = place.with_suffix(".part")
            draft.write_bytes(pickle.dumps(faces))
            draft.replace(place)
    return list(chain.from_iterable(measured(pairings) for pairings in faces))


def trials_of(taken: Sequence[Taken], pattern: str, seed: int, work: Path | None, rungs: Sequence[str]) -> list[Trial]:
    """All trials of these pictures, ten subjects a task, on two processes."""
    pairs = siblings([one.path for one in taken], pattern, np.random.default_rng(seed))
    tasks = [pairs[i : i + 10] for i in range(0, len(pairs), 10)]
    seeds = range(1000 * seed, 1000 * seed + len(tasks))
    with process_pool(2) as pool:
        return list(chain.from_iterable(pool.map(session, [work] * len(tasks), tasks, seeds, [rungs] * len(tasks))))


def window_pairs_of(taken: Sequence[Taken], seed: int, searched: bool) -> list[WindowPair]:
    """Cards of these pictures in one window, trimmed, or in another one."""
    return window_pairs([one.path for one in taken], seed, searched=searched)


def trials_of_windows(pairs: Sequence[WindowPair]) -> list[Trial]:
    """The same as trials of the rung `crop`."""
    return [Trial(one.kind, one.contrast, {"crop": one.same}, {"crop": one.features}) for one in pairs if one.features]


def scale_answers(folders: Sequence[Path], output: Path | None, source: str) -> None:
    """Fit the scaling on evaluations, print it, and store it beside the shipped models. Raises BadTable."""
    for folder in folders:
        if (role := json.loads((folder / "set.json").read_text()).get("role")) != "scale":
            raise BadTable("bad_evaluation", f"{folder}: it serves to {role}", "evaluate anew with --role scale")
    lines = chain.from_iterable((folder / "rows.jsonl").read_text().splitlines() for folder in folders)
    rows = [json.loads(line) for line in lines]
    shipped = Calibration.load()
    answers = fit_answers(rows, shipped.platt)
    for rung, scaling in answers.items():
        print(f"{rung}: shift {scaling.shift:+.3f}, slope {scaling.slope:.3f}")
    if output:
        about = {"made": date.today().isoformat(), "photos": len(rows), "pictures": source}
        provenance = {**shipped.provenance, "answers": about}
        output.write_text(json.dumps(as_json(shipped.rungs, provenance, answers), indent=1) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--train", type=Path, nargs="+", default=[])
    parser.add_argument("--held-out", type=Path, nargs="+", default=[])
    parser.add_argument("--answers", type=Path, nargs="+", help="folders with rows.jsonl: fit the scaling of answers")
    parser.add_argument("--pairs", default=r"^(p\d+)_([a-z]+)")
    parser.add_argument("--limit", type=int, default=80, help="photographs taken from each folder")
    parser.add_argument("--seed", type=int, default=1)
    add_option(parser)
    parser.add_argument("--work", type=Path, help="folder where the faces are kept, to be measured anew")
    parser.add_argument("--rungs", nargs="+", choices=RUNGS, default=RUNGS, help="to be fitted; the others stay")
    parser.add_argument(
        "--searched", action="store_true", help="crop and edges: outlines as they are found, not scattered"
    )
    parser.add_argument("--output", type=Path, help="where to write the coefficients; only report if not given")
    parser.add_argument("--source", default="", help="what the photographs are; stored with the coefficients")
    chosen = parser.parse_args()
    if chosen.answers:
        try:
            scale_answers(chosen.answers, chosen.output, chosen.source)
        except BadTable as error:
            parser.error(str(error))
        return
    if not (chosen.train and chosen.held_out):
        parser.error("give --train and --held-out, or --answers")
    try:
        teaching = taken_of("fit", chosen.train, chosen.manifest, chosen.limit)
        judging = taken_of("report", chosen.held_out, chosen.manifest, chosen.limit)
    except BadTable as error:
        parser.error(str(error))
    if shared := {sha256_of(one.path) for one in teaching} & {sha256_of(one.path) for one in judging}:
        parser.error(f"{len(shared)} pictures are in both")
    windows = window_pairs_of(judging, chosen.seed + 1, chosen.searched) if set(chosen.rungs) <= WINDOW_RUNGS else []
    held_out = trials_of_windows(windows) or trials_of(
        judging, chosen.pairs, chosen.seed + 1, chosen.work, chosen.rungs
    )
    if chosen.output:
        taught = window_pairs_of(teaching, chosen.seed, chosen.searched) if windows else []
        learnt = trials_of_windows(taught) or trials_of(teaching, chosen.pairs, chosen.seed, chosen.work, chosen.rungs)
        provenance = {
            "made": date.today().isoformat(),
            "pairs": len(learnt),
            "seed": chosen.seed,
            "pictures": chosen.source or [folder.name for folder in chosen.train],
            "manifests": stored(teaching),
        }
        models = {rung: fit_rung(rung, rows_of(learnt, rung)) for rung in chosen.rungs}
        shipped = Calibration.load()
        if set(shipped.rungs) - set(models):
            provenance = {**shipped.provenance, **dict.fromkeys(chosen.rungs, provenance)}
        coefficients = as_json({**shipped.rungs, **models}, provenance, shipped.platt)
        chosen.output.write_text(json.dumps(coefficients, indent=1) + "\n")
    used = Calibration.load(chosen.output)
    for rung in chosen.rungs:
        print(
            rung, {name: round(value, 4) for name, value in report(used.rungs[rung], rows_of(held_out, rung)).items()}
        )
    if windows:
        print("\n".join(window_sentences(windows, used)))


if __name__ == "__main__":
    main()
