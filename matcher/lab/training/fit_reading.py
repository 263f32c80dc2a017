"""Does reading the words help? Fit the rung `reading` on cards drawn of some photographs, report it on others.

    scripts/fit_reading FOLDER --fit FIRST LAST --report FIRST LAST [--seed N] [--output reading.json]

Each photograph is a negative. Every card of it is photographed once, and what is read is compared with its own words
and with three variants: one letter changed, two letters, another club. Beside it stands the comparison of inks, with
scans of the card's own record and of the one-letter variant as references. The true corners are given, with scatter.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
from sklearn.metrics import roc_auc_score

from matcher.core.align.alignment import Alignment
from matcher.core.calibration import Calibration, RungModel, sigmoid
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import BadTable
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption import compare_captions, is_legible
from matcher.core.ladder.head_to_head import Contender, share_odds
from matcher.core.ladder.registered import Registered
from matcher.core.ocr.caption_match import OcrEvidence, all_read, match_captions
from matcher.core.ocr.reading import OcrReading, read_caption
from matcher.core.photo import Photo
from matcher.lab import manifests
from matcher.lab.synthesis import Caption, Crop, make_copy, needed_px_per_mm, photograph, scan
from matcher.lab.synthesis.chance import random_age, random_crop, random_scene
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.trials import CONTRASTS, CORNER_JITTER_MM
from matcher.lab.synthesis.words import misspelt, random_caption
from matcher.lab.training.fitting import SPEAKS_AGAINST, Rows, as_json, fit, report

LARGE = 7
"""Every so many cards one photo has 12 megapixels."""

UNFITTED = RungModel(("exact",), (0.0,), (1.0,), (-1.0,), 0.0)


@dataclass(frozen=True)
class ReadingTrial:
    """One photographed card. inks: the caption rung's probability for its own words and for one letter changed."""

    contrast: float
    large: bool
    style: str
    reading: OcrReading
    known: dict[str, tuple[str, ...]]
    inks: tuple[float | None, float | None]
    seconds: float


def trials(paths: Sequence[Path], seed: int) -> Iterator[ReadingTrial]:
    for number, path in enumerate(paths):
        rng = np.random.default_rng([seed, number])
        contrast, large = CONTRASTS[number % len(CONTRASTS)], number % LARGE == LARGE - 1
        yield _trial(path, contrast, large, rng)


def _trial(path: Path, contrast: float, large: bool, rng: np.random.Generator) -> ReadingTrial:
    negative, crop, caption = negative_of(path), random_crop(rng), random_caption(rng, FONTS)
    scene = random_scene(rng)
    if large:
        scene = replace(scene, width=3000, height=4000, blur=2.5 * scene.blur)
    scale, seed = needed_px_per_mm(scene, (36.5, 63.5)), int(rng.integers(1 << 30))
    card = make_copy(negative, crop, caption, random_age(rng, contrast), seed=seed, px_per_mm=scale)
    photo, outline = _seen(photograph(card, scene, rng), rng)
    others = _variants(caption, rng)
    begun = time.process_time()
    # Of every other card the catalogue does not name the issuer: that line then need not be read.
    named = bool(rng.random() < 0.5)
    known: dict[str, tuple[str, ...]] = {
        name: (words.name, words.club, words.issuer if named else "")
        for name, words in {"own": caption, **others}.items()
    }
    reading = read_caption(photo, outline, enough=lambda lines: all_read(lines, known.values()))
    seconds = time.process_time() - begun
    inks = (
        _ink(flatten(photo, outline), negative, crop, caption, rng),
        _ink(flatten(photo, outline), negative, crop, others["letter"], rng),
    )
    return ReadingTrial(contrast, large, caption.style, reading, known, inks, seconds)


def _variants(caption: Caption, rng: np.random.Generator) -> dict[str, Caption]:
    once = misspelt(caption.name, rng)
    twice = misspelt(once, rng)
    while twice in (once, caption.name):
        twice = misspelt(once, rng)
    club = random_caption(rng).club
    return {
        "letter": replace(caption, name=once),
        "letters": replace(caption, name=twice),
        "club": replace(caption, club=club),
    }


def _seen(shot: Shot, rng: np.random.Generator) -> tuple[Photo, CardQuad]:
    side = float(np.linalg.norm(shot.corners[3] - shot.corners[0]))
    jitter = rng.normal(0, CORNER_JITTER_MM * side / 63.5, (4, 2))
    return Photo.from_pixels(shot.pixels), CardQuad((shot.corners + jitter).astype(np.float32), 1.0)


