"""What lines that were read on both cards are worth: fitted on cards with words in every place and lettering.

    scripts/fit_words FOLDER... --types TYPES [--output FOLDER]

Each picture is a negative that is drawn with one wording, scanned as a reference, and photographed with the same words
and with others: one letter, another club; and with another mark, which makes no other words. The true corners are
given, with scatter. Of the designs dealt to fit those serve that the network of letters was not trained on, so that it
is not believed more than it sees on a new one; with `--role report`, which only tells, those dealt to report.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.errors import BadTable
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.words import Wanting, judge_line, shipped_calibration, word_features
from matcher.core.ocr.added_line import added_line
from matcher.core.ocr.line_evidence import bears_all, pair_features, wanting_of
from matcher.core.ocr.line_pairs import Sight, WrittenLine, pair_lines, written_on
from matcher.core.parallel.processes import process_pool
from matcher.core.reference_set import KnownRecord
from matcher.lab.evaluation.lettering_set import (
    LetteringQuery,
    LetteringRecord,
    draw_lettering_query,
    drawn_card,
    lettering_plan,
)
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.manifests import stored, take
from matcher.lab.synthesis import scan
from matcher.lab.synthesis.type_cases import Typeface, dealt, typefaces
from matcher.lab.training.fit_mark import SCAN_PX_PER_MM, chosen_by, seen
from matcher.lab.training.fitting import Rows, as_json, fit, probabilities, report
from matcher.lab.training.trees_onnx import write_trees

ASKED = ("same", "letter", "club", "mark")

AGAINST_WORDS = ("no_ink",)
"""Features that may only speak against the same words."""

TREES = {"max_iter": 120, "learning_rate": 0.06, "max_leaf_nodes": 8, "l2_regularization": 1.0}
"""On lines of other negatives they told 86 % of changed letters, a logistic model 75 %."""

FOLDS = 8
"""Parts of the negatives; each line's say on the words is that of a model that did not learn from its negative."""


@dataclass(frozen=True)
class WordsTrial:
    """One photo against its negative's reference.

    change: of the words, '' where they are the same. lines: features of each line that was looked at, and whether it
    says the same. ink: of the caption's strips; None where too faint.
    """

    record: str
    change: str
    contrast: float
    lines: tuple[tuple[dict[str, float], bool], ...]
    ink: float | None
    wanting: Wanting


def words_trials(
    folders: Sequence[Path], types: Sequence[Typeface], count: int, seed: int, role: str, manifests: Sequence[Path]
) -> Iterator[WordsTrial]:
    """Of at most `count` photos, every other one as people take them, those that could be registered."""
    negatives = read_negatives(folders, "", seed, role, manifests)  # type: ignore[arg-type]
    records, asked = lettering_plan(negatives, types, count, seed, rough=True, asked=ASKED)
    known = {one.record_id: _reference(one, types, seed) for one in records}
    calibration = Calibration.load()
    for query in asked:
        trial = _trial(query, types, *known[query.record.record_id], calibration)
        if trial:
            yield trial


def _reference(
    record: LetteringRecord, types: Sequence[Typeface], seed: int
) -> tuple[Face, tuple[WrittenLine, ...], KnownRecord]:
    rng = np.random.default_rng([seed, record.card.seed, 3])
    photo, outline = seen(scan(drawn_card(record.card, types, SCAN_PX_PER_MM), rng), rng)
    face, wording = flatten(photo, outline), record.card.wording
    mark = wording.mark.words if wording.mark else ""
    return face, written_on(face), KnownRecord(record.record_id, "", "", "", wording.name, wording.club, mark=mark)


def _trial(
    query: LetteringQuery,
    types: Sequence[Typeface],
    reference: Face,
    written: tuple[WrittenLine, ...],
    record: KnownRecord,
    calibration: Calibration,
) -> WordsTrial | None:
    rng = np.random.default_rng([query.seed, 5])
    photo, outline = seen(draw_lettering_query(query, types)[1], rng)
    face = flatten(photo, outline)
    found = align(View(face), View(reference))
    if not found:
        return None
    ink = judge_caption(Registered.of(face, reference, found), calibration).probability
    sight = Sight(photo, outline, face, reference, found.transform)
    pairs = pair_lines(sight, written, record, record.mark)
    change = "" if query.change.startswith("mark") else query.change
    changed = {"letter": "name", "club": "club"}.get(change, "")
    lines = tuple(
        (pair_features(pair, sight), pair.part != changed and not (changed and bears_all(pair, record)))
        for pair in pairs
    )
    added = None if any(pair.part == "club" for pair in pairs) else added_line(sight, written, pairs, record)
    wanting = wanting_of(record, pairs, added)
    return WordsTrial(record.record_id, change, query.card.age.residual_contrast, lines, ink, wanting)


def line_rows(trials: Sequence[WordsTrial]) -> tuple[Rows, list[str]]:
    """Every line that was looked at, and its record."""
    kept = [(features, same, trial) for trial in trials for features, same in trial.lines]
    names = tuple(sorted(kept[0][0]))
    values = np.array([[features[name] for name in names] for features, _, _ in kept], np.float64)
    truth = np.array([same for _, same, _ in kept])
    kinds = tuple("" if same else trial.change for _, same, trial in kept)
    return Rows(names, values, truth, kinds), [trial.record for _, _, trial in kept]


