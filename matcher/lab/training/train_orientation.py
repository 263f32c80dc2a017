"""Train the network that tells which way up a card is, and front from back (`core.detect.orientation`).

    scripts/train_orientation FOLDER... --manifest FILE --work FOLDER --output matcher/core/nets/weights

Each photograph that the manifest lists to train is a negative (`FOLDER:2` takes every second of them, `FOLDER*5`
draws five cards of each). Cards are drawn first and kept in --work, so that training can be repeated. Needs the extra
`train`.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.lab.manifests import Taken, add_option, stored, take
from matcher.lab.synthesis.sides import Side
from matcher.lab.training.orientation_sides import draw_sides


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sources", nargs="+", help="FOLDER or FOLDER:STEP, either with *TIMES")
    add_option(parser)
    parser.add_argument("--work", type=Path, required=True, help="where the drawn cards are kept")
    parser.add_argument("--steps", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--source", default="", help="what the photographs are; stored with the network")
    parser.add_argument("--output", type=Path, required=True, help="folder of orientation.onnx")
    chosen = parser.parse_args()
    try:
        taken = sources_of(chosen.sources, chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    kept = chosen.work / f"sides-{chosen.seed}.pickle"
    if not kept.exists():
        chosen.work.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(draw_sides([(one.path, times) for one, times in taken], chosen.seed)))
    drawn: list[Side] = pickle.loads(kept.read_bytes())
    print(f"{len(drawn)} sides", flush=True)
    learn(drawn, chosen.steps, chosen.seed, chosen.output)
    provenance = {
        "made": date.today().isoformat(),
        "sides": len(drawn),
        "steps": chosen.steps,
        "seed": chosen.seed,
        "pictures": chosen.source or chosen.sources,
        "manifests": stored(one for one, _ in taken),
    }
    (chosen.output / "orientation.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")


def sources_of(sources: Sequence[str], manifests: Sequence[Path]) -> list[tuple[Taken, int]]:
    """Each picture to train on, and how many cards are drawn of it. Raises BadTable bad_evaluation."""
    found: list[tuple[Taken, int]] = []
    for source in sources:
        named, _, times = source.partition("*")
        folder, _, step = named.partition(":")
        found += [(one, int(times or 1)) for one in take("train", [Path(folder)], manifests)[:: int(step or 1)]]
    return found


def learn(drawn: list[Side], steps: int, seed: int, output: Path) -> None:
    """Train the network and write it."""
    import torch

    from matcher.lab.training.orientation_network import export, train

    torch.set_num_threads(1)
    torch.manual_seed(seed)
    export(train(drawn, steps, seed), output / "orientation.onnx")


if __name__ == "__main__":
    main()
