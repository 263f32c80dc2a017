"""Train the network that tells which way up a card is, and front from back (`core.detect.orientation`).

    scripts/train_orientation FOLDER... --manifest FILE --output matcher/core/nets/weights

Each photograph that the manifest lists to train is a negative (`FOLDER:2` takes every second of them, `FOLDER*5`
five times as often); what is told on the way is of those that it lists to fit. Cards are drawn while it learns. Needs
the extra `train`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.lab.manifests import Role, Taken, add_option, stored, take


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sources", nargs="+", help="FOLDER or FOLDER:STEP, either with *TIMES")
    add_option(parser)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--room", type=int, default=4000, help="sides that are kept, 0.12 MB each")
    parser.add_argument("--first", type=int, default=400, help="sides that are drawn before it begins")
    parser.add_argument("--types", type=Path, help="typefaces that scripts/fetch_type has fetched, for further words")
    parser.add_argument("--tell", type=float, default=60.0, help="seconds between two reports")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--begin", type=Path, help="an orientation.onnx whose weights it begins with")
    parser.add_argument("--source", default="", help="what the photographs are; stored with the network")
    parser.add_argument("--output", type=Path, required=True, help="folder of orientation.onnx")
    chosen = parser.parse_args()
    try:
        taken, judged = (sources_of(chosen.sources, chosen.manifest, role) for role in ("train", "fit"))
    except BadTable as error:
        parser.error(str(error))
    chosen.output.mkdir(parents=True, exist_ok=True)
    learn(taken, judged, chosen)
    provenance = {
        "made": date.today().isoformat(),
        "minutes": chosen.minutes,
        "seed": chosen.seed,
        "begun": str(chosen.begin or ""),
        "pictures": chosen.source or chosen.sources,
        "manifests": stored(one for one, _ in taken),
    }
    (chosen.output / "orientation.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")


def sources_of(sources: Sequence[str], manifests: Sequence[Path], role: Role = "train") -> list[tuple[Taken, int]]:
    """Each picture to train on, and how many cards are drawn of it. A folder may have none for a role while others do.

    Raises BadTable bad_evaluation where none is left.
    """
    found: list[tuple[Taken, int]] = []
    refused: BadTable | None = None
    for source in sources:
        named, _, times = source.partition("*")
        folder, _, step = named.partition(":")
        try:
            found += [(one, int(times or 1)) for one in take(role, [Path(folder)], manifests)[:: int(step or 1)]]
        except BadTable as error:
            refused = error
    if refused and not (found and manifests):
        raise refused
    return found


def learn(taken: Sequence[tuple[Taken, int]], judged: Sequence[tuple[Taken, int]], chosen: argparse.Namespace) -> None:
    """Train the network and write it."""
    import torch

    from matcher.lab.training.orientation_network import Course, export, train
    from matcher.lab.training.packed_weights import pack

    torch.set_num_threads(1)
    course = Course(
        chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.tell, chosen.workers, chosen.seed,
        chosen.device, chosen.types, begin=chosen.begin,
    )  # fmt: skip
    shown, held_out = ([(one.path, times) for one, times in some] for some in (taken, judged))
    whole = chosen.output / "orientation-whole.onnx"
    export(train(shown, held_out, course), whole)
    pack(whole, chosen.output / "orientation.onnx")
    whole.unlink()


if __name__ == "__main__":
    main()
