"""Pictures in, endless sets of four drawn faces with the truth of their six pairs out.

What sees movement learns from them. Everything is numpy: `movement_learning_network` makes tensors of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.movement import toned
from matcher.lab.manifests import Taken
from matcher.lab.synthesis.face_pairs import face_pairs, faces_of, windows_of
from matcher.lab.synthesis.movement import another_moment
from matcher.lab.synthesis.negatives import grey_picture
from matcher.lab.synthesis.prints import Field

SIZE = (544, 336)
"""Height and width of what is compared of a face."""

CODE = 24.0
"""Inputs travel from the drawing processes as bytes of 1 / CODE."""

SMALL_SOURCES = 0.3
"""Power of its number of pictures by which a source is asked: 1 by number, 0 all alike."""

PAIRS = tuple(combinations(range(4), 2))
"""Reference and query of each pair of a set, as `face_pairs` gives them."""

DrawnSet = dict[str, NDArray[np.generic]]
"""faces (4, 2, h, w) int8, noise (4,) float32, labels and shown (6, h / CELL, w / CELL), same (6,) int8 with -1 for not
to be told, and the strengths of tone and wear, () float32."""


@dataclass(frozen=True)
class Material:
    """Pictures to draw from, by source. groups: of one sitter before one camera; they differ by real movement."""

    sources: Sequence[Sequence[Path]]
    groups: Sequence[Sequence[Path]]

    @classmethod
    def of(cls, taken: Sequence[Sequence[Taken]]) -> Material:
        """Of the pictures of each folder. The exposures of one pose are none of another: no group is made of them."""
        by_sitter: dict[tuple[str, str], list[Taken]] = {}
        for one in (one for source in taken for one in source):
            if one.listed and one.listed.sitter:
                by_sitter.setdefault((one.manifest, one.listed.sitter), []).append(one)
        moving = [some for some in by_sitter.values() if len({one.listed.pose for one in some if one.listed}) > 1]
        return cls([[one.path for one in source] for source in taken], [[one.path for one in some] for some in moving])

    @property
    def shares(self) -> NDArray[np.float64]:
        """How often each source is asked: few old portraits and plates stand against many photographs of today."""
        sizes = np.array([len(source) for source in self.sources], np.float64) ** SMALL_SOURCES
        return np.asarray(sizes / sizes.sum(), np.float64)


def drawn_sets(material: Material, rng: np.random.Generator) -> Iterator[DrawnSet]:
    """Endless sets; no pair is drawn twice."""
    while True:
        yield set_of_four(material, rng)


def set_of_four(material: Material, rng: np.random.Generator) -> DrawnSet:
    """Three faces of one exposure and one of another, or two of each."""
    tone = float(rng.choice([0.0, rng.uniform(0, 1), rng.uniform(0.5, 1.3)]))
    wear = float(rng.choice([0.0, 0.6, 1.0]))
    views = contents(material, rng)
    shown_by = [0, 0, 0, 1] if rng.random() < 0.75 else [0, 0, 1, 1]
    faces = faces_of([(number, views[number]) for number in rng.permutation(shown_by)], rng, tone, wear)
    pairs = list(face_pairs(views, faces, rng))
    coded = [coded_face(face.grey) for face in faces]
    return {
        "faces": np.stack([face for face, _ in coded]),
        "noise": np.array([level for _, level in coded], np.float32),
        "labels": np.stack([pair.labels for pair in pairs]),
        "shown": np.stack([pair.shown for pair in pairs]),
        "same": np.array([-1 if pair.same is None else int(pair.same) for pair in pairs], np.int8),
        "tone": np.array(tone, np.float32),
        "wear": np.array(wear, np.float32),
    }


def contents(material: Material, rng: np.random.Generator) -> list[Field]:
    """A clean view, and another one: mostly of another moment, sometimes of something else altogether."""
    kind = rng.random()
    if material.groups and kind < 0.12:
        group = material.groups[int(rng.integers(len(material.groups)))]
        first, second = rng.choice(len(group), 2, replace=False)
        return windows_of([grey_picture(group[first]), grey_picture(group[second])], SIZE, rng)
    (view,) = windows_of([_picture(material, rng)], SIZE, rng)
    if kind > 0.9:
        return [view, *windows_of([_picture(material, rng)], SIZE, rng)]
    return [view, another_moment(view, rng, float(np.exp(rng.normal(0, 0.3))))]


def coded_face(face: NDArray[np.uint8]) -> tuple[NDArray[np.int8], float]:
    """What the network is given of one face, as bytes, and its noise."""
    even, level = network_input(face)
    return np.clip(np.rint(np.stack([even, toned(face)]) * CODE), -127, 127).astype(np.int8), level


def _picture(material: Material, rng: np.random.Generator) -> NDArray[np.uint8]:
    source = material.sources[int(rng.choice(len(material.sources), p=material.shares))]
    return grey_picture(source[int(rng.integers(len(source)))])
