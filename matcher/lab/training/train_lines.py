"""Teach the reading library's own finder of lines on with strips of cards (`core.ocr.reader`).

    scripts/train_lines FOLDER... --types TYPES --manifest FILE --output matcher/core/nets/weights

Each picture that the manifest lists to train is a negative, and what lines are drawn on, in the designs that
`fit_words` leaves to training and those of `designs.json`. Strips are drawn while it learns. Needs the extras
`reading` and `train`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Sequence
from datetime import date
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from matcher.core.errors import BadTable
from matcher.core.ocr.reader import FINDER_TABLES
from matcher.lab.evaluation.negatives import Negative, read_negatives
from matcher.lab.manifests import stored, take
from matcher.lab.synthesis.taught_designs import taught_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.training.line_strips import Strip, card_strips, plain_strips, seed_of
from matcher.lab.training.reader_lines import pictures_of
from matcher.lab.training.train_reader import lettering_options, library_file, origin

PLAIN, CARDS = 100, 12
"""Strips drawn straight, or cards of which all strips are, that a process draws before it hands them over."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    lettering_options(parser)
    parser.add_argument("--minutes", type=float, default=12.0)
    parser.add_argument("--rate", type=float, default=2e-4)
    parser.add_argument("--batch", type=int, default=64, help="strips a step")
    parser.add_argument("--room", type=int, default=20_000, help="strips that are kept, 0.2 MB each")
    parser.add_argument("--first", type=int, default=5_000, help="strips that are drawn before it begins")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--output", type=Path, required=True, help="folder of lines.onnx")
    chosen = parser.parse_args()
    try:
        taken = take("train", chosen.folders, chosen.manifest)
        negatives = read_negatives(chosen.folders, "", chosen.seed, "train", chosen.manifest)
        types = taught_on(chosen.types)
    except BadTable as error:
        parser.error(str(error))
    begun = chosen.begin or library_file("PP-OCRv6_det_small.onnx")
    learnt = teach(begun, negatives, types, chosen)
    about = {
        "made": date.today().isoformat(), **learnt, "minutes": chosen.minutes, "rate": chosen.rate,
        "batch": chosen.batch, "seed": chosen.seed, "manifests": stored(taken), "designs": len(types),
        "begun": origin(begun),
    }  # fmt: skip
    (chosen.output / "lines.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


def teach(
    begun: Path, negatives: Sequence[Negative], types: Sequence[Typeface], chosen: argparse.Namespace
) -> dict[str, int]:
    """Learn and write; how many steps, and how many strips."""
    from matcher.lab.training.drawn_store_network import Course
    from matcher.lab.training.line_finder_network import taught
    from matcher.lab.training.onnx_graph_network import LibraryGraph, dump, plain_graph, written_into
    from matcher.lab.training.packed_weights import pack_apart

    chosen.output.mkdir(parents=True, exist_ok=True)
    course = Course(
        chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.device, chosen.seed
    )  # fmt: skip
    with TemporaryDirectory() as aside:
        plain, whole = Path(aside) / "begun.npz", Path(aside) / "taught.onnx"
        dump(begun, plain)
        with multiprocessing.get_context("spawn").Pool(chosen.workers, _ready, (negatives, types, chosen.seed)) as pool:
            learnt = taught(LibraryGraph(plain_graph(plain)), pool.imap_unordered(drawn, count()), course)
            pool.terminate()
        written_into(begun, learnt.network.tables(), whole)
        pack_apart(whole, chosen.output / "lines.onnx", [chosen.output / name for name in FINDER_TABLES])
    return {"strips": learnt.strips, "steps": learnt.steps}


_given: tuple[Sequence[Negative], Sequence[Typeface], int]


def _ready(*given: object) -> None:
    global _given
    _given = given  # type: ignore[assignment]
    cv2.setNumThreads(1)


def drawn(number: int) -> list[Strip]:
    """Strips, drawn straight and cut out of whole cards in turn."""
    negatives, types, seed = _given
    rng = np.random.default_rng([seed, number, 7])
    some = [negatives[int(n)] for n in rng.permutation(len(negatives))[:CARDS]]
    if number % 2:
        return list(card_strips(some, types, CARDS, seed_of(seed, number)))
    source = plain_strips(pictures_of(some[:6]), types, rng)
    return [next(source) for _ in range(PLAIN)]


if __name__ == "__main__":
    main()
