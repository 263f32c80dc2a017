"""Train the network that tells movement from damage and other prints (`core.ladder.movement`) on faces drawn meanwhile.

    scripts/train_movement FOLDER... --held-out FOLDER... --manifest FILE... --output matcher/core/nets/weights

Each folder is a source. Only pictures that the manifests list to train are learnt from; those listed to fit, of the
folders held out, show how it goes. Frames of one sitter in several poses differ by real movement. No pair is drawn
twice. With --weights it begins with those of a network that was written before; with --state it goes on from where
a run stopped, and its state is kept there. Needs the extra `train`; a GPU if there is one; several, where it is
started by `torchrun`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import date
from itertools import chain
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.lab.manifests import Role, Taken, add_option, stored, take
from matcher.lab.training.movement_sets import Material

HELD_OUT_SETS = {"cpu": 4, "cuda": 100}
"""Batches of four sets by which it is told how it goes."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--held-out", type=Path, nargs="+", required=True)
    add_option(parser)
    parser.add_argument("--minutes", type=float, default=9)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=64, help="pairs a step")
    parser.add_argument("--workers", type=int, default=2, help="processes that draw")
    parser.add_argument("--room", type=int, default=25_000, help="sets of four faces that are kept, 1.5 MB each")
    parser.add_argument("--first", type=int, default=500, help="sets that must be drawn before it begins")
    parser.add_argument("--tell", type=int, default=1000, help="steps between two reports")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--weights", type=Path, help="a movement.onnx whose weights it begins with")
    parser.add_argument("--state", type=Path, help="weights to go on from, and to be kept")
    parser.add_argument("--source", default="", help="what the photographs are; stored with the network")
    parser.add_argument("--output", type=Path, required=True, help="folder of the network and of what it was made from")
    chosen = parser.parse_args()
    try:
        taken = taken_of("train", chosen.folders, chosen.manifest)
        held_out = taken_of("fit", chosen.held_out, chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    done = learn(Material.of(taken), Material.of(held_out), chosen)
    provenance = {
        "made": date.today().isoformat(),
        **done,
        "minutes": chosen.minutes,
        "batch": chosen.batch,
        "seed": chosen.seed,
        "pictures": chosen.source or [folder.name for folder in chosen.folders],
        "manifests": stored(chain.from_iterable(taken)),
    }
    (chosen.output / "movement.json").write_text(json.dumps(provenance, indent=1) + "\n")


def taken_of(role: Role, folders: Sequence[Path], manifests: Sequence[Path]) -> list[list[Taken]]:
    """The pictures of each folder that serve for a role. Raises BadTable."""
    return [take(role, [folder], manifests) for folder in folders]


def learn(material: Material, others: Material, chosen: argparse.Namespace) -> dict[str, object]:
    """Train the network and write it; returns what was done."""
    import torch

    from matcher.lab.training.movement_learning_network import Cards, Course, Pupil, all_pairs, sets, train
    from matcher.lab.training.movement_network import MovementNetwork, export, shipped

    cards = Cards.joined()
    torch.manual_seed(chosen.seed)
    network = (shipped(chosen.weights) if chosen.weights else MovementNetwork()).to(cards.device)
    if chosen.state and chosen.state.exists():
        network.load_state_dict(torch.load(chosen.state, map_location=cards.device))
    held_out = []
    if cards.number == 0:
        shown = sets(others, chosen.seed + 1000, chosen.workers)
        held_out = [all_pairs(next(shown), cards.device) for _ in range(HELD_OUT_SETS[cards.kind])]
        del shown
    course = Course(chosen.minutes, chosen.rate, chosen.batch, chosen.room, chosen.first, chosen.tell, chosen.seed)
    source = sets(material, 100 * chosen.seed + cards.number, chosen.workers)
    done = train(Pupil(network, cards, chosen.rate), source, held_out, course)
    if cards.number == 0:
        if chosen.state:
            torch.save(network.state_dict(), chosen.state)
        export(network, chosen.output / "movement.onnx")
    cards.part()
    return done


if __name__ == "__main__":
    main()
