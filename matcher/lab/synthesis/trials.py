"""Trials: pairs of one query face and one reference face with the truth known, from any photographs as negatives.

Negatives in, `Trial`s out: the rungs' measured features beside the right answers. Confidence is fitted on trials
of some pictures and judged on trials of others; a trial never sees the pictures of a demo or a test.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.detection import detect
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption import compare_captions
from matcher.core.ladder.change_detector import DifferenceMap
from matcher.core.ladder.copy import copy_features
from matcher.core.ladder.crop import crop_features, known_crop
from matcher.core.ladder.head_to_head import RUNG, rival_features
from matcher.core.ladder.pose import compare_pictures, pose_features, pose_rung
from matcher.core.ladder.registered import Registered
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize
from matcher.lab.synthesis import Caption, Card, Crop, make_copy, photograph, scan
from matcher.lab.synthesis.chance import another_crop, random_age, random_crop, random_scene
from matcher.lab.synthesis.negatives import another_exposure
from matcher.lab.synthesis.words import another_caption, random_caption

Picture = NDArray[np.uint8]

CONTRASTS = (0.8, 0.5, 0.3, 0.15)
REFERENCE_CONTRASTS = (1.0, 0.7, 0.45, 0.3, 0.18)
"""Of some records only faint cards are known."""

SCANS = 0.3
"""Share of the queries that are scans: whole boxes are scanned, single finds are photographed."""

CORNER_JITTER_MM = 0.2
"""Scatter of located corners around the true ones."""

FAR_OFF_MM = 2.0
"""Beyond this a found outline is another thing's."""


ALIKE = 0.7
"""Share of the other copies that are faded like the first."""


@dataclass(frozen=True)
class Trial:
    """One pair: what was done, the right answers (None where the question makes no sense), the features.

    kind:     same, other_crop, other_caption, same_copy, other_copy, twin, room or other; captions or exposures for
              rivals.
    contrast: the query's residual contrast.
    features: by rung; empty where the pair could not be aligned.
    """

    kind: str
    contrast: float
    truth: dict[str, bool | None]
    features: dict[str, dict[str, float]]


@dataclass(frozen=True)
class Subject:
    """One negative with another exposure of the same sitter in the same room, where there is one."""

    negative: Picture
    sibling: Picture | None = None


@dataclass(frozen=True)
class Pairing:
    """Faces as they were photographed, before anything is measured.

    kind, contrast, truth: as of the `Trial`s that come of it.
    references:            one, or for rivals two.
    shows_first:           of rivals, whether the query shows the first.
    """

    kind: str
    contrast: float
    truth: dict[str, bool | None]
    query: Face
    references: tuple[Face, ...]
    shows_first: bool = True