def _ink(face: Face, negative: np.ndarray, crop: Crop, words: Caption, rng: np.random.Generator) -> float | None:
    """The caption rung against a scan of a card with these words, edges laid on edges; None where too faded."""
    age = random_age(rng, float(rng.choice([1.0, 0.7, 0.45])))
    card = make_copy(negative, crop, words, age, seed=int(rng.integers(1 << 30)))
    reference = flatten(*_seen(scan(card, rng), rng))
    edges = Alignment(np.eye(3), 0, 1.0, 1.0, 1.0, "given")
    features, _ = compare_captions(Registered.of(face, reference, edges))
    return Calibration.load().probability("caption", features) if is_legible(features) else None


def rows_of(found: Sequence[ReadingTrial]) -> Rows:
    """Every known caption of every card that was read: its features, and whether it is the true one."""
    kept = [
        (likeness.features, name) for trial in found for name, likeness in _evidence(trial, UNFITTED).scores.items()
    ]
    names = tuple(kept[0][0])
    values = np.array([[features[name] for name in names] for features, _ in kept])
    return Rows(names, values, np.array([name == "own" for _, name in kept]), tuple(name for _, name in kept))


def _evidence(trial: ReadingTrial, model: RungModel, without: str = "") -> OcrEvidence:
    known = {name: words for name, words in trial.known.items() if name != without}
    return match_captions(trial.reading, known, Calibration({"reading": model}, {}))


def table(found: Sequence[ReadingTrial], model: RungModel) -> None:
    """One line a group of cards: how often something was read, the true caption nearest, another nearest, level."""
    print(f"{'cards':24} {'n':>4} {'read':>6} {'true':>6} {'wrong':>6} {'level':>6} {'none':>6} {'CPU ms':>7}")
    groups = {f"contrast {100 * c:.0f} %": [t for t in found if t.contrast == c] for c in CONTRASTS}
    groups |= {style: [t for t in found if t.style == style] for style in ("below", "plate", "top")}
    groups |= {"12 megapixels": [t for t in found if t.large], "1-2 megapixels": [t for t in found if not t.large]}
    for name, group in {**groups, "all": list(found)}.items():
        if group:
            read = [_evidence(t, model) for t in group]
            none = _none_auroc([t for t in group if t.reading], model)
            shares = [np.mean([bool(t) for t in read]), np.mean([t.best == "own" for t in read])]
            shares += [np.mean([t.best not in ("own", "") for t in read])]
            shares += [np.mean([bool(t) and not t.best for t in read])]
            cells = " ".join(f"{100 * share:5.1f}%" for share in shares)
            print(f"{name:24} {len(group):4} {cells} {none:6.3f} {1000 * np.median([t.seconds for t in group]):7.0f}")


def _none_auroc(found: Sequence[ReadingTrial], model: RungModel) -> float:
    """The highest probability of any known caption, with the true one among them against without it."""
    if not found:
        return float("nan")
    highest = [
        max((likeness.probability for likeness in _evidence(trial, model, without).scores.values()), default=0.5)
        for without in ("", "own")
        for trial in found
    ]
    return float(roc_auc_score([True] * len(found) + [False] * len(found), highest))


def against_ink(found: Sequence[ReadingTrial], model: RungModel) -> None:
    """Own words and one letter changed, both known: what the inks settle, what reading adds, and where it errs."""
    groups: dict[str, list[tuple[float, float]]] = {"too faded to compare": [], "open (0.1-0.9)": [], "settled": []}
    for trial in found:
        pair = {"own": trial.known["own"], "letter": trial.known["letter"]}
        told = match_captions(trial.reading, pair, Calibration({"reading": model}, {}))
        read = _share_of_own({n: likeness.probability for n, likeness in told.scores.items()}) if told else 0.5
        own, letter = trial.inks
        if own is None or letter is None:
            groups["too faded to compare"].append((0.5, read))
            continue
        ink = _share_of_own({"own": own, "letter": letter})
        open_ = 0.1 < share_odds({"own": Contender(own, ()), "letter": Contender(letter, ())})["own"] < 0.9
        groups["open (0.1-0.9)" if open_ else "settled"].append((ink, read))
    print("\nown words against one letter changed, both known: nearer to the own words (level counts half)")
    print(f"{'inks':24} {'n':>4} {'inks':>6} {'read':>6} {'both':>6}")
    for name, pairs in groups.items():
        if pairs:
            inks, reads = (np.array(side) for side in zip(*pairs, strict=True))
            both = _logit(inks) + _logit(reads)
            right = [np.mean(np.where(v == 0, 0.5, v > 0)) for v in (_logit(inks), _logit(reads), both)]
            print(f"{name:24} {len(pairs):4} " + " ".join(f"{100 * share:5.1f}%" for share in right))


