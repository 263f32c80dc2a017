"""Train the network that tells where the letters of one line differ on two cards (`core.ladder.letters`).

    scripts/train_letters FOLDER... --types TYPES --manifest FILE --output matcher/core/nets/weights

Each picture that the manifest lists to train is a negative, in the designs that `fit_words` leaves to training and
those of `designs.json`. Lines are drawn while it learns: most straight on two sheets, some on whole cards. Needs the
extra `train`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Sequence
from datetime import date
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING
from zlib import crc32

import cv2
import numpy as np

from matcher.core.errors import BadTable
from matcher.lab.evaluation.negatives import Negative, read_negatives
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis.taught_designs import taught_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.training.letter_pairs import Shown, line_patches, windows
from matcher.lab.training.letter_sheets import plain_patches
from matcher.lab.training.reader_lines import pictures_of

if TYPE_CHECKING:
    from matcher.lab.training.letter_network import Taught

NEGATIVES, LINES, PHOTOS = 8, 150, 16
"""Pictures, and lines drawn straight or photos of cards, that a process draws on before it hands windows over."""

CARDS_EVERY = 4
"""One hand-over in so many is of whole cards, which take twenty times as long."""

OF_A_LINE, OF_A_CARDS_LINE = 2, 3
"""Windows of each."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--types", type=Path, required=True, help="folder of typefaces, from scripts/fetch_type")
    parser.add_argument("--minutes", type=float, default=14.0)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=384, help="windows a step")
    parser.add_argument("--room", type=int, default=250_000, help="windows that are kept, 33 kB each")
    parser.add_argument("--first", type=int, default=15_000, help="windows that are drawn before it begins")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--output", type=Path, required=True, help="folder of change_letters.onnx")
    chosen = parser.parse_args()
    try:
        taken = take("train", chosen.folders, chosen.manifest)
        negatives = read_negatives(chosen.folders, "", chosen.seed, "train", chosen.manifest)
        types = taught_on(chosen.types)
    except BadTable as error:
        parser.error(str(error))
    learnt = learn(negatives, types, chosen)
    about = {
        "made": date.today().isoformat(), "windows": learnt.windows, "steps": learnt.steps, "batch": chosen.batch,
        "minutes": chosen.minutes, "rate": chosen.rate, "seed": chosen.seed, "manifests": stored(taken),
        "designs": len(types),
    }  # fmt: skip
    (chosen.output / "change_letters.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


def learn(negatives: Sequence[Negative], types: Sequence[Typeface], chosen: argparse.Namespace) -> Taught:
    """Train the network and write it."""
    from matcher.lab.training.change_network import export
    from matcher.lab.training.drawn_store_network import Course
    from matcher.lab.training.letter_network import LetterNetwork, taught

    chosen.output.mkdir(parents=True, exist_ok=True)
    course = Course(
        chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.device, chosen.seed
    )  # fmt: skip
    with multiprocessing.get_context("spawn").Pool(chosen.workers, _ready, (negatives, types, chosen.seed)) as pool:
        learnt = taught(LetterNetwork(), filter(None, pool.imap_unordered(drawn, count())), course)
        pool.terminate()
    export(learnt.network.cpu(), chosen.output / "change_letters.onnx")
    return learnt


_given: tuple[Sequence[Negative], Sequence[Typeface], int]


def _ready(*given: object) -> None:
    global _given
    _given = given  # type: ignore[assignment]
    cv2.setNumThreads(1)


def drawn(number: int) -> list[Shown]:
    """Windows of lines drawn straight, and of whole cards in turn; none where no card could be registered."""
    negatives, types, seed = _given
    rng = np.random.default_rng([seed, number, 8])
    some = [negatives[int(n)] for n in rng.permutation(len(negatives))[:NEGATIVES]]
    if number % CARDS_EVERY == CARDS_EVERY - 1:
        own, rough = crc32(bytes(f"{seed} {number}", "ascii")), bool(rng.random() < 0.5)
        return list(windows(line_patches(some, types, PHOTOS, own, rough=rough), OF_A_CARDS_LINE, rng))
    return list(windows(islice(plain_patches(pictures_of(some), types, rng), LINES), OF_A_LINE, rng))


if __name__ == "__main__":
    main()
