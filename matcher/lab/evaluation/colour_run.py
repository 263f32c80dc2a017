"""How well is what lies upon a print told by its colour? On real old prints, with damage laid over them in code.

    scripts/measure_colour FOLDER... --manifest FILE... [--role report] [--seed N]

Of the pictures only those in colour are asked: scans of toned and yellowed prints. First as they are: what is called
foreign there is called so wrongly, but for stains that they have. Then with damage of `other_wear` upon them, in
colours that lie by a stated number of levels from what the print has there.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.errors import BadTable
from matcher.core.ladder.foreign_colour import foreign_colour
from matcher.core.photo import read_photo
from matcher.lab.evaluation.other_wear import OTHER_KINDS, discoloured
from matcher.lab.manifests import ROLES, add_option, take

Picture = NDArray[np.uint8]

WIDTH, RIM = 368, 12
"""Pixels of a face, and of its edge that is left out: a scan often shows more than the print."""

COLOURED = 2.0
"""Mean distance of the channels from grey, in levels, from which a picture is one in colour."""

DISTANCES = ((8, 16), (16, 32), (32, 64))
"""Levels of 255 by which damage differs in red and blue from the print: from, to."""


PATCHES = ("flaked", "nail_hole", "corner_gone", "label", "round_label", "scraped", "painted_out")
"""Damage broader than the cells in which colour is told; the rest are lines and letters."""


@dataclass(frozen=True)
class Told:
    """Shares of 1: of the damage that was found, and of the rest that was called foreign."""

    found: float
    wrongly: float


def coloured(paths: Sequence[Path]) -> list[Picture]:
    """The pictures in colour, (h, WIDTH, 3) uint8 RGB."""
    read = [_face_wide(path) for path in paths]
    return [one for one in read if np.abs(one - one.mean(axis=2, keepdims=True)).mean() >= COLOURED]


def as_they_are(pictures: Sequence[Picture]) -> list[float]:
    """Share of each picture that is called foreign."""
    return [float(foreign_colour(one, _inside(one))[_inside(one)].mean()) for one in pictures]


def damaged(picture: Picture, kind: str, distance: float, rng: np.random.Generator) -> Told | None:
    """One damage in another colour; None where it covers less than a square millimetre."""
    pixels, share = discoloured(picture, kind, distance, rng)
    inside = _inside(picture)
    under, free = (share > 0.9) & inside, (share < 0.02) & inside
    if under.sum() < 100:
        return None
    told = foreign_colour(pixels, inside)
    near = cv2.dilate(under.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    before = foreign_colour(picture, inside)
    return Told(float(told[under].mean()), float((told & ~before)[free & ~near].mean()))


def _face_wide(path: Path) -> Picture:
    pixels = read_photo(path).pixels
    height = round(pixels.shape[0] * WIDTH / pixels.shape[1])
    return np.asarray(cv2.resize(pixels, (WIDTH, height), interpolation=cv2.INTER_AREA), np.uint8)


def _inside(picture: Picture) -> NDArray[np.bool_]:
    mask = np.zeros(picture.shape[:2], np.bool_)
    mask[RIM:-RIM, RIM:-RIM] = True
    return mask


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--role", choices=ROLES, default="report")
    parser.add_argument("--times", type=int, default=8, help="damages laid over each picture, of each distance")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    try:
        taken = take(chosen.role, chosen.folders, chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    pictures = coloured([one.path for one in taken])
    shares = as_they_are(pictures)
    print(f"{len(pictures)} of {len(taken)} pictures are in colour")
    print(f"as they are, called foreign: mean {np.mean(shares):.2%}, most {max(shares):.2%}")
    lines = [name for name in OTHER_KINDS if name not in PATCHES]
    for what, kinds in (("patches", PATCHES), ("lines and letters", lines)):
        for distance in DISTANCES:
            print(f"{what}, {_damages(pictures, kinds, distance, chosen.times, chosen.seed)}")


def _damages(
    pictures: Sequence[Picture], kinds: Sequence[str], distance: tuple[int, int], times: int, seed: int
) -> str:
    rng = np.random.default_rng([seed, *distance])
    asked = [(one, str(rng.choice(kinds)), float(rng.uniform(*distance))) for one in pictures for _ in range(times)]
    told = [found for one, kind, off in asked if (found := damaged(one, kind, off, rng))]
    area, half = np.mean([one.found for one in told]), np.mean([one.found >= 0.5 for one in told])
    return (
        f"{distance[0]} to {distance[1]} levels off, {len(told)}: found {area:.1%} of their area, half and more of "
        f"{half:.1%}; called foreign beside them {np.mean([one.wrongly for one in told]):.3%}"
    )


if __name__ == "__main__":
    main()
