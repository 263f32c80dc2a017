"""Real cards described, and an index of any size grown from them: a simulation, for want of a million cards.

real:      four cards of each photograph (two crops, two captions), drawn, aged and described; to every fourth
           photograph a query: another copy, photographed, flattened by corners that are off by 3 px or so.
simulated: a reference's descriptors are drawn from those of all real ones, each with 0 to 4 % of its bits turned: a
           choice, since more turned bits would leave a query far fewer near neighbours than real cards do. Places are
           those of a real reference. So a simulated reference resembles nothing as a whole, and much in its parts.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description, describe, fingerprint
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import flatten
from matcher.core.photo import read_photo
from matcher.core.search.descriptor_store import coarsest
from matcher.core.search.reference_index import ReferenceIndex, synchronise
from matcher.lab.synthesis import make_copy, photograph, write_photo
from matcher.lab.synthesis.chance import random_age, random_crop, random_scene
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.words import random_caption

TURNED = 0.04
TURNED_OF_HASH = 0.25


@dataclass(frozen=True)
class Real:
    """Described cards: references with the number of their negative, and queries with theirs."""

    references: list[Description]
    owners: list[int]
    queries: list[tuple[int, Description]]

    @classmethod
    def load(cls, folder: Path) -> Real:
        """What `describe_cards` left."""
        made = cls([], [], [])
        for path in sorted(folder.glob("?????.npz")):
            number = int(path.stem)
            with np.load(path) as stored:
                for letter in "0123":
                    made.references.append(_description(stored, letter))
                    made.owners.append(number)
                if "hashesq" in stored:
                    made.queries.append((number, _description(stored, "q")))
        return made


PARTS = ("hashes", "points", "angles", "scales", "descriptors")
"""Of a description, as they are kept: `hashes0` is the first card's."""


def _description(stored: Mapping[str, NDArray[Any]], letter: str) -> Description:
    return Description(**{part: stored[f"{part}{letter}"] for part in PARTS}, fingerprint=fingerprint())


def describe_cards(number: int, path: Path, folder: Path, cards: list[Description]) -> None:
    """Keep the descriptions of one photograph's cards, and of its query if it has one."""
    file = folder / f"{number:05d}.npz"
    named = dict(zip("0123", cards, strict=True))
    if number // 2 % 2 == 0 and number % 4 < 2:
        named["q"] = query(number, path)
    arrays: dict[str, NDArray[Any]] = {
        f"{part}{letter}": getattr(description, part) for letter, description in named.items() for part in PARTS
    }
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    draft = file.with_suffix(".tmp")
    draft.write_bytes(buffer.getvalue())
    draft.replace(file)


def query(number: int, path: Path) -> Description:
    """Another copy of the photograph's first card, photographed at 3 MP."""
    rng = np.random.default_rng([1, number])
    crop, caption = random_crop(rng), random_caption(rng)
    rng = np.random.default_rng([2, number])
    scene = replace(random_scene(rng), width=1512, height=2016, noise=2.0)
    age = random_age(rng, float(rng.choice([0.8, 0.5, 0.3, 0.15])))
    seed = 900_000 + number
    card = make_copy(negative_of(path, 600), crop, caption, age, seed=seed, plate=number, px_per_mm=13.0)
    shot = photograph(card, scene, rng)
    corners = shot.corners + np.random.default_rng([3, number]).normal(0, 3.0, (4, 2))
    return describe(flatten(read_photo(write_photo(shot, scene)), CardQuad(corners.astype(np.float32), 1.0)))


def grow(real: Real, count: int, folder: Path, first: int = 0) -> None:
    """Write an index of `count` references, numbered from `first`, the real ones first, for `ReferenceIndex.open`."""
    index = ReferenceIndex(folder, fingerprint())
    strangers = Strangers(real, index.settings.kept)

    def load(number: int) -> Description:
        place = number - first
        return real.references[place] if place < len(real.references) else strangers.description(place)

    synchronise(index, range(first, first + count), load, keep=True)
    index.save()


class Strangers:
    """Simulated references, each the same whenever it is asked for."""

    def __init__(self, real: Real, features: int) -> None:
        """features: descriptors of each."""
        kept = [coarsest(description, features) for description in real.references]
        self._rows = np.concatenate([one.descriptors for one in kept])
        self._places = [one for one in kept if len(one.points) == features]
        self._features = features

    def description(self, number: int) -> Description:
        """One of them."""
        rng = np.random.default_rng([7, number])
        like = self._places[rng.integers(len(self._places))]
        rows = self._rows[rng.integers(len(self._rows), size=self._features)]
        turned = rng.random((self._features, 256), np.float32) < rng.uniform(0, TURNED, (self._features, 1))
        bits = np.packbits(rng.random(256, np.float32) < TURNED_OF_HASH)
        return replace(like, descriptors=rows ^ np.packbits(turned, axis=1), hashes=like.hashes ^ bits)
