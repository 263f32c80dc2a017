"""Trials: pairs of one query face and one reference face with the truth known, from any photographs as negatives.

Negatives in, `Trial`s out: the rungs' measured features beside the right answers. Confidence is fitted on trials
of some pictures and judged on trials of others; a trial never sees the pictures of a demo or a test.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.detect.detection import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption import compare_captions
from matcher.core.ladder.change_detector import DifferenceMap
from matcher.core.ladder.copy import copy_features
from matcher.core.ladder.crop import CropFinding, crop_features, measure_crop
from matcher.core.ladder.head_to_head import RUNG, rival_features
from matcher.core.ladder.pose import compare_pictures, pose_features
from matcher.core.photo import Photo
from matcher.lab.synthesis import Age, Caption, Card, Crop, Scene, make_copy, photograph, scan
from matcher.lab.synthesis.exposures import another_exposure
from matcher.lab.synthesis.scene import SURFACES
from matcher.lab.synthesis.words import another_caption, random_caption

Picture = NDArray[np.uint8]

CONTRASTS = (0.8, 0.5, 0.3, 0.15)
REFERENCE_CONTRASTS = (1.0, 0.7, 0.45, 0.3, 0.18)
"""Of some records only faint cards are known."""

SCANS = 0.3
"""Share of the queries that are scans: whole boxes are scanned, single finds are photographed."""

CORNER_JITTER_MM = 0.2
"""Scatter of located corners around the true ones."""


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
class Sitting:
    """One negative with another exposure of the same sitter in the same room, where there is one."""

    negative: Picture
    sibling: Picture | None = None


@dataclass(frozen=True)
class Pairing:
    """Faces as they were photographed, before anything is measured.

    kind, contrast, truth: as of the `Trial`s that come of it.
    references:            one, or for rivals two.
    own:                   of rivals, whether the query shows the first.
    """

    kind: str
    contrast: float
    truth: dict[str, bool | None]
    query: Face
    references: tuple[Face, ...]
    own: bool = True


def trials(sittings: Sequence[Sitting], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[Trial]:
    """Some twelve trials a sitting, each with its own ageing, scene and words. Negatives: (h, w) uint8, portrait."""
    for pairings in drawn(sittings, seed, fonts):
        yield from measured(pairings)


def drawn(sittings: Sequence[Sitting], seed: int, fonts: Sequence[str] = ("",)) -> Iterator[list[Pairing]]:
    """The faces of each sitting's trials: they can be kept, and measured again after a change of the ladder."""
    for number, sitting in enumerate(sittings):
        rng = np.random.default_rng([seed, number])
        stranger = sittings[(number + len(sittings) // 2) % len(sittings)].negative
        yield list(_session(sitting, stranger, rng, fonts))


def measured(pairings: Sequence[Pairing]) -> Iterator[Trial]:
    """The ladder's features of one sitting's faces."""
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
            yield from _judged_rivals(pairing.kind, pairing.contrast, pairing.own, query, *references)


def _session(sitting: Sitting, stranger: Picture, rng: np.random.Generator, fonts: Sequence[str]) -> Iterator[Pairing]:
    crop, caption, plate = random_crop(rng), random_caption(rng, fonts), int(rng.integers(1 << 30))
    seed = int(rng.integers(1 << 30))
    age = random_age(rng, float(rng.choice(REFERENCE_CONTRASTS)))
    reference = scanned(make_copy(sitting.negative, crop, caption, age, seed=seed, plate=plate), rng)

    def copy(negative: Picture, window: Crop, words: Caption, contrast: float, own: bool) -> Card:
        age, seed = random_age(rng, contrast), int(rng.integers(1 << 30))
        return make_copy(negative, window, words, age, seed=seed, plate=plate if own else plate + 1)

    def pairing(kind: str, negative: Picture, window: Crop, words: Caption, **truth: bool | None) -> Pairing:
        contrast = float(rng.choice(CONTRASTS))
        query = _taken(copy(negative, window, words, contrast, bool(truth["pose"])), rng)
        return Pairing(kind, contrast, truth, query, (reference,))

    def rivals(kind: str, negative: Picture, words: Caption) -> Pairing:
        """The query shows either the reference's variation, or that of another known one."""
        contrast, own = float(rng.choice(CONTRASTS)), bool(rng.random() < 0.5)
        other = scanned(copy(negative, crop, words, float(rng.choice(REFERENCE_CONTRASTS)), kind == "captions"), rng)
        shown = (sitting.negative, crop, caption) if own else (negative, crop, words)
        query = _taken(copy(*shown, contrast, own or kind == "captions"), rng)
        return Pairing(kind, contrast, {}, query, (reference, other), own)

    known = {"pose": True, "crop": True, "caption": True, "copy": False}
    yield pairing("same", sitting.negative, crop, caption, **known)
    other = another_crop(crop, rng)
    yield pairing(
        "other_crop", sitting.negative, other, caption, **{**known, "crop": False, "caption": None, "copy": None}
    )
    words = another_caption(caption, rng)
    yield pairing("other_caption", sitting.negative, crop, words, **{**known, "caption": False})
    same_card = make_copy(sitting.negative, crop, caption, age, seed=seed, plate=plate)
    query = _taken(same_card, rng)
    yield Pairing("same_copy", age.residual_contrast, {**known, "copy": True}, query, (reference,))
    nothing: dict[str, bool | None] = {"pose": False, "crop": None, "caption": None, "copy": None}
    yield pairing("twin", another_exposure(sitting.negative, rng), crop, caption, **nothing)
    yield pairing("other", stranger, crop, caption, **nothing)
    yield rivals("captions", sitting.negative, another_caption(caption, rng))
    yield rivals("exposures", another_exposure(sitting.negative, rng), caption)
    if sitting.sibling is not None:
        yield pairing("room", sitting.sibling, crop, caption, **nothing)


def _judged(kind: str, contrast: float, query: View, reference: View, truth: dict[str, bool | None]) -> Trial:
    found = align(query, reference)
    compared = compare_pictures(query.face, reference.face, found) if found else None
    if compared is None:
        return Trial(kind, contrast, truth, {})
    crop = CropFinding(0.5, measure_crop(found, query.face.size))
    features = {
        "pose": pose_features(compared, found),
        "crop": crop_features(query.face, reference.face, found),
        "caption": compare_captions(query.face, reference.face, found)[0],
        "copy": copy_features(query.face, reference.face, found, crop),
    }
    return Trial(kind, contrast, truth, features)


def _judged_rivals(kind: str, contrast: float, own: bool, query: View, reference: View, other: View) -> Iterator[Trial]:
    """Which of two references the query shows, by their captions or by their pictures; and each of them alone."""
    parts: list[tuple[DifferenceMap, ...]] = []
    for side, right in ((reference, own), (other, not own)):
        found = align(query, side)
        compared = compare_pictures(query.face, side.face, found) if found else None
        if compared is None:
            return
        features, words = compare_captions(query.face, side.face, found)
        alone = {"pose": pose_features(compared, found), "caption": features}
        by_words = kind == "captions"
        truth: dict[str, bool | None] = {"pose": True, "caption": right} if by_words else {"pose": right}
        yield Trial(kind, contrast, truth, alone)
        parts.append(words if by_words else (compared.part,))
    yield Trial(kind, contrast, {RUNG: own}, {RUNG: rival_features(*parts)})


def random_crop(rng: np.random.Generator) -> Crop:
    """A window such as studios used: whole figure, three quarters, half length; a little off centre."""
    zoom = float(rng.choice([1.03, 1.1, 1.22, 1.38]))
    free = 0.5 * (1 - 1 / zoom)
    return Crop(0.5 + free * rng.uniform(-0.6, 0.6), 0.5 + free * rng.uniform(-0.9, 0.3), zoom)


def another_crop(crop: Crop, rng: np.random.Generator) -> Crop:
    """A window that differs by at least 1.4 mm on the card, or by at least 3 % in zoom."""
    if rng.random() < 0.5:
        zoom = max(1.0, crop.zoom * (1 + rng.choice([-1, 1]) * rng.uniform(0.03, 0.25)))
        return replace(crop, zoom=float(zoom if abs(zoom / crop.zoom - 1) > 0.025 else crop.zoom * 1.06))
    shift = rng.uniform(1.4, 5.0) / 36.5 / crop.zoom
    angle = rng.uniform(0, 2 * np.pi)
    # Stay inside the negative: shift towards its middle.
    x = crop.x + abs(shift * np.cos(angle)) * (1 if crop.x <= 0.5 else -1)
    y = crop.y + abs(shift * np.sin(angle)) * 36.5 / 63.5 * (1 if crop.y <= 0.5 else -1)
    return replace(crop, x=float(x), y=float(y), zoom=max(crop.zoom, 1.18))


def random_age(rng: np.random.Generator, contrast: float) -> Age:
    """Wear and stains as they come, at a given residual contrast."""
    return Age(
        residual_contrast=contrast,
        unevenness=float(rng.uniform(0, 0.6)),
        foxing=int(rng.integers(0, 24)),
        stains=int(rng.integers(0, 3)),
        scratches=int(rng.integers(0, 9)),
        dirt=float(rng.uniform(0, 0.8)),
        worn_corners=float(rng.uniform(0, 0.8)),
        crease=bool(rng.random() < 0.15),
        pencil=bool(rng.random() < 0.12),
        trimmed_mm=_trimmed(rng),
        tone=str(rng.choice(["sepia", "pink", "brown"])),  # type: ignore[arg-type]
    )


def _trimmed(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Mostly nothing; else, on one or two sides, up to what fits a smaller album."""
    if rng.random() > 0.15:
        return 0.0, 0.0, 0.0, 0.0
    left, top, right, bottom = (float(rng.uniform(0.3, 1.6)) * (rng.random() < 0.4) for _ in range(4))
    return left, top, right, min(bottom, 0.8)


def random_scene(rng: np.random.Generator) -> Scene:
    """A phone photo of one or two megapixels as people take them."""
    return Scene(
        surface=str(rng.choice(SURFACES)),  # type: ignore[arg-type]
        width=int(rng.choice([900, 1200])),
        height=int(rng.choice([1200, 1600])),
        share=float(rng.uniform(0.5, 0.95)),
        tilt=float(min(abs(rng.normal(0, 10)), 40.0)),
        tilt_towards=float(rng.uniform(0, 360)),
        rotation=float(rng.normal(0, 8)),
        shadow=float(rng.uniform(0, 0.5)),
        glare=float(rng.uniform(0.3, 0.9)) if rng.random() < 0.2 else 0.0,
        sleeve=bool(rng.random() < 0.15),
        thumb=int(rng.integers(4)) if rng.random() < 0.1 else None,
        blur=float(rng.uniform(0.4, 1.8)),
        noise=float(rng.uniform(1.0, 4.5)),
        exposure=float(rng.normal(0, 0.25)),
        warmth=float(rng.uniform(-0.6, 0.6)),
        quality=int(rng.integers(65, 94)),
    )


def _taken(card: Card, rng: np.random.Generator) -> Face:
    return scanned(card, rng) if rng.random() < SCANS else photographed(card, rng)


def photographed(card: Card, rng: np.random.Generator) -> Face:
    """The card's face from a telephone's photo of it."""
    shot = photograph(card, random_scene(rng), rng)
    return _flattened(shot.pixels, shot.corners, rng)


def scanned(card: Card, rng: np.random.Generator) -> Face:
    """The card's face from a scan of it."""
    shot = scan(card, rng)
    return _flattened(shot.pixels, shot.corners, rng)


def _flattened(pixels: Picture, corners: NDArray[np.float64], rng: np.random.Generator) -> Face:
    side = float(np.linalg.norm(corners[3] - corners[0]))
    jitter = rng.normal(0, CORNER_JITTER_MM * side / 63.5, (4, 2))
    return flatten(Photo.from_pixels(pixels), CardQuad((corners + jitter).astype(np.float32), 1.0))
