"""Cards with words in every place and lettering, drawn to be judged: negatives, typefaces and a seed in; records and
photos with the truth out.

Each negative is enrolled once, under one wording. It is asked with the same words, with a letter, a club or the hand
changed, with another mark or none, at three residual contrasts, sharp and in good light. Some pictures have words of
their own, on a jersey or a backdrop, and some cards a later owner's note: neither is a caption.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis import (
    Age,
    Caption,
    Card,
    Crop,
    Scene,
    make_copy,
    needed_px_per_mm,
    photograph,
    print_card,
    write_photo,
)
from matcher.lab.synthesis.chance import random_age, random_crop, random_scene
from matcher.lab.synthesis.line_drawing import draw_line
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.random_wording import mark_changes, random_wording, remarked, reworded
from matcher.lab.synthesis.stray_words import with_notes, with_scene_words
from matcher.lab.synthesis.type_cases import LETTERINGS, Typeface
from matcher.lab.synthesis.wording import PLACES, Wording, set_lines

CONTRASTS = (0.8, 0.5, 0.3)
ROUGH_CONTRASTS = (0.8, 0.5, 0.3, 0.15)
REFERENCE_CONTRASTS = (1.0, 0.8, 0.6)
ASKED = ("same", "letter", "club", "mark", "same", "hand")
"""What is asked of each negative, in turn; 'hand': the same words in another hand, or in another type of the kind."""

SCENE_EVERY, NOTE_EVERY = 4, 3


@dataclass(frozen=True)
class LetteredCard:
    """One physical card. scene: seed of words in the picture itself, 0 for none. note: of an owner's note."""

    negative: Negative
    crop: Crop
    wording: Wording
    age: Age
    seed: int
    scene: int = 0
    note: int = 0


@dataclass(frozen=True)
class LetteringRecord:
    record_id: str
    card: LetteredCard


@dataclass(frozen=True)
class LetteringQuery:
    """One photo. change: what differs from the enrolled wording, '' for nothing."""

    query_id: str
    record: LetteringRecord
    card: LetteredCard
    change: str
    scene: Scene
    seed: int

    @property
    def outcome(self) -> str:
        """The right answer."""
        if not self.change:
            return "known"
        return "new_mark" if self.change.startswith("mark") else "new_caption"

    @property
    def truth(self) -> dict[str, Any]:
        wording = self.card.wording
        return {
            "outcome": self.outcome,
            "record_id": self.record.record_id if not self.change else "",
            "change": self.change,
            "place": wording.place,
            "lettering": wording.lettering,
            "typeface": wording.type.name,
            "name": wording.name,
            "club": wording.club,
            "mark": wording.mark.words if wording.mark else "",
            "form": wording.mark.form if wording.mark else "",
            "contrast": self.card.age.residual_contrast,
            "scene_words": self.card.scene > 0,
            "note": self.card.note > 0,
        }