def word_rows(trials: Sequence[WordsTrial], stated: Sequence[float]) -> Rows:
    """Every photo. stated: of each line in turn, that it says the same."""
    left, rows = iter(stated), []
    for trial in trials:
        lines = [next(left) for _ in trial.lines]
        rows.append(word_features(lines, trial.ink, trial.wanting))
    names = tuple(rows[0])
    values = np.array([[row[name] for name in names] for row in rows], np.float64)
    changes = tuple(trial.change for trial in trials)
    return Rows(names, values, np.array([not change for change in changes]), changes)


def stated_by_others(rows: Rows, records: Sequence[str]) -> list[float]:
    """Each line's probability, by a model of other negatives' lines."""
    stated = np.zeros(len(records))
    for learnt, judged in GroupKFold(FOLDS).split(rows.values, rows.truth, records):
        stated[judged] = trees(rows.values[learnt], rows.truth[learnt]).predict_proba(rows.values[judged])[:, 1]
    return [float(one) for one in stated]


def trees(values: np.ndarray, truth: np.ndarray) -> HistGradientBoostingClassifier:
    """Both answers weigh alike: how often words differ is a matter of the series."""
    return HistGradientBoostingClassifier(class_weight="balanced", random_state=1, **TREES).fit(values, truth)


def told(rung: str, rows: Rows, stated: np.ndarray, settled: float = 0.75) -> Iterator[str]:
    """What was said, by what had changed."""
    for change in sorted(set(rows.kinds)):
        some = stated[[kind == change for kind in rows.kinds]]
        same, other = float((some >= settled).mean()), float((some <= 1 - settled).mean())
        name = change or "same"
        yield f"{rung} {name:8} {len(some):4}  called the same {100 * same:.1f} %, another {100 * other:.1f} %"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, help="folder where drawn trials are kept, by their seed")
    parser.add_argument("--seeds", type=int, nargs="+", help="each draws --photos of its own, in a process of its own")
    parser.add_argument("--output", type=Path, help="folder of line.onnx and words.json; only tell if not given")
    chosen = chosen_by(parser, 900)
    cv2.setNumThreads(1)
    try:
        taken = take(chosen.role, chosen.folders, chosen.manifest)
        types = typefaces(chosen.types, chosen.role)
        types = dealt(types, 0) if chosen.role == "fit" else types
        trials = _all_kept(chosen, types)
    except BadTable as error:
        parser.error(str(error))
    if chosen.output:
        about = {
            "made": date.today().isoformat(), "cards": len(trials), "seeds": seeds_of(chosen),
            "manifests": stored(taken),
        }  # fmt: skip
        rows, records = line_rows(trials)
        write_trees(trees(rows.values, rows.truth), rows.names, chosen.output / "line.onnx")
        (chosen.output / "line.json").write_text(json.dumps(about, indent=1) + "\n")
        words = fit(word_rows(trials, stated_by_others(rows, records)), even=True, against=AGAINST_WORDS)
        (chosen.output / "words.json").write_text(json.dumps(as_json({"words": words}, about), indent=1) + "\n")
    tell(trials, chosen.output)


def tell(trials: Sequence[WordsTrial], fitted: Path | None) -> None:
    """What is said of the trials; of those that were fitted on, by models of other negatives' lines."""
    rows, records = line_rows(trials)
    if fitted:
        lines, model = stated_by_others(rows, records), Calibration.load(fitted / "words.json").rungs["words"]
    else:
        lines = [judge_line(dict(zip(rows.names, row, strict=True))) for row in rows.values]
        model = shipped_calibration().rungs["words"]
    words = word_rows(trials, lines)
    for rung, of, stated_ in (("line", rows, np.array(lines)), ("words", words, probabilities(model, words))):
        print("\n".join(told(rung, of, stated_)))
    print({name: round(value, 3) for name, value in report(model, words).items()})


def seeds_of(chosen: argparse.Namespace) -> list[int]:
    return chosen.seeds or [chosen.seed]


def _all_kept(chosen: argparse.Namespace, types: Sequence[Typeface]) -> list[WordsTrial]:
    """The trials of all seeds, drawn side by side."""
    if len(seeds_of(chosen)) == 1:
        return kept(chosen, types, seeds_of(chosen)[0])
    with process_pool(len(seeds_of(chosen))) as pool:
        drawn = [pool.submit(kept, chosen, types, seed) for seed in seeds_of(chosen)]
        return [trial for one in drawn for trial in one.result()]


def kept(chosen: argparse.Namespace, types: Sequence[Typeface], seed: int) -> list[WordsTrial]:
    """The trials of one seed, read from `--work` where they were drawn before: a new rule is then tried in seconds."""
    file = chosen.work / f"words_{seed}.pkl" if chosen.work else None
    if file and file.is_file():
        drawn: list[Any] = pickle.loads(file.read_bytes())
        return drawn
    cv2.setNumThreads(1)
    made = list(words_trials(chosen.folders, types, chosen.photos, seed, chosen.role, chosen.manifest))
    if file:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(made))
    return made


if __name__ == "__main__":
    main()
