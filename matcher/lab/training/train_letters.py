"""Train the network that tells where the letters of one line differ on two cards (`core.ladder.letters`).

    scripts/train_letters FOLDER... --manifest FILE --types TYPES --work FILE --output matcher/core/nets/weights

Each picture that the manifest lists to train is a negative. Lines are drawn first and kept in --work, so that training
can be repeated. Of the designs dealt to fit one half serves; `scripts/fit_words` fits what the network is worth on the
other. Needs the extra `train`.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis.type_cases import dealt, typefaces
from matcher.lab.training.letter_pairs import LinePatch, line_patches


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--types", type=Path, default=Path(), help="where scripts/fetch_type left the typefaces")
    parser.add_argument("--photos", type=int, default=1600)
    parser.add_argument("--steps", type=int, default=3500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, required=True, help="file where the drawn lines are kept")
    parser.add_argument("--output", type=Path, required=True, help="folder of change_letters.onnx")
    chosen = parser.parse_args()
    try:
        taken = take("train", chosen.folders, chosen.manifest)
        lines = _kept(chosen)
    except BadTable as error:
        parser.error(str(error))
    print(f"{len(lines)} lines", flush=True)
    learn(lines, chosen.steps, chosen.seed, chosen.output)
    about = {
        "made": date.today().isoformat(), "lines": len(lines), "steps": chosen.steps, "seed": chosen.seed,
        "manifests": stored(taken),
    }  # fmt: skip
    (chosen.output / "change_letters.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


def _kept(chosen: argparse.Namespace) -> list[LinePatch]:
    """Half of the photos sharp and in good light, half as people take them; read where they were drawn before."""
    if not chosen.work.is_file():
        types = dealt(typefaces(chosen.types, "fit"), 1)
        negatives = read_negatives(chosen.folders, "", chosen.seed, "train", chosen.manifest)
        half = chosen.photos // 2
        drawn = [
            line
            for rough in (False, True)
            for line in line_patches(negatives, types, half, chosen.seed + rough, rough=rough)
        ]
        chosen.work.write_bytes(pickle.dumps(drawn))
    kept: list[LinePatch] = pickle.loads(chosen.work.read_bytes())
    return kept


def learn(lines: Sequence[LinePatch], steps: int, seed: int, output: Path) -> None:
    """Train the network and write it."""
    import torch

    from matcher.lab.training.change_network import export
    from matcher.lab.training.letter_network import train

    torch.set_num_threads(1)
    export(train(lines, steps, seed), output / "change_letters.onnx")


if __name__ == "__main__":
    main()
