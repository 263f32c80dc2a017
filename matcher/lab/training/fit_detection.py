"""Fit the weights by which outlines are chosen, on staged scenes over pictures that are there to fit.

scripts/fit_detection FOLDER                which quad is a card: quad_classifier.onnx
scripts/fit_detection FOLDER --witness      the same where a network sees one: quad_witness.onnx
scripts/fit_detection FOLDER --whole        whether the whole picture is one: full_frame.onnx
"""

import argparse
from pathlib import Path

from matcher.core.detect import full_frame, quad_classifier
from matcher.core.errors import BadTable
from matcher.lab import manifests
from matcher.lab.evaluation.detection import props_from
from matcher.lab.training.full_frame_fit import fit_full_frame
from matcher.lab.training.logistic_onnx import write_logistic
from matcher.lab.training.quad_fit import DESKS_A_SCENE, choices, fit_choice


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--whole", action="store_true", help="fit the second one, which builds on the first")
    parser.add_argument("--witness", action="store_true", help="fit the one that hears what `finder` says")
    parser.add_argument("--decay", type=float, default=1.0, help="weight decay of the logit")
    parser.add_argument("--scenes", type=int, help="216, or 100 pictures of each kind of whole card")
    parser.add_argument("--seed", type=int, nargs="+", default=[101], help="so many scenes of each")
    manifests.add_option(parser)
    chosen = parser.parse_args()
    try:
        props = props_from(chosen.folder, "fit", chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    scenes = chosen.scenes or (100 if chosen.whole else 216)
    if chosen.whole:
        model, weights = fit_full_frame(props, scenes, chosen.seed[0]), full_frame.WEIGHTS
        source = f"pictures cut to the card, {scenes} of each kind, and pictures without one, seed {chosen.seed[0]}"
    else:
        pools = [pool for seed in chosen.seed for pool in choices(props, scenes, seed, chosen.witness)]
        model = fit_choice(pools, chosen.decay)
        weights = quad_classifier.SEEN_WEIGHTS if chosen.witness else quad_classifier.WEIGHTS
        drawn = f"{scenes} staged scenes, half as many empty ones and {round(DESKS_A_SCENE * scenes)} desks"
        source = f"{drawn}, seeds {chosen.seed}, decay {chosen.decay:g}"
    write_logistic(model, weights, source=source)


if __name__ == "__main__":
    main()
