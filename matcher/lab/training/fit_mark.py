"""The rung `mark`: fitted on cards that bear an issuer's mark, in words, forms and places of every kind.

    scripts/fit_mark FOLDER... --types TYPES [--output mark.json]

Each picture is a negative that is drawn with one mark, scanned as a reference, and photographed with the same mark and
with another: other words, another form, another place, or none. The true corners are given, with scatter. Typefaces are
those dealt to fit; with `--role report`, which only tells, those dealt to report.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import RungModel
from matcher.core.card_lines import CardLine
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import BadTable
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.mark import ink_features, mark_features, shipped_calibration
from matcher.core.ocr.every_line import lines_of_photo
from matcher.core.ocr.line_pairs import firm_lines, written_on
from matcher.core.ocr.mark_match import match_marks
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.lettering_set import (
    LetteringQuery,
    LetteringRecord,
    draw_lettering_query,
    drawn_card,
    lettering_plan,
)
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis import scan
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.type_cases import Typeface, dealt, typefaces
from matcher.lab.training.fitting import Rows, as_json, fit, probabilities, report

ASKED = ("same", "mark", "mark", "same")

SCATTER_MM = 0.15
"""Standard deviation by which each corner is off."""

SCAN_PX_PER_MM = 300 / 25.4

RUNGS = ("mark", "mark_ink")

AGAINST = ("unread", "replaced", "moved", "unlocated")
"""Features that may only speak against the same mark."""


@dataclass(frozen=True)
class MarkTrial:
    """One photo against its negative's reference. change: '' where the mark is the same.

    features: None where it could not be compared. ink: those that need no reading of the photo, in the same way.
    """

    change: str
    contrast: float
    features: dict[str, float] | None
    ink: dict[str, float] | None


def mark_trials(
    folders: Sequence[Path], types: Sequence[Typeface], count: int, seed: int, role: str, manifests: Sequence[Path]
) -> Iterator[MarkTrial]:
    """Of at most `count` photos, every other one as people take them, those whose record has a mark and which could be
    registered."""
    negatives = read_negatives(folders, "", seed, role, manifests)  # type: ignore[arg-type]
    records, asked = lettering_plan(negatives, types, count, seed, rough=True, asked=ASKED)
    known = {one.record_id: _reference(one, types, seed) for one in records if one.card.wording.mark}
    for query in asked:
        if query.record.record_id in known:
            trial = _trial(query, types, *known[query.record.record_id])
            if trial:
                yield trial


def _reference(record: LetteringRecord, types: Sequence[Typeface], seed: int) -> tuple[Face, tuple[CardLine, ...]]:
    rng = np.random.default_rng([seed, record.card.seed, 3])
    shot = scan(drawn_card(record.card, types, SCAN_PX_PER_MM), rng)
    photo, outline = seen(shot, rng)
    face = flatten(photo, outline)
    return face, firm_lines(written_on(face))


def _trial(
    query: LetteringQuery, types: Sequence[Typeface], reference: Face, known: tuple[CardLine, ...]
) -> MarkTrial | None:
    rng = np.random.default_rng([query.seed, 5])
    photo, outline = seen(draw_lettering_query(query, types)[1], rng)
    face = flatten(photo, outline)
    found = align(View(face), View(reference))
    wording = query.record.card.wording
    if not found or wording.mark is None:
        return None
    read = lines_of_photo(photo, outline, face.size)
    lines = match_marks(read, known, wording.mark.words, (wording.name, wording.club))
    features = mark_features(face, reference, found.transform, lines)
    ink = ink_features(face, reference, found.transform, lines)
    return MarkTrial(query.change, query.card.age.residual_contrast, features, ink)


def seen(shot: Shot, rng: np.random.Generator) -> tuple[Photo, CardQuad]:
    """A shot as a photo, and its card's corners, a little off."""
    height = float(np.linalg.norm(shot.corners[3] - shot.corners[0])) / FaceSize().height_mm
    corners = np.asarray(shot.corners + rng.normal(0, SCATTER_MM * height, (4, 2)), np.float32)
    return Photo.from_pixels(shot.pixels), CardQuad(corners, 1.0)


def rows_of(trials: Sequence[MarkTrial], rung: str) -> Rows:
    """Of the trials that could be compared. rung: `mark`, or `mark_ink`, without reading the photo."""
    told = [(trial.ink if rung == "mark_ink" else trial.features, trial.change) for trial in trials]
    used = [(features, change) for features, change in told if features]
    names = tuple(used[0][0])
    values = np.array([[features[name] for name in names] for features, _ in used], np.float64)
    return Rows(names, values, np.array([not change for _, change in used]), tuple(change for _, change in used))


def told(trials: Sequence[MarkTrial], rung: str, model: RungModel, settled: float = 0.75) -> Iterator[str]:
    """How many could be compared, and what was said of them, by what had changed."""
    rows = rows_of(trials, rung)
    stated = probabilities(model, rows)
    yield f"{rung}: compared {len(stated)} of {len(trials)}"
    for change in sorted(set(rows.kinds)):
        some = stated[[kind == change for kind in rows.kinds]]
        same, other = float((some >= settled).mean()), float((some <= 1 - settled).mean())
        yield f"{change or 'same':12} {len(some):4}  called the same {100 * same:.1f} %, another {100 * other:.1f} %"
    yield str({name: round(value, 3) for name, value in report(model, rows).items()})


def chosen_by(parser: argparse.ArgumentParser, photos: int) -> argparse.Namespace:
    """What a fit on drawn photos of lettering is asked for; pictures listed to report are never fitted on."""
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--role", choices=["fit", "report"], default="fit")
    parser.add_argument("--types", type=Path, default=Path(), help="where scripts/fetch_type left the typefaces")
    parser.add_argument("--photos", type=int, default=photos)
    parser.add_argument("--seed", type=int, default=23)
    chosen = parser.parse_args()
    if chosen.output and chosen.role != "fit":
        parser.error("coefficients are fitted on pictures listed to fit: leave --output out")
    return chosen


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--output", type=Path, help="where to write coefficients; only tell if not given")
    chosen = chosen_by(parser, 800)
    cv2.setNumThreads(1)
    try:
        taken = take(chosen.role, chosen.folders, chosen.manifest)
        types = typefaces(chosen.types, chosen.role)
        types = dealt(types, 0) if chosen.role == "fit" else types
        drawn = mark_trials(chosen.folders, types, chosen.photos, chosen.seed, chosen.role, chosen.manifest)
        trials = list(drawn)
    except BadTable as error:
        parser.error(str(error))
    if chosen.output:
        models = {rung: fit(rows_of(trials, rung), even=True, against=AGAINST) for rung in RUNGS}
        about = {
            "made": date.today().isoformat(), "cards": len(trials), "seed": chosen.seed, "manifests": stored(taken),
        }  # fmt: skip
        chosen.output.write_text(json.dumps(as_json(models, about), indent=1) + "\n")
    else:
        models = dict(shipped_calibration().rungs)
    for rung in RUNGS:
        print("\n".join(told(trials, rung, models[rung])))


if __name__ == "__main__":
    main()
