"""Real movement: are two exposures of one old plate told apart where somebody moved, and two prints of one not?

    scripts/measure_plates PLATES --manifest matcher/lab/manifests/old_plates.json [--times 2] [--seed 5]

The three exposures of a plate were made seconds apart, each through a filter of its own: what moved really moved, and
tones differ as no curve makes them differ. Which pairs show a movement was judged by eye (`plates_moved.json`). Each
exposure is printed, aged and scanned as an enrolled card, and another print of it, or of another exposure, is
photographed; what the pictures alone say of the negative is told.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.errors import BadTable
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.parallel.processes import process_pool
from matcher.core.shared_settings import FaceSize, Thresholds
from matcher.lab.manifests import add_option, take
from matcher.lab.synthesis.negatives import grey_picture
from matcher.lab.synthesis.trials import scanned
from matcher.lab.synthesis.worlds import enrolled_print, taken

Picture = NDArray[np.uint8]

JUDGED = json.loads(Path(__file__).with_name("plates_moved.json").read_text())["plates"]

EXPOSURES = 3
HEIGHT_PX = 900
TONES = (0.3, 1.0)
"""How strong the second print's own rendering is; own choice."""


@dataclass(frozen=True)
class Asked:
    """One print against one enrolled card: of which plate, and of which exposures. time: drawn anew each time."""

    folder: Path
    plate: str
    enrolled: int
    printed: int
    time: int
    seed: int

    @property
    def same(self) -> bool:
        return self.enrolled == self.printed


def asked_of(folder: Path, plates: Sequence[str], times: int, seed: int) -> Iterator[Asked]:
    """Every exposure against another print of itself, and those pairs that show a movement, either way round."""
    for plate in plates:
        moved = [(int(a), int(b)) for a, b in JUDGED.get(plate, {}).get("moved", ())]
        pairs = [(k, k) for k in range(EXPOSURES)] + moved + [(b, a) for a, b in moved]
        for time in range(times):
            yield from (Asked(folder, plate, *pair, time, seed) for pair in pairs)


def exposures(folder: Path, plate: str, first: int, other: int) -> tuple[Picture, Picture]:
    """Two exposures as negatives of one frame, (HEIGHT_PX, w) uint8: the other laid over the first, for the plate
    was moved in between. Raises cv2.error where they cannot be laid over each other."""
    one, two = (grey_picture(folder / f"{plate}_{k}.jpg") for k in (first, other))
    over: Any = np.eye(2, 3, dtype=np.float32)
    if first != other:
        soft = [cv2.GaussianBlur(grey, (0, 0), 1.0) for grey in (one, two)]
        done = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-6)
        _, over = cv2.findTransformECC(soft[0], soft[1], over, cv2.MOTION_AFFINE, done)
    size, how = one.shape[::-1], cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(two, over, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    cut = partial(framed, centre=JUDGED.get(plate, {}).get("centre", 0.5))
    return cut(one), cut(np.asarray(laid, np.uint8))


def framed(grey: Picture, centre: float) -> Picture:
    """What a card shows of a plate: its whole height, less a rim that two exposures do not share."""
    height, width = grey.shape
    rim = round(0.05 * height)
    wide = round((height - 2 * rim) * FaceSize().aspect)
    left = int(np.clip(round(centre * width - wide / 2), rim, width - rim - wide))
    part = grey[rim : height - rim, left : left + wide]
    scale = HEIGHT_PX / part.shape[0]
    return np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8)


def probability(asked: Asked) -> float | None:
    """That both come from one negative, as the pictures say; None where they could not be compared."""
    cv2.setNumThreads(1)
    plate = int(asked.plate.removeprefix("plate"))
    rng = np.random.default_rng([asked.seed, plate, asked.enrolled, asked.printed, asked.time])
    enrolled, printed = exposures(asked.folder, asked.plate, asked.enrolled, asked.printed)
    card = enrolled_print(enrolled, rng)
    flaws = card.plate if asked.same else card.plate + 1
    contrast, tone = float(np.exp(rng.uniform(np.log(0.3), np.log(0.95)))), float(rng.uniform(*TONES))
    other = replace(card, plate=flaws, seed=int(rng.integers(1 << 30)), contrast=contrast, tone=tone)
    query, reference = View(taken(other.card(printed), False, rng)), View(scanned(card.card(enrolled), rng))
    found = align(query, reference)
    judged = judge_pose(Registered.of(query.face, reference.face, found), Calibration.load()) if found else None
    return judged.probability if judged else None


def table(asked: Sequence[Asked], told: Sequence[float | None]) -> Iterator[str]:
    """The lines that are printed."""
    settled = Thresholds().pose
    for what, same in (("two prints of one exposure", True), ("exposures in which somebody moved", False)):
        said = [one for each, one in zip(asked, told, strict=True) if each.same == same]
        sure = [one for one in said if one is not None]
        one, two = sum(p >= settled for p in sure), sum(p <= 1 - settled for p in sure)
        counted = f"{len(said)} asked, {len(said) - len(sure)} not compared"
        yield f"{what}: {counted}; called one {_share(one, len(sure))}, two {_share(two, len(sure))}"


def _share(hits: int, of: int) -> str:
    return f"{100 * hits / max(of, 1):.1f} % ({hits})"


def by_plate(asked: Sequence[Asked], told: Sequence[float | None]) -> Mapping[str, Any]:
    """What was said of each pair, for a look at what went wrong."""
    found: dict[str, list[str]] = {}
    for each, one in zip(asked, told, strict=True):
        said = "-" if one is None else f"{one:.2f}"
        found.setdefault(f"{each.plate} {each.enrolled}{each.printed}", []).append(said)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    add_option(parser)
    parser.add_argument("--times", type=int, default=2, help="prints of each pair")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    try:
        listed = take("report", [chosen.folder], chosen.manifest)
    except BadTable as error:
        parser.error(str(error))
    plates = sorted({one.path.stem.split("_")[0] for one in listed})
    asked = list(asked_of(chosen.folder, plates, chosen.times, chosen.seed))
    with process_pool(chosen.processes) as pool:
        told = list(pool.map(probability, asked))
    print(*table(asked, told), *(f"{name}  {' '.join(said)}" for name, said in by_plate(asked, told).items()), sep="\n")


if __name__ == "__main__":
    main()
