"""What an evaluation holds, before anything is drawn: negatives and a seed in, an `EvaluationPlan` out.

Sitters are split into enrolled and unknown ones; of a sitter with several exposures some are left out, to be asked as
near poses. Fades and conditions are dealt in turn within each kind, so that every kind meets every pair of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from matcher.core.errors import BadTable
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.variations import (
    CAPTION_CHANGES,
    CROP_CHANGES,
    CropChange,
    Variation,
    captions_beside,
    changed_crop,
    crops_of,
    other_caption,
)
from matcher.lab.synthesis import Age, Scene
from matcher.lab.synthesis.chance import random_age, random_scene
from matcher.lab.synthesis.words import Change, random_caption

Kind = Literal["known", "new_crop", "new_caption", "near_pose", "unknown"]
Condition = Literal["plain", "tilt", "glare", "blur", "sleeve", "turned"]

KINDS: dict[Kind, float] = {"known": 0.4, "new_crop": 0.15, "new_caption": 0.2, "near_pose": 0.125, "unknown": 0.125}
"""Shares of the queries."""

FADES = (0.80, 0.50, 0.30, 0.15)
CONDITIONS: tuple[Condition, ...] = ("plain", "tilt", "glare", "blur", "sleeve", "turned")
GOOD_LIGHT: tuple[Condition, ...] = ("plain", "tilt", "turned")

REFERENCE_CONTRASTS = (1.0, 0.8, 0.6, 0.45, 0.3)
"""Residual contrast of the enrolled copies, in turn."""

SAME_COPY_EVERY, TWO_COPIES_EVERY = 3, 5
"""Every third known query shows the very card of a reference; every fifth record has two."""

OUTCOMES: dict[Kind, str] = {
    "known": "known",
    "new_crop": "new_crop",
    "new_caption": "new_caption",
    "near_pose": "new_pose",
    "unknown": "new_pose",
}


@dataclass(frozen=True)
class PlannedCopy:
    """One physical card."""

    copy_id: str
    shows: Variation
    age: Age
    seed: int


@dataclass(frozen=True)
class PlannedRecord:
    """One enrolled variation with the copies that its references show."""

    record_id: str
    shows: Variation
    copies: tuple[PlannedCopy, ...]


@dataclass(frozen=True)
class PlannedQuery:
    """One photo and its truth.

    record_id: of the variation shown, "" where it is not enrolled. crop_change, caption_change: what was changed.
    near: whether an enrolled pose is another exposure of this sitter in the same room ('exposure', 'moved' where it
    was invented) or only shows the same sitter ('sitter'); '' where there is none.
    """

    query_id: str
    kind: Kind
    copy: PlannedCopy
    condition: Condition
    scene: Scene
    seed: int
    record_id: str = ""
    same_copy: bool = False
    crop_change: CropChange | None = None
    caption_change: Change | None = None
    near: str = ""


@dataclass(frozen=True)
class EvaluationPlan:
    """poses: the enrolled negatives by name, with the name of the pose."""

    records: tuple[PlannedRecord, ...]
    queries: tuple[PlannedQuery, ...]
    poses: dict[str, str]
    seed: int


def fade_of(contrast: float) -> float:
    """The one of `FADES` that a residual contrast comes closest to, by ratio.

    >>> fade_of(1.0), fade_of(0.45), fade_of(0.15)
    (0.8, 0.5, 0.15)
    """
    return min(FADES, key=lambda fade: abs(np.log(fade / contrast)))


def make_plan(negatives: Sequence[Negative], queries: int, seed: int, fonts: Sequence[str] = ("",)) -> EvaluationPlan:
    """Records and queries; the same arguments give the same plan. Raises BadTable bad_evaluation."""
    rng = np.random.default_rng([seed, 21])
    enrolled, near, unknown = _split(negatives, queries, rng)
    if len(enrolled) < 4 or not unknown:
        message = f"{len(negatives)} pictures are too few: at least six of different sitters are needed"
        raise BadTable("bad_evaluation", message, "name more folders")
    poses = {negative.name: f"P{number:04d}" for number, negative in enumerate(enrolled, start=1)}
    records = tuple(_records(enrolled, poses, rng, fonts))
    dealt = _Deal(records, near, unknown, poses, rng, fonts)
    return EvaluationPlan(records, tuple(dealt.queries(queries)), poses, seed)


def _split(
    negatives: Sequence[Negative], queries: int, rng: np.random.Generator
) -> tuple[list[Negative], list[Negative], list[Negative]]:
    """Enrolled, left out though their sitter is enrolled, and unknown; no more than the queries can use."""
    sitters: dict[str, list[Negative]] = {}
    for negative in negatives:
        sitters.setdefault(negative.sitter, []).append(negative)
    order = [list(sitters)[k] for k in rng.permutation(len(sitters))]
    # Rooms with several exposures are what near poses need: all are used, single pictures fill up.
    rooms, singles = ([s for s in order if (len(sitters[s]) > 1) == many] for many in (True, False))
    alone = max(1, min(queries // 8, len(singles) // 4)) if len(singles) >= 4 else 0
    unknown = singles[:alone] + (rooms[: len(rooms) // 5 or len(rooms) // 3] if len(rooms) >= 3 else [])
    kept = [s for s in rooms if s not in unknown]
    enrolled, near = [], []
    for sitter in kept:
        asked = _left_out(sitters[sitter], rng)
        near += asked
        enrolled += [negative for negative in sitters[sitter] if negative not in asked]
    wanted = max(4, queries // 3 - len(enrolled))
    enrolled += [sitters[s][0] for s in singles[alone : alone + wanted]]
    return enrolled, near, [negative for s in unknown for negative in sitters[s]]


def _left_out(exposures: Sequence[Negative], rng: np.random.Generator) -> list[Negative]:
    """A third of a sitter's exposures, at least one; first those that have another one in the same room."""
    order = sorted(rng.permutation(len(exposures)), key=lambda k: not exposures[k].near)
    return [exposures[k] for k in order[: max(1, len(exposures) // 3)]]


def _records(
    enrolled: Sequence[Negative], poses: dict[str, str], rng: np.random.Generator, fonts: Sequence[str]
) -> Iterator[PlannedRecord]:
    number = picture = 0
    for index, negative in enumerate(enrolled):
        usual = random_caption(rng, fonts)
        for letter, crop in zip("ABC", crops_of(index, usual, rng), strict=False):
            picture += 1
            for beside, caption in captions_beside(picture, usual, rng):
                number += 1
                shows = Variation(negative, poses[negative.name], letter, crop, caption, beside)
                contrast = REFERENCE_CONTRASTS[number % len(REFERENCE_CONTRASTS)]
                names = [f"K{number:05d}-{k}" for k in range(1, 3 if number % TWO_COPIES_EVERY == 0 else 2)]
                copies = tuple(make_copy(name, shows, contrast, rng) for name in names)
                yield PlannedRecord(f"V{number:05d}", shows, copies)


def make_copy(copy_id: str, shows: Variation, contrast: float, rng: np.random.Generator) -> PlannedCopy:
    """One card of a variation; one in eight was trimmed on one side."""
    age = random_age(rng, contrast)
    if rng.random() < 0.125:
        trimmed = [0.0, 0.0, 0.0, 0.0]
        trimmed[int(rng.integers(4))] = round(float(rng.uniform(0.3, 1.0)), 2)
        age = replace(age, trimmed_mm=(trimmed[0], trimmed[1], trimmed[2], trimmed[3]))
    return PlannedCopy(copy_id, shows, age, int(rng.integers(1, 2**31)))


class _Deal:
    """Deals out what the queries of each kind show, each thing once before any comes again."""

    def __init__(
        self,
        records: tuple[PlannedRecord, ...],
        near: Sequence[Negative],
        unknown: Sequence[Negative],
        poses: dict[str, str],
        rng: np.random.Generator,
        fonts: Sequence[str],
    ) -> None:
        self._rng, self._fonts, self._poses = rng, fonts, poses
        self._records, self._near, self._unknown = records, near, unknown
        self._decks = {kind: _alternating(records, rng) for kind in KINDS}
        self._sitters = {record.shows.negative.sitter for record in records}

    def queries(self, count: int) -> Iterator[PlannedQuery]:
        number = 0
        for kind, wanted in _counts(count).items():
            pairs = [(fade, condition) for fade in FADES for condition in CONDITIONS]
            for k in range(wanted):
                if k % len(pairs) == 0:
                    pairs = [pairs[i] for i in self._rng.permutation(len(pairs))]
                fade, condition = pairs[k % len(pairs)]
                number += 1
                yield self._query(f"q{number:04d}", kind, k, fade, condition)

    def _query(self, name: str, kind: Kind, k: int, fade: float, condition: Condition) -> PlannedQuery:
        deck = self._decks[kind]
        record = deck[k % len(deck)]
        copy = make_copy(name, record.shows, fade, self._rng)
        query = PlannedQuery(
            name, kind, copy, condition, scene_of(condition, self._rng), int(self._rng.integers(1, 2**31))
        )
        if kind == "known":
            same = k % SAME_COPY_EVERY == SAME_COPY_EVERY - 1
            shown = record.copies[-1] if same else copy
            return replace(query, copy=shown, record_id=record.record_id, same_copy=same)
        if kind == "new_crop":
            return self._new_crop(query, record, CROP_CHANGES[k % len(CROP_CHANGES)])
        if kind == "new_caption":
            return self._new_caption(query, record, CAPTION_CHANGES[k % len(CAPTION_CHANGES)])
        return self._another(query, k)

    def _new_crop(self, query: PlannedQuery, record: PlannedRecord, change: CropChange) -> PlannedQuery:
        known = [r.shows.crop for r in self._records if r.shows.pose == record.shows.pose]
        crop, change = changed_crop(record.shows, known, change, self._rng)
        shows = replace(record.shows, crop=crop, crop_name="", beside=())
        return replace(query, copy=replace(query.copy, shows=shows), crop_change=change)

    def _new_caption(self, query: PlannedQuery, record: PlannedRecord, change: Change) -> PlannedQuery:
        known = [
            r.shows.caption
            for r in self._records
            if (r.shows.pose, r.shows.crop_name) == (record.shows.pose, record.shows.crop_name)
        ]
        caption = other_caption(known, change, self._rng)
        shows = replace(record.shows, caption=caption, beside=())
        return replace(query, copy=replace(query.copy, shows=shows), caption_change=change)

    def _another(self, query: PlannedQuery, k: int) -> PlannedQuery:
        """Another exposure of an enrolled sitter, or an unknown sitter, on a card like the enrolled ones."""
        like = query.copy.shows
        near = ""
        if query.kind == "unknown":
            negative = self._unknown[k % len(self._unknown)]
        elif self._near and k % 4 != 3:
            negative = self._near[(k - k // 4) % len(self._near)]
            near = "exposure" if any(name in self._poses for name in negative.near) else "sitter"
        else:
            known = like.negative
            moved = int(self._rng.integers(1, 2**31))
            negative = replace(known, near=(known.name, *known.near), moved=moved, plate=known.plate + 1_000_000)
            near = "moved"
        shows = self._shown_like(negative, like)
        return replace(query, copy=replace(query.copy, shows=shows), near=near)

    def _shown_like(self, negative: Negative, like: Variation) -> Variation:
        """The negative in the window and words of an enrolled card of its sitter, where there is one."""
        own = [r.shows for r in self._records if r.shows.negative.name in negative.near]
        own = own or [r.shows for r in self._records if r.shows.negative.sitter == negative.sitter]
        if own:
            like = own[int(self._rng.integers(len(own)))]
        caption = like.caption if own else random_caption(self._rng, self._fonts)
        return Variation(negative, "", "", like.crop, caption)


def _counts(count: int) -> dict[Kind, int]:
    wanted = {kind: round(share * count) for kind, share in KINDS.items()}
    wanted["known"] += count - sum(wanted.values())
    return wanted


def _alternating(records: Sequence[PlannedRecord], rng: np.random.Generator) -> list[PlannedRecord]:
    """All records shuffled, those of sitters with several exposures in every other place, each as often as needed."""
    shuffled = [records[k] for k in rng.permutation(len(records))]
    rooms, singles = ([r for r in shuffled if bool(r.shows.negative.near) == many] for many in (True, False))
    if not rooms or not singles:
        return shuffled
    longest = max(len(rooms), len(singles))
    return [part[k % len(part)] for k in range(longest) for part in (singles, rooms)]


def scene_of(condition: Condition, rng: np.random.Generator) -> Scene:
    """A phone photo of two or three megapixels as people take them, under one stated condition."""
    usual = random_scene(rng)
    width, height = ((1200, 1600), (1536, 2048))[int(rng.integers(2))]
    scene = replace(
        usual,
        width=width,
        height=height,
        share=float(rng.uniform(0.6, 0.93)),
        tilt=min(usual.tilt, 10.0),
        shadow=min(usual.shadow, 0.3),
        glare=0.0,
        sleeve=False,
        thumb=None,
        blur=float(rng.uniform(0.5, 1.0)),
    )
    changes: dict[Condition, dict[str, object]] = {
        "plain": {},
        "tilt": {"tilt": float(rng.uniform(15, 32))},
        "glare": {"glare": float(rng.uniform(0.5, 1.0))},
        "blur": {"blur": float(rng.uniform(1.8, 3.0)) * width / 1200},
        "sleeve": {"sleeve": True},
        "turned": {"rotation": float(rng.choice([90, 180, 270]) + rng.normal(0, 6))},
    }
    return replace(scene, **changes[condition])  # type: ignore[arg-type]
