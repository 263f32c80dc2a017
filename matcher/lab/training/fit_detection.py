"""Fit the weights by which outlines are chosen, on staged scenes over pictures that are there to fit.

scripts/fit_detection FOLDER                which quad is a card: quad_classifier.onnx
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
from matcher.lab.training.quad_fit import choices, fit_choice


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--whole", action="store_true", help="fit the second one, which builds on the first")
    parser.add_argument("--scenes", type=int, help="216, or 100 pictures of each kind of whole card")
    parser.add_argument("--seed", type=int, default=101)
    manifests.add_option(parser)
    chosen = parser.parse_args()
    try:
        props = props_from(chosen.folder, "fit", chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    scenes = chosen.scenes or (100 if chosen.whole else 216)
    if chosen.whole:
        model, weights = fit_full_frame(props, scenes, chosen.seed), full_frame.WEIGHTS
        source = f"pictures cut to the card, {scenes} of each kind, and pictures without one, seed {chosen.seed}"
    else:
        model, weights = fit_choice(list(choices(props, scenes, chosen.seed))), quad_classifier.WEIGHTS
        source = f"{scenes} staged scenes and half as many empty ones, seed {chosen.seed}"
    write_logistic(model, weights, source=source)


if __name__ == "__main__":
    main()
