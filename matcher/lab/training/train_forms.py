"""Train the network that tells in which form a mark stands (`core.ocr.mark_form`) on lines drawn meanwhile.

    scripts/train_forms FOLDER... --types TYPES --manifest FILE --output matcher/core/nets/weights

Lines stand on pictures that the manifest lists to train, in the designs of `designs.json` that are listed to be taught,
and in frames that `mark_frames` draws. Needs the extra `train`.
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

import cv2
import numpy as np

from matcher.core.errors import BadTable
from matcher.lab.evaluation.negatives import Negative, read_negatives
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis.taught_designs import taught_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.training.form_tiles import FormTile, form_tiles
from matcher.lab.training.reader_lines import pictures_of

if TYPE_CHECKING:
    from matcher.lab.training.form_network import Taught

NEGATIVES, TILES = 8, 200
"""Pictures that a process draws on, and tiles that it draws, before it hands them over."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--types", type=Path, required=True, help="folder of typefaces, from scripts/fetch_type")
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=512, help="tiles a step")
    parser.add_argument("--room", type=int, default=400_000, help="tiles that are kept, 8 kB each")
    parser.add_argument("--first", type=int, default=10_000, help="tiles that are drawn before it begins")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--output", type=Path, required=True, help="folder of mark_form.onnx")
    chosen = parser.parse_args()
    try:
        taken = take("train", chosen.folders, chosen.manifest)
        negatives = read_negatives(chosen.folders, "", chosen.seed, "train", chosen.manifest)
        types = taught_on(chosen.types)
    except BadTable as error:
        parser.error(str(error))
    learnt = learn(negatives, types, chosen)
    about = {
        "made": date.today().isoformat(), "tiles": learnt.tiles, "steps": learnt.steps, "batch": chosen.batch,
        "minutes": chosen.minutes, "rate": chosen.rate, "seed": chosen.seed, "manifests": stored(taken),
        "designs": len(types),
    }  # fmt: skip
    (chosen.output / "mark_form.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


def learn(negatives: Sequence[Negative], types: Sequence[Typeface], chosen: argparse.Namespace) -> Taught:
    """Train the network and write it."""
    from matcher.lab.training.drawn_store_network import Course
    from matcher.lab.training.form_network import FormNetwork, export, taught

    chosen.output.mkdir(parents=True, exist_ok=True)
    course = Course(
        chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.device, chosen.seed
    )  # fmt: skip
    with multiprocessing.get_context("spawn").Pool(chosen.workers, _ready, (negatives, types, chosen.seed)) as pool:
        learnt = taught(FormNetwork(), pool.imap_unordered(drawn, count()), course)
        pool.terminate()
    export(learnt.network.cpu(), chosen.output / "mark_form.onnx")
    return learnt


_given: tuple[Sequence[Negative], Sequence[Typeface], int]


def _ready(*given: object) -> None:
    global _given
    _given = given  # type: ignore[assignment]
    cv2.setNumThreads(1)


def drawn(number: int) -> list[FormTile]:
    """Tiles on a few of the pictures."""
    negatives, types, seed = _given
    rng = np.random.default_rng([seed, number, 12])
    some = [negatives[int(n)] for n in rng.permutation(len(negatives))[:NEGATIVES]]
    return list(islice(form_tiles(pictures_of(some), types, rng), TILES))


if __name__ == "__main__":
    main()