def lettering_plan(
    negatives: Sequence[Negative],
    types: Sequence[Typeface],
    queries: int,
    seed: int,
    rough: bool = False,
    asked: Sequence[str] = ASKED,
) -> tuple[list[LetteringRecord], list[LetteringQuery]]:
    """Records and queries; the same arguments give the same plan. rough: every other photo is as people take them, and
    contrasts go down further, as a fit must have seen. asked: what of each negative, in turn."""
    rng = np.random.default_rng([seed, 23])
    order = [negatives[int(k)] for k in rng.permutation(len(negatives))]
    records = [_record(number, negative, types, rng) for number, negative in enumerate(order[: max(4, queries // 4)])]
    return records, list(_queries(records, types, queries, rng, rough, asked))


def _record(number: int, negative: Negative, types: Sequence[Typeface], rng: np.random.Generator) -> LetteringRecord:
    place, lettering = PLACES[number % len(PLACES)], LETTERINGS[(number // len(PLACES) + number) % len(LETTERINGS)]
    crop, scene = random_crop(rng), int(rng.integers(1, 1 << 30)) if number % SCENE_EVERY == 0 else 0
    wording = random_wording(rng, types, place, lettering)
    age = random_age(rng, REFERENCE_CONTRASTS[number % len(REFERENCE_CONTRASTS)])
    card = LetteredCard(negative, crop, wording, age, int(rng.integers(1, 1 << 30)), scene)
    card = replace(card, wording=set_off(card))
    return LetteringRecord(f"V{number + 1:05d}", replace(card, wording=mark_set_off(card)))


def _queries(
    records: Sequence[LetteringRecord],
    types: Sequence[Typeface],
    count: int,
    rng: np.random.Generator,
    rough: bool,
    in_turn: Sequence[str],
) -> Iterator[LetteringQuery]:
    number = 0
    for turn in range(count):
        for record in records:
            asked = in_turn[turn % len(in_turn)]
            if number == count:
                return
            yield _query(f"q{number:04d}", number, record, asked, types, rng, rough)
            number += 1


def _query(
    name: str, number: int, record: LetteringRecord, asked: str, types: Sequence[Typeface], rng: np.random.Generator,
    rough: bool,
) -> LetteringQuery:  # fmt: skip
    wording, change = record.card.wording, ""
    if asked == "mark":
        changes = mark_changes(wording)
        change = changes[int(rng.integers(len(changes)))]
        wording = remarked(wording, change, types, rng)
        wording = mark_set_off(replace(record.card, wording=wording))
    elif asked != "same":
        change = asked
        wording = reworded(wording, asked, types, rng)  # type: ignore[arg-type]
    contrasts = ROUGH_CONTRASTS if rough else CONTRASTS
    age = random_age(rng, contrasts[(number + number // 3) % len(contrasts)])
    note = int(rng.integers(1, 1 << 30)) if number % NOTE_EVERY == 0 else 0
    card = replace(
        record.card, wording=wording, age=replace(age, pencil=False), seed=int(rng.integers(1, 1 << 30)), note=note
    )
    scene = random_scene(rng) if rough and number % 2 else _sharp(rng)
    return LetteringQuery(name, record, card, change, scene, int(rng.integers(1, 1 << 30)))


def _sharp(rng: np.random.Generator) -> Scene:
    """A telephone's photo, sharp and in good light."""
    usual = random_scene(rng)
    return replace(
        usual, width=1536, height=2048, share=float(rng.uniform(0.65, 0.93)), tilt=min(usual.tilt, 12.0),
        shadow=min(usual.shadow, 0.25), glare=0.0, sleeve=False, thumb=None, blur=float(rng.uniform(0.4, 0.9)),
    )  # fmt: skip


def set_off(card: LetteredCard) -> Wording:
    """Words in the picture are light where it is dark and dark where it is light, as a printer would have them."""
    wording = card.wording
    if wording.strip or wording.place in ("picture dark", "picture light"):
        return wording if wording.strip else _where_it_shows(card)
    return replace(wording, dark=_ground(card, wording) > 0.5)


def mark_set_off(card: LetteredCard) -> Wording:
    """The same for its mark: no printer lets black into black."""
    mark = card.wording.mark
    return (
        replace(card.wording, mark=replace(mark, dark=_ground(card, card.wording, -1) > 0.5)) if mark else card.wording
    )


def _where_it_shows(card: LetteredCard) -> Wording:
    """At the foot or at the head, wherever the ink asked for stands out better."""
    low, high = (replace(card.wording, high=high) for high in (False, True))
    tones = [_ground(card, one) for one in (low, high)]
    best = max if card.wording.dark else min
    return (low, high)[tones.index(best(tones))]


def _ground(card: LetteredCard, wording: Wording, line: int = 0) -> float:
    """How light the picture is under one of the lines, 0..1; -1 for the mark, which is the last."""
    scale = 4.0
    blank = Caption.worded(replace(wording, name="", club="", mark=None))
    fresh = print_card(_picture(card.negative), card.crop, blank, np.random.default_rng(1), px_per_mm=scale)
    grey = np.asarray(to_grey(fresh.pixels) / 255, np.float32)
    alpha = draw_line(replace(set_lines(wording)[line], frame="line"), (grey.shape[0], grey.shape[1]), scale).alpha
    return float((grey * alpha).sum() / (alpha.sum() + 1e-6))


@lru_cache(maxsize=4)
def _picture(negative: Negative) -> NDArray[np.uint8]:
    return negative_of(negative.path)


def drawn_card(card: LetteredCard, types: Sequence[Typeface], px_per_mm: float) -> Card:
    """The card, printed and aged at a scale, with what its owner wrote on it."""
    negative = _picture(card.negative)
    if card.scene:
        view = np.asarray(negative / 255, np.float32)
        view, _ = with_scene_words(
            view, types, np.random.default_rng(card.scene), negative.shape[1] / FaceSize().width_mm
        )
        negative = np.rint(255 * view).astype(np.uint8)
    plate = card.negative.plate
    copy = make_copy(
        negative, card.crop, Caption.worded(card.wording), card.age, seed=card.seed, plate=plate, px_per_mm=px_per_mm
    )
    if not card.note:
        return copy
    noted, _ = with_notes(
        np.asarray(copy.pixels / 255, np.float32), types, np.random.default_rng(card.note), px_per_mm, always=True
    )
    return replace(copy, pixels=np.rint(255 * noted).astype(np.uint8))


def draw_lettering_query(query: LetteringQuery, types: Sequence[Typeface]) -> tuple[bytes, Shot]:
    """The photo's file, and the shot."""
    size = FaceSize()
    scale = needed_px_per_mm(query.scene, (size.width_mm, size.height_mm))
    shot = photograph(drawn_card(query.card, types, scale), query.scene, np.random.default_rng([query.seed, 4]))
    return write_photo(shot, query.scene), shot
