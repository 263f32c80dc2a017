"""What the benchmark runs on, drawn of any photographs: a catalogue, and photos and scans of other copies of it.

The catalogue has each photograph as a negative in two crops under two captions, a reference each, aged.
"""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
from PIL import Image

from matcher.catalogue import Catalogue, RecordRow
from matcher.catalogue.records.indexing import bring_index_up_to_date
from matcher.catalogue.records.ingest import NewReference
from matcher.catalogue.records.prepare import prepare_outline
from matcher.core.detect.card_quad import CardQuad
from matcher.core.parallel.processes import process_pool
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.lab.synthesis import make_copy, photograph, scan, write_photo, write_scan
from matcher.lab.synthesis.chance import another_crop, random_age, random_crop, random_scene
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.words import another_caption, random_caption

KINDS = {"12 MP JPEG": (3024, 4032), "2 MP JPEG": (1224, 1632), "300 dpi scan": None}
"""What is asked about: width and height of a telephone's photo, or None for a flatbed's scan."""

FACE_PX_PER_MM = 640 / 63.5
A_NEGATIVE = 4
"""Records of each photograph."""

Made = list[tuple[RecordRow, NewReference]]


def records_of(number: int, path: Path) -> Made:
    """Four records of one negative: two crops, two captions; each with one reference, aged."""
    rng = np.random.default_rng([1, number])
    negative = negative_of(path, 600)
    made: Made = []
    first, caption = random_crop(rng), random_caption(rng)
    for letter, crop in (("A", first), ("B", another_crop(first, rng))):
        for words in (caption, another_caption(caption, rng)):
            name = f"N{number:05d}-{letter}{len(made)}"
            age = random_age(rng, float(rng.choice([0.9, 0.6, 0.35])))
            card = make_copy(
                negative, crop, words, age, seed=number * 8 + len(made), plate=number, px_per_mm=FACE_PX_PER_MM
            )
            record = RecordRow(name, f"S{number}", f"P{number:05d}", letter, words.name, words.club, "", "", "", {})
            made.append((record, _arrival(card.pixels, name)))
    return made


def _arrival(pixels: np.ndarray, name: str) -> NewReference:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=90)
    photo = read_photo(buffer.getvalue(), name=name)
    whole = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float32)
    return NewReference(buffer.getvalue(), f"{name}.jpg", prepare_outline(photo, CardQuad(whole, 1.0), Settings()))


def build(photographs: list[Path], records: int, folder: Path) -> float | None:
    """Make the catalogue unless it is there; returns records a second, drawing included, `locate` not."""
    paths = list(enumerate(photographs[: -(-records // A_NEGATIVE)]))
    started = time.perf_counter()
    with Catalogue.open(folder, create=True) as catalogue:
        if catalogue.counts().records >= min(records, A_NEGATIVE * len(photographs)) - A_NEGATIVE + 1:
            return None
        with process_pool(2) as pool, catalogue.writing():
            left = iter(paths)
            while batch := list(islice(left, 40)):
                for made in pool.map(records_of, *zip(*batch, strict=True)):
                    for record, arrival in made:
                        catalogue.add(record, [arrival])
            bring_index_up_to_date(catalogue)
    return A_NEGATIVE * len(paths) / (time.perf_counter() - started)


def asked(photographs: list[Path], records: int, count: int, kind: str) -> Iterator[tuple[str, bytes]]:
    """(pose, file) of photos or scans of other copies of enrolled records, spread over the first `records`."""
    negatives = -(-records // A_NEGATIVE)
    for number in np.linspace(0, min(negatives, len(photographs)) - 1, count).astype(int):
        rng = np.random.default_rng([1, int(number)])
        crop, caption = random_crop(rng), random_caption(rng)
        rng = np.random.default_rng([2, int(number)])
        scene, age = random_scene(rng), random_age(rng, float(rng.choice([0.8, 0.5, 0.3])))
        seed, size = 900_000 + int(number), KINDS[kind]
        negative = negative_of(photographs[number], 600)
        card = make_copy(negative, crop, caption, age, seed=seed, plate=int(number), px_per_mm=26.0)
        if size is None:
            data = write_scan(scan(card, rng))
        else:
            scene = replace(scene, width=size[0], height=size[1], noise=2.0)
            data = write_photo(photograph(card, scene, rng), scene)
        yield f"P{number:05d}", data
