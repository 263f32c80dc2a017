"""What finding and flattening cost: telephone photos of 12 megapixels in, the ratio to their full decoding out.

Both are timed in turn in one process: Pillow opens the file and decodes all of its pixels; `locate` and
`flatten` work on the photo as `read_photo` gives it, whose own time is not part of either.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
from PIL import Image

from matcher.core.detect.detection import detect
from matcher.core.flatten import flatten
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import make_copy, photograph, write_photo
from matcher.lab.synthesis.chance import random_age, random_crop, random_scene
from matcher.lab.synthesis.staging import Props
from matcher.lab.synthesis.words import random_caption

WIDTH, HEIGHT = 3024, 4032
PX_PER_MM = 26.0
TURNS = 5
"""Each is timed so often, in turn, and its quickest time counts: the others had to wait for something else."""


@dataclass(frozen=True)
class Cost:
    """Seconds of one photo."""

    decoding: float
    finding: float

    @property
    def ratio(self) -> float:
        return self.finding / self.decoding


def costs(props: Props, photos: int, seed: int) -> list[Cost]:
    """Draw that many photos, of other negatives each, and time them."""
    return [_timed(_photo(props, number, np.random.default_rng([seed, 91, number]))) for number in range(photos)]


def summary(found: list[Cost]) -> str:
    """One line for the table."""
    ratios = [cost.ratio for cost in found]
    decoding, finding = (1e3 * float(np.median([getattr(c, name) for c in found])) for name in ("decoding", "finding"))
    return (
        f"locate and flatten of 12 megapixels over their full decoding with Pillow, {len(found)} photos: "
        f"median {np.median(ratios):.2f}, 95 % {np.percentile(ratios, 95):.2f} ({finding:.0f} over {decoding:.0f} ms)"
    )


def _photo(props: Props, number: int, rng: np.random.Generator) -> bytes:
    negative = props.negatives[number % len(props.negatives)]
    age = random_age(rng, float(rng.choice([0.8, 0.5, 0.3])))
    card = make_copy(negative, random_crop(rng), random_caption(rng), age, seed=number, px_per_mm=PX_PER_MM)
    scene = replace(random_scene(rng), width=WIDTH, height=HEIGHT, noise=2.0)
    return write_photo(photograph(card, scene, rng), scene)


def _timed(data: bytes) -> Cost:
    photo = read_photo(data)
    turns = [(_seconds(lambda: _decoded(data)), _seconds(lambda: _found(photo))) for _ in range(TURNS)]
    return Cost(min(decoding for decoding, _ in turns), min(finding for _, finding in turns))


def _seconds(work: Callable[[], object]) -> float:
    started = perf_counter()
    work()
    return perf_counter() - started


def _decoded(data: bytes) -> Image.Image:
    with Image.open(io.BytesIO(data)) as image:
        return image.convert("RGB")


def _found(photo: Photo) -> object:
    return [flatten(photo, outline, FaceSize()) for outline in detect(photo)]