def trials(subjects: Sequence[Subject], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[Trial]:
    """Some twelve trials a subject, each with its own ageing, scene and words. Negatives: (h, w) uint8, portrait."""
    for pairings in drawn(subjects, seed, fonts):
        yield from measured(pairings)


def drawn(subjects: Sequence[Subject], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[list[Pairing]]:
    """The faces of each subject's trials: they can be kept, and measured again after a change of the ladder."""
    for number, subject in enumerate(subjects):
        rng = np.random.default_rng([seed, number])
        stranger = subjects[(number + len(subjects) // 2) % len(subjects)].negative
        yield list(_session(subject, stranger, rng, fonts))


def drawn_copies(subjects: Sequence[Subject], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[list[Pairing]]:
    """Pairings for the copy rung alone. Cards that are faded alike are the hardest: only their own marks differ.

    Four pairings a subject: the first card against its own photo and scan, and two other cards against them.
    """
    for number, subject in enumerate(subjects):
        yield list(_copies(subject, np.random.default_rng([seed, number, 4]), fonts))


def _copies(subject: Subject, rng: np.random.Generator, fonts: Sequence[str]) -> Iterator[Pairing]:
    crop, caption, plate = random_crop(rng), random_caption(rng, fonts), int(rng.integers(1 << 30))
    contrast = float(rng.choice(CONTRASTS))

    def card(faded: float) -> Card:
        age, seed = random_age(rng, faded), int(rng.integers(1 << 30))
        return make_copy(subject.negative, crop, caption, age, seed=seed, plate=plate)

    first = card(contrast)
    known: dict[str, bool | None] = {"pose": True, "crop": True, "caption": True}
    for reference in (photographed(first, rng), scanned(first, rng)):
        yield Pairing("same_copy", contrast, {**known, "copy": True}, photographed(first, rng), (reference,))
        faded = contrast if rng.random() < ALIKE else float(rng.choice(CONTRASTS))
        yield Pairing("other_copy", faded, {**known, "copy": False}, photographed(card(faded), rng), (reference,))


def measured(pairings: Sequence[Pairing]) -> Iterator[Trial]:
    """The ladder's features of one subject's faces."""
    views: dict[int, View] = {}

    def view(face: Face) -> View:
        if id(face) not in views:
            views[id(face)] = View(face)
        return views[id(face)]

    for pairing in pairings:
        query, references = View(pairing.query), [view(face) for face in pairing.references]
        if len(references) == 1:
            yield _judged(pairing.kind, pairing.contrast, query, references[0], pairing.truth)
        else:
            yield from _judged_rivals(pairing.kind, pairing.contrast, pairing.shows_first, query, *references)


def _session(subject: Subject, stranger: Picture, rng: np.random.Generator, fonts: Sequence[str]) -> Iterator[Pairing]:
    crop, caption, plate = random_crop(rng), random_caption(rng, fonts), int(rng.integers(1 << 30))
    seed = int(rng.integers(1 << 30))
    age = random_age(rng, float(rng.choice(REFERENCE_CONTRASTS)))
    reference = scanned(make_copy(subject.negative, crop, caption, age, seed=seed, plate=plate), rng)

    def copy(negative: Picture, window: Crop, words: Caption, contrast: float, of_plate: bool) -> Card:
        age, seed = random_age(rng, contrast), int(rng.integers(1 << 30))
        return make_copy(negative, window, words, age, seed=seed, plate=plate if of_plate else plate + 1)

    def pairing(kind: str, negative: Picture, window: Crop, words: Caption, **truth: bool | None) -> Pairing:
        contrast = float(rng.choice(CONTRASTS))
        query = _taken(copy(negative, window, words, contrast, bool(truth["pose"])), rng)
        return Pairing(kind, contrast, truth, query, (reference,))

    def rivals(kind: str, negative: Picture, words: Caption) -> Pairing:
        """The query shows either the reference's variation, or that of another known one."""
        contrast, shows_first = float(rng.choice(CONTRASTS)), bool(rng.random() < 0.5)
        other = scanned(copy(negative, crop, words, float(rng.choice(REFERENCE_CONTRASTS)), kind == "captions"), rng)
        shown = (subject.negative, crop, caption) if shows_first else (negative, crop, words)
        query = _taken(copy(*shown, contrast, shows_first or kind == "captions"), rng)
        return Pairing(kind, contrast, {}, query, (reference, other), shows_first)

    known = {"pose": True, "crop": True, "caption": True, "copy": False}
    yield pairing("same", subject.negative, crop, caption, **known)
    other = another_crop(crop, rng)
    yield pairing(
        "other_crop", subject.negative, other, caption, **{**known, "crop": False, "caption": None, "copy": None}
    )
    words = another_caption(caption, rng)
    yield pairing("other_caption", subject.negative, crop, words, **{**known, "caption": False})
    same_card = make_copy(subject.negative, crop, caption, age, seed=seed, plate=plate)
    query = _taken(same_card, rng)
    yield Pairing("same_copy", age.residual_contrast, {**known, "copy": True}, query, (reference,))
    nothing: dict[str, bool | None] = {"pose": False, "crop": None, "caption": None, "copy": None}
    yield pairing("twin", another_exposure(subject.negative, rng), crop, caption, **nothing)
    yield pairing("other", stranger, crop, caption, **nothing)
    yield rivals("captions", subject.negative, another_caption(caption, rng))
    yield rivals("exposures", another_exposure(subject.negative, rng), caption)
    if subject.sibling is not None:
        yield pairing("room", subject.sibling, crop, caption, **nothing)


def _judged(kind: str, contrast: float, query: View, reference: View, truth: dict[str, bool | None]) -> Trial:
    found = align(query, reference)
    pair = Registered.of(query.face, reference.face, found) if found else None
    compared = compare_pictures(pair) if pair else None
    if pair is None or compared is None:
        return Trial(kind, contrast, truth, {})
    features = {
        pose_rung(found): pose_features(compared),
        "crop": crop_features(pair),
        "caption": compare_captions(pair)[0],
        "copy": copy_features(pair, known_crop(pair, 0.5)),
    }
    return Trial(kind, contrast, truth, features)


def _judged_rivals(
    kind: str, contrast: float, shows_first: bool, query: View, reference: View, other: View
) -> Iterator[Trial]:
    """Which of two references the query shows, by their captions or by their pictures; and each of them alone."""
    parts: list[tuple[DifferenceMap, ...]] = []
    for side, right in ((reference, shows_first), (other, not shows_first)):
        found = align(query, side)
        pair = Registered.of(query.face, side.face, found) if found else None
        compared = compare_pictures(pair) if pair else None
        if pair is None or compared is None:
            return
        features, words = compare_captions(pair)
        alone = {pose_rung(found): pose_features(compared), "caption": features}
        by_words = kind == "captions"
        truth: dict[str, bool | None] = {"pose": True, "caption": right} if by_words else {"pose": right}
        yield Trial(kind, contrast, truth, alone)
        parts.append(words if by_words else (compared.difference,))
    yield Trial(kind, contrast, {RUNG: shows_first}, {RUNG: rival_features(parts[0], parts[1])})


def _taken(card: Card, rng: np.random.Generator) -> Face:
    return scanned(card, rng) if rng.random() < SCANS else photographed(card, rng)


def photographed(card: Card, rng: np.random.Generator, *, searched: bool = False) -> Face:
    """The card's face from a telephone's photo of it. searched: its outline is found, not given with a scatter."""
    shot = photograph(card, random_scene(rng), rng)
    return _flattened(shot.pixels, shot.corners, rng, searched)


def scanned(card: Card, rng: np.random.Generator, *, searched: bool = False) -> Face:
    """The card's face from a scan of it. searched: as above."""
    shot = scan(card, rng)
    return _flattened(shot.pixels, shot.corners, rng, searched)


def _flattened(pixels: Picture, corners: NDArray[np.float64], rng: np.random.Generator, searched: bool) -> Face:
    photo = Photo.from_pixels(pixels)
    px_per_mm = float(np.linalg.norm(corners[3] - corners[0])) / FaceSize().height_mm
    scattered = corners + rng.normal(0, CORNER_JITTER_MM * px_per_mm, (4, 2))
    found = _found_outline(photo, corners, FAR_OFF_MM * px_per_mm) if searched else None
    return flatten(photo, CardQuad((scattered if found is None else found).astype(np.float32), 1.0))


def _found_outline(photo: Photo, corners: NDArray[np.float64], most_px: float) -> NDArray[np.float32] | None:
    """(4, 2) of the outlines that the product finds the one at these corners, beginning where they do; None where none
    lies there: a card that was not found asks nothing of the rungs."""
    turned = [np.roll(one.corners, way, axis=0) for one in detect(photo).found for way in range(4)]
    nearest = min(turned, key=lambda one: float(np.abs(one - corners).max()), default=None)
    return nearest if nearest is not None and np.abs(nearest - corners).max() <= most_px else None
