"""Train the networks that tell where two registered pictures show different things (`core.ladder.change_detector`).

    scripts/train_change_detector FOLDER... --manifest FILE --work FOLDER --output matcher/core/nets/weights

Each photograph that the manifest lists to train is a negative; with --groups, files that share the pattern's first
group but not its second are poses of one sitter in one room. Pairs with the truth of every spot known are drawn first
and kept in --work, so that training can be repeated. Needs the extra `train`.
"""

from __future__ import annotations

import argparse
import json
import pickle
from datetime import date
from itertools import chain
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.core.ladder.change_detector import Kind
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis.training_pairs import Pair
from matcher.lab.training.change_windows import draw_pairs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--groups", default=r"^(p\d+)_([a-z]+)")
    parser.add_argument("--limit", type=int, default=400, help="photographs taken from each folder")
    parser.add_argument("--work", type=Path, required=True, help="where the drawn pairs are kept")
    parser.add_argument("--steps", type=int, nargs=2, default=[8000, 5000], help="on pictures, on words")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--source", default="", help="what the photographs are; stored with the networks")
    parser.add_argument(
        "--output", type=Path, required=True, help="folder of change_pictures.onnx and change_words.onnx"
    )
    chosen = parser.parse_args()
    try:
        taken = list(chain.from_iterable(take("train", [f], chosen.manifest)[: chosen.limit] for f in chosen.folders))
    except BadTable as error:
        parser.error(str(error))
    kept = chosen.work / f"pairs-{chosen.seed}.pickle"
    if not kept.exists():
        chosen.work.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(draw_pairs([one.path for one in taken], chosen.groups, chosen.seed)))
    drawn: list[Pair] = pickle.loads(kept.read_bytes())
    print(f"{len(drawn)} pairs")
    learn(drawn, chosen.steps, chosen.seed, chosen.output)
    provenance = {
        "made": date.today().isoformat(),
        "pairs": len(drawn),
        "steps": chosen.steps,
        "seed": chosen.seed,
        "pictures": chosen.source or [folder.name for folder in chosen.folders],
        "manifests": stored(taken),
    }
    (chosen.output / "change_detector.json").write_text(json.dumps(provenance, indent=1) + "\n")


def learn(drawn: list[Pair], steps: list[int], seed: int, output: Path) -> None:
    """Train both networks and write them."""
    import torch

    from matcher.lab.training.change_network import ChangeNetwork, export, train

    torch.manual_seed(seed)
    kinds: tuple[Kind, ...] = ("pictures", "words")
    for kind, count in zip(kinds, steps, strict=True):
        export(
            train(drawn, kind, count, seed, ChangeNetwork(context=kind == "pictures")), output / f"change_{kind}.onnx"
        )


if __name__ == "__main__":
    main()
