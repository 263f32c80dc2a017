"""Rows in, every cell of the table out: value, number of cases, 95 % interval, bar, and the baselines beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from matcher.core.ladder.crop import Window
from matcher.lab import measures
from matcher.lab.evaluation.plan import CONDITIONS, FADES, KINDS
from matcher.lab.evaluation.scored_answers import LEGIBLE, Row, ScoredAnswer, of_pairs, pairs_of, score_answer, stated
from matcher.lab.evaluation.windows import window_error

RUNGS = ("pose", "crop", "caption", "copy", "record")
BASELINES = ("hash", "features")


@dataclass(frozen=True)
class Bar:
    """A value to reach: at least, or at most."""

    limit: float
    at_most: bool = False

    def is_met(self, value: float) -> bool:
        return value <= self.limit if self.at_most else value >= self.limit


@dataclass(frozen=True)
class Cell:
    """One measure. baselines: the same measure of the baselines, by name. unit: '%', 'mm', 'ms' or ''.

    true: of the n cases of a ROC curve, how many were true ones.
    """

    what: str
    value: float
    n: int
    interval: tuple[float, float] | None = None
    bar: Bar | None = None
    unit: str = "%"
    baselines: tuple[tuple[str, float], ...] = ()
    true: int | None = None

    @property
    def ahead(self) -> bool:
        """Whether it is ahead of every baseline, or as good as can be."""
        best = max((value for _, value in self.baselines if not math.isnan(value)), default=0.0)
        return self.value > best or self.value >= 1.0

    @property
    def met(self) -> bool | None:
        """Whether the bar is met; None where there is none, or nothing was measured."""
        return self.bar.is_met(self.value) if self.bar and not math.isnan(self.value) else None


def cells(rows: Sequence[Row]) -> list[Cell]:
    """The whole table."""
    given = list(rows)
    scored = [score_answer(row) for row in given]
    parts: tuple[Iterable[Cell], ...] = (
        _pose_rung(given),
        _pose_first(given, scored),
        _records(given, scored),
        _windows(given),
        _crops(given, scored),
        _captions(given, scored),
        _open_set(given, scored),
        _calibration(given),
        _copies(given),
        _speed(given),
        _outcomes(scored),
    )
    found = [cell for part in parts for cell in part]
    accuracy = [cell.ahead for cell in found if cell.baselines and cell.unit != "ms" and not math.isnan(cell.value)]
    return [*found, share("accuracy rows on which it is ahead of both baselines", accuracy, Bar(1.0))]


def share(what: str, answers: Iterable[bool], bar: Bar | None = None) -> Cell:
    """How many of how many."""
    known = list(answers)
    right, n = sum(known), len(known)
    return Cell(what, right / n if n else math.nan, n, measures.share_interval(right, n), bar)


def area(what: str, scores: Sequence[float], truth: Sequence[bool], bar: Bar | None = None) -> Cell:
    """An area under the ROC curve."""
    interval = measures.resampled(measures.auroc, scores, truth)
    return Cell(what, measures.auroc(scores, truth), len(truth), interval, bar, "", true=sum(truth))


def _pose_rung(rows: list[Row]) -> Iterator[Cell]:
    """Same negative against another exposure of the same sitter in the same room."""
    sorts: dict[str, Callable[[Row, Any], bool]] = {
        "": lambda row, pair: not pair["moved"],
        " (all; invented exposures too)": lambda row, pair: True,
    }
    for name, chosen in sorts.items():
        pairs = [(row, pair) for row, pair in pairs_of(rows) if chosen(row, pair)]
        bars = {None: Bar(0.995), 0.15: Bar(0.98)} if not name else {}
        for fade in (None, *FADES):
            some = [pair for row, pair in pairs if fade is None or row["fade"] == fade]
            truth = [pair["same_pose"] for pair in some]
            what = f"same negative / other exposure, AUROC{_at(fade)}{name}"
            cell = area(what, [pair["pose"] for pair in some], truth, bars.get(fade))
            baselines = (("hash", [p["hash"] for p in some]), ("features", [p["inliers"] for p in some]))
            yield replace(cell, baselines=tuple((r, measures.auroc(scores, truth)) for r, scores in baselines))


def _pose_first(rows: list[Row], scored: list[ScoredAnswer]) -> Iterator[Cell]:
    for fade, bar in ((None, 0.99), (0.8, None), (0.5, None), (0.3, None), (0.15, 0.96)):
        some = [
            (row, one)
            for row, one in zip(rows, scored, strict=True)
            if one.pose_first is not None and (fade is None or row["fade"] == fade)
        ]
        cell = share(f"right pose first, pose enrolled{_at(fade)}", [bool(v.pose_first) for _, v in some])
        yield replace(cell, bar=Bar(bar) if bar else None, baselines=_named([row for row, _ in some], "pose"))


def _records(rows: list[Row], scored: list[ScoredAnswer]) -> Iterator[Cell]:
    both = [(row, v) for row, v in zip(rows, scored, strict=True) if v.kind == "known"]
    good = [(row, v) for row, v in both if v.legible and v.good_light]
    for what, some, bar in (
        ("right record first, known, good light, contrast >= 30 %", good, Bar(0.97)),
        ("right record first, known, all", both, None),
    ):
        cell = share(what, [bool(v.record_first) for _, v in some], bar)
        yield replace(cell, baselines=_named([row for row, _ in some], "record_id"))
    yield share("known as the right record, known, good light, contrast >= 30 %", [v.right for _, v in good])


def _named(rows: list[Row], what: str) -> tuple[tuple[str, float], ...]:
    """How often each baseline names the right pose or record."""
    return tuple(
        (name, float(np.mean([row["baselines"][name][what] == row["truth"][what] for row in rows])))
        for name in BASELINES
        if rows
    )


def _windows(rows: list[Row]) -> Iterator[Cell]:
    for legible in (True, False):
        errors, lost = [], []
        for row, pair in pairs_of(rows):
            if pair["same_pose"] and (not legible or row["fade"] >= LEGIBLE - 1e-9):
                lost.append("window" not in pair)
                if "window" in pair:
                    errors.append(window_error(Window(**pair["window"]), Window(**pair["true_window"])))
        name = "legible" if legible else "all fades"
        shifts, scales = [e[0] for e in errors], [e[1] for e in errors]
        bars = (Bar(0.4, True), Bar(0.015, True)) if legible else (None, None)
        yield Cell(
            f"window error, 95th percentile, {name}", measures.percentile_95(shifts), len(errors), None, bars[0], "mm"
        )
        yield Cell(
            f"window scale error, 95th percentile, {name}", measures.percentile_95(scales), len(errors), None, bars[1]
        )
        yield share(f"one negative, could not be laid over, {name}", lost)


def _crops(rows: list[Row], scored: list[ScoredAnswer]) -> Iterator[Cell]:
    new = [(row, v) for row, v in zip(rows, scored, strict=True) if v.kind == "new_crop"]
    yield share("new crop found, changed by >= 1.5 mm or >= 4 %", [v.right for _, v in new], Bar(0.97))
    yield share("new crop found, contrast >= 30 %", [v.right for _, v in new if v.legible])
    for change in sorted({row["truth"]["crop_change"] for row, _ in new}):
        yield share(f"new crop found, {change}", [v.right for row, v in new if row["truth"]["crop_change"] == change])
    old = [v for v in scored if v.kind in ("known", "new_caption")]
    yield share(
        "false alarm: 'new crop' though it is enrolled", [v.outcome == "new_crop" for v in old], Bar(0.02, True)
    )
    yield area("crop rung on pairs, AUROC", *of_pairs(rows, "crop"))


def _captions(rows: list[Row], scored: list[ScoredAnswer]) -> Iterator[Cell]:
    legible = [(row, v) for row, v in zip(rows, scored, strict=True) if v.legible]
    for change, bar in (("letter", 0.85), ("letters", None), ("club", 0.97)):
        new = [v for row, v in legible if row["truth"]["caption_change"] == change]
        beside = [v for row, v in legible if v.kind == "known" and change in row["truth"]["beside"]]
        for name, some in (("new caption", new), ("known, the other one enrolled", beside)):
            honest = [v.right or v.outcome == "undecided" for v in some]
            what = f"caption differs by {change}, {name}"
            yield share(f"{what}: right or undecided", honest, Bar(bar) if bar else None)
            yield share(f"{what}: right", [v.right for v in some])
            yield share(
                f"{what}: new words called known", [v.known_wrong for v in some], Bar(0.02, True) if bar else None
            )
    yield area("caption rung on pairs, AUROC", *of_pairs(rows, "caption"))


def _open_set(rows: list[Row], scored: list[ScoredAnswer]) -> Iterator[Cell]:
    strange = ("near_pose", "unknown")
    for name, kinds, bar in (("all others", tuple(KINDS), Bar(0.995)), ("near pose and unknown", strange, None)):
        some = [(row, v) for row, v in zip(rows, scored, strict=True) if v.kind == "known" or v.kind in kinds]
        truth = [v.kind == "known" for _, v in some]
        scores = [v.score for _, v in some]
        baselines = tuple(
            (r, measures.auroc([row["baselines"][r]["score"] for row, _ in some], truth)) for r in BASELINES
        )
        yield replace(area(f"in the catalogue or not, known / {name}, AUROC", scores, truth, bar), baselines=baselines)
        false = measures.false_positives_at(scores, truth)
        yield Cell(
            f"in the catalogue or not, known / {name}, false positives at 95 % found", false, len(some), true=sum(truth)
        )
    wrong = [v.known_wrong for v in scored if v.kind in strange]
    yield share("wrongly called known, near pose and unknown", wrong, Bar(0.005, True))
    yield share("wrongly called known, all", [v.known_wrong for v in scored])


def _calibration(rows: list[Row]) -> Iterator[Cell]:
    for rung in RUNGS:
        found = measures.reliability(*stated(rows, rung))
        yield Cell(f"calibration of {rung}, ECE", found.ece, found.n, None, Bar(0.03, True), "")
        yield Cell(f"calibration of {rung}, Brier", found.brier, found.n, None, None, "")
        right = round(found.precision * found.sure) if found.sure else 0
        interval = measures.share_interval(right, found.sure)
        yield Cell(f"precision where {rung} is stated >= 95 %", found.precision, found.sure, interval, Bar(0.98))
    for rung in RUNGS[:4]:
        found = measures.reliability(*of_pairs(rows, rung))
        yield Cell(f"calibration of {rung} on pairs, ECE", found.ece, found.n, None, None, "")


def _copies(rows: list[Row]) -> Iterator[Cell]:
    pairs = [pair for _, pair in pairs_of(rows) if pair.get("same_record") and pair.get("copy") is not None]
    truth = [pair["same_copy"] for pair in pairs]
    cell = area("same card / another copy of one record, AUROC", [p["copy"] for p in pairs], truth, Bar(0.98))
    baselines = (("hash", [p["hash"] for p in pairs]), ("features", [p["inliers"] for p in pairs]))
    yield replace(cell, baselines=tuple((r, measures.auroc(scores, truth)) for r, scores in baselines))


def _speed(rows: list[Row]) -> Iterator[Cell]:
    for what, percent in (("median", 50), ("95th percentile", 95)):
        value = float(np.percentile([1000 * row["seconds"] for row in rows], percent)) if rows else math.nan
        theirs = tuple(
            (r, float(np.percentile([1000 * row["baselines"][r]["seconds"] for row in rows], percent)))
            for r in BASELINES
            if rows
        )
        yield Cell(f"time a photo, {what} (baselines: search only)", value, len(rows), None, None, "ms", theirs)
    off = [row["corners_off_mm"] for row in rows if row["corners_off_mm"] is not None]
    yield Cell("corners found, error, 95th percentile", measures.percentile_95(off), len(off), None, None, "mm")
    yield share("card not found, or over 3 mm off", [row["face"] == "true" for row in rows])


def _outcomes(scored: list[ScoredAnswer]) -> Iterator[Cell]:
    """Right outcomes by kind and fade, and by condition; how often it is undecided."""
    yield share("right outcome, all", [v.right for v in scored])
    yield share("undecided, all", [v.outcome == "undecided" for v in scored])
    for kind in KINDS:
        for fade in (None, *FADES):
            some = [v for v in scored if v.kind == kind and (fade is None or v.fade == fade)]
            yield share(f"right outcome, {kind}{_at(fade)}", [v.right for v in some])
        yield share(f"undecided, {kind}", [v.outcome == "undecided" for v in scored if v.kind == kind])
    for condition in CONDITIONS:
        yield share(f"right outcome, {condition}", [v.right for v in scored if v.condition == condition])


def _at(fade: float | None) -> str:
    return "" if fade is None else f", at {100 * fade:.0f} %"
