"""Learn from whole cards what the movement network says of a pair; what it says of each spot stays as it is.

    scripts/train_odds FOLDER... --manifest FILE... --output matcher/core/nets/weights

Pictures that the manifests list to train are negatives, some of each folder, drawn as `scripts/fit_pose` draws those
listed to fit, by the same hands; the pose's coefficients are fitted anew afterwards. It begins with the network in
--output, whose `movement.json` takes in what was done. Of one drawing by three hands the panel of one hand learns from
a third: more --references give it as much as it had. Needs the extra `train`; a GPU if there is one.
"""

from __future__ import annotations

import argparse
import json
from datetime import date
from pathlib import Path

from matcher.core.errors import BadTable
from matcher.lab.manifests import Taken, add_option, stored
from matcher.lab.training.card_pairs import drawn_cards
from matcher.lab.training.fit_pose import chosen_pictures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--most", type=int, default=250, help="pictures taken of each folder")
    parser.add_argument("--references", type=int, default=4, help="cards of each negative that others are set against")
    parser.add_argument("--seed", type=int, default=81)
    parser.add_argument("--minutes", type=float, default=8.5, help="for each judge")
    parser.add_argument("--rate", type=float, default=1e-3)
    parser.add_argument("--batch", type=int, default=96, help="pairs a step")
    parser.add_argument("--processes", type=int, default=2, help="processes that draw")
    parser.add_argument("--output", type=Path, required=True, help="folder of the network, read and written")
    chosen = parser.parse_args()
    try:
        taken = chosen_pictures("train", chosen.folders, chosen.manifest, chosen.most, chosen.seed)
        done = learn(taken, chosen)
    except (BadTable, ValueError) as error:
        parser.error(str(error))
    about = chosen.output / "movement.json"
    facts = json.loads(about.read_text()) if about.exists() else {}
    kept = {name: fact for name, fact in facts.items() if not name.startswith("on_cards")}  # of the judges before
    about.write_text(json.dumps({**kept, "on_cards": done}, indent=1) + "\n")


def learn(taken: list[Taken], chosen: argparse.Namespace) -> dict[str, object]:
    """Draw, learn, and write the network; returns what was done."""
    import torch

    from matcher.lab.training.movement_network import PANELS, export, shipped
    from matcher.lab.training.odds_network import learn_judges

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(chosen.seed)
    pairs = drawn_cards([one.path for one in taken], chosen.seed, chosen.references, chosen.processes)
    path = chosen.output / "movement.onnx"
    network = shipped(path).to(device)
    steps = learn_judges(network, pairs, device, chosen.minutes, chosen.rate, chosen.batch)
    export(network, path)
    return {
        "made": date.today().isoformat(),
        "pairs": len(pairs.same),
        "references": chosen.references,
        "panels": [{"hands": panel.hands, "judges": len(panel.judges)} for panel in PANELS],
        "steps": steps,
        "minutes": chosen.minutes,
        "batch": chosen.batch,
        "seed": chosen.seed,
        "manifests": stored(taken),
    }


if __name__ == "__main__":
    main()
