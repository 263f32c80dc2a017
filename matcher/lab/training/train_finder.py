"""Train the network that sees what is inside a card and what its border (`core.detect.finder`).

    scripts/train_finder FOLDER... --manifest FILE --output matcher/core/nets/weights

Each picture that the manifest lists to train is a negative and may lie about as well; what is told on the way is of
those that it lists to fit. Desks are drawn while it learns. Needs the extra `train`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.core.photo import read_photo
from matcher.lab.evaluation.detection import portrait_of
from matcher.lab.manifests import Taken, add_option, stored, take
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.staging import Props


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--room", type=int, default=6000, help="desks that are kept, 0.8 MB each")
    parser.add_argument("--first", type=int, default=600, help="desks that are drawn before it begins")
    parser.add_argument("--tell", type=float, default=60.0, help="seconds between two reports")
    parser.add_argument("--judged", type=int, default=200, help="held-out desks of a report")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--begin", type=Path, help="a finder.onnx whose weights it begins with")
    parser.add_argument("--output", type=Path, required=True, help="folder of finder.onnx")
    chosen = parser.parse_args()
    try:
        taken, judged = (take(role, chosen.folders, chosen.manifest) for role in ("train", "fit"))
    except BadTable as error:
        parser.error(str(error))
    learn(taken, judged, chosen)
    about = {
        "made": date.today().isoformat(), "minutes": chosen.minutes, "seed": chosen.seed,
        "begun": str(chosen.begin or ""), "manifests": stored(taken),
    }  # fmt: skip
    (chosen.output / "finder.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


def learn(taken: Sequence[Taken], judged: Sequence[Taken], chosen: argparse.Namespace) -> None:
    """Train the network and write it."""
    import torch

    from matcher.lab.training.finder_network import Course, export, train

    torch.set_num_threads(1)
    course = Course(
        chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.tell, chosen.workers, chosen.seed,
        chosen.device, chosen.judged, chosen.begin,
    )  # fmt: skip
    chosen.output.mkdir(parents=True, exist_ok=True)
    export(train(props_of(taken), props_of(judged), course), chosen.output / "finder.onnx")


def props_of(taken: Sequence[Taken]) -> Props:
    """All of them as negatives, and all as what lies about."""
    photos = [read_photo(one.path) for one in taken]
    return Props([portrait_of(photo.grey) for photo in photos], [photo.pixels for photo in photos], FONTS)


if __name__ == "__main__":
    main()