def answers(found: Sequence[ReadingTrial], model: RungModel) -> None:
    """Right, wrong and undecided at a limit of 0.75, by the inks alone and with the reading's evidence added."""
    print(f"\n{'answers at 0.75':46} {'right':>6} {'wrong':>6} {'open':>6}")
    for name, known, truth in (
        ("own and one letter changed known", ("own", "letter"), "own"),
        ("own alone known", ("own",), "own"),
        ("one letter changed alone known", ("letter",), ""),
    ):
        for share in (0.0, 0.5, 1.0):
            told = [_answer(trial, known, model, share) for trial in found if None not in trial.inks]
            right, open_ = told.count(truth), told.count("open")
            label = f"{name}, inks + {share} reading"
            print(f"{label:46} {right:6} {len(told) - right - open_:6} {open_:6}")


def _answer(trial: ReadingTrial, known: Sequence[str], model: RungModel, share: float) -> str:
    """The record settled on, '' for none of the known, 'open' where it stays between."""
    inks = dict(zip(("own", "letter"), trial.inks, strict=True))
    pair = {name: trial.known[name] for name in known}
    told = match_captions(trial.reading, pair, Calibration({"reading": model}, {})).scores
    both = {}
    for name in known:
        read = told[name].probability if name in told else 0.5
        both[name] = sigmoid(float(_logit(np.array(inks[name])) + share * _logit(np.array(read))))
    rivals = share_odds({name: Contender(p, ()) for name, p in both.items()})
    best = max(rivals, key=lambda name: rivals[name])
    if rivals[best] >= 0.75:
        return best
    return "" if max(both.values()) <= 0.25 else "open"


def _share_of_own(probabilities: dict[str, float]) -> float:
    """The own words' share against the one-letter variant."""
    odds = {name: p / (1 - p + 1e-9) for name, p in probabilities.items()}
    return odds["own"] / (odds["own"] + odds["letter"] + 1e-9)


def _logit(p: np.ndarray) -> np.ndarray:
    p = np.clip(p, 1e-6, 1 - 1e-6)
    return np.asarray(np.round(np.log(p / (1 - p)), 6))


def _kept(work: Path | None, paths: Sequence[Path], seed: int) -> list[ReadingTrial]:
    """The trials, read from `work` where they were drawn before: a new rule can then be tried in seconds."""
    place = work / f"readings-{paths[0].stem}-{paths[-1].stem}-{seed}.pickle" if work else None
    if place is not None and place.exists():
        drawn: list[ReadingTrial] = pickle.loads(place.read_bytes())
        return drawn
    drawn = list(trials(paths, seed))
    if place is not None:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(pickle.dumps(drawn))
    return drawn


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--fit", type=int, nargs=2, required=True, help="first and last photograph, counted by name")
    parser.add_argument("--report", type=int, nargs=2, required=True)
    parser.add_argument("--seed", type=int, default=1)
    manifests.add_option(parser)
    parser.add_argument("--work", type=Path, help="folder where drawn trials are kept")
    parser.add_argument("--output", type=Path)
    parser.add_argument("--source", default="", help="what the photographs are; stored with the coefficients")
    chosen = parser.parse_args()
    if not (chosen.fit[1] < chosen.report[0] or chosen.report[1] < chosen.fit[0]):
        parser.error("the photographs to fit on and to report on overlap")
    cv2.setNumThreads(1)
    try:
        paths = manifests.pictures_of(chosen.folder)
        teaching = manifests.take_paths("fit", paths[chosen.fit[0] : chosen.fit[1] + 1], chosen.manifest)
        judging = manifests.take_paths("report", paths[chosen.report[0] : chosen.report[1] + 1], chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    learnt, judged = (
        _kept(chosen.work, [one.path for one in taken], chosen.seed + i) for i, taken in enumerate((teaching, judging))
    )
    model = fit(rows_of(learnt), even=True, against=SPEAKS_AGAINST["reading"])
    if chosen.output:
        provenance = {
            "made": date.today().isoformat(),
            "cards": len(learnt),
            "seed": chosen.seed,
            "pictures": chosen.source or chosen.folder.name,
            "manifests": manifests.stored(teaching),
        }
        chosen.output.write_text(json.dumps(as_json({"reading": model}, provenance), indent=1) + "\n")
    table(judged, model)
    against_ink(judged, model)
    answers(judged, model)
    print(
        "\nown words or not, each known caption alone:",
        {k: round(v, 3) for k, v in report(model, rows_of(judged)).items()},
    )
    for trial in judged[:12]:
        print(f"  {trial.contrast} {trial.style:6} {trial.known['own'][:2]}: {trial.reading.words}")


if __name__ == "__main__":
    main()
