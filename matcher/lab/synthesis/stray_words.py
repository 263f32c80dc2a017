"""Words on a card that are no caption: on a jersey, a poster or a backdrop of the picture, or an owner's note.

A view or a card in, 0..1, with such words on it out, and where they stand. Both draw what a comparison of captions must
not be misled by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from matcher.core.settings import FaceSize
from matcher.lab.synthesis.line_drawing import draw_line
from matcher.lab.synthesis.prints import Field, smooth_field
from matcher.lab.synthesis.random_wording import random_words
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MARK_FORMS, SetLine


def with_scene_words(
    view: Field, types: Sequence[Typeface], rng: np.random.Generator, px: float | None = None
) -> tuple[Field, Field]:
    """Words on a jersey, a poster or a backdrop: in the picture's own light, slanting, soft, never quite black; and
    where. px: pixels a millimetre of the view, a face's if not given."""
    px = px or FaceSize().px_per_mm
    mask = np.zeros(view.shape, np.float32)
    for _ in range(int(rng.integers(1, 3))):
        name, club = random_words(rng)
        words = str(rng.choice([name.split()[-1], (club or name).split()[0].upper(), str(rng.integers(1, 99))]))
        type_ = types[int(rng.integers(len(types)))]
        body = float(rng.uniform(1.6, 6.0))
        line = SetLine(
            words, "name", type_, body, float(rng.uniform(0, 0.1)), float(rng.uniform(6, 31)),
            float(rng.uniform(6, 52)), min(30.0, 0.55 * body * len(words)), float(rng.normal(0, 12)), 0.0,
            float(rng.choice([rng.uniform(0, 0.3), rng.uniform(0.7, 1.0)])), float(rng.uniform(0.4, 0.9)),
        )  # fmt: skip
        drawn = draw_line(line, view.shape, px)
        folds = 1 + 0.35 * smooth_field(view.shape, rng, int(rng.integers(3, 9)))
        alpha = cv2.GaussianBlur(
            drawn.alpha, (0, 0), float(rng.uniform(0.4, 1.6)) * px / FaceSize().px_per_mm
        ) * np.clip(folds, 0.3, 1)
        shear = np.array([[1, rng.normal(0, 0.15), 0], [rng.normal(0, 0.1), 1, 0]])
        alpha = cv2.warpAffine(np.asarray(alpha, np.float32), shear, (view.shape[1], view.shape[0]))
        view = np.asarray(view + (line.tone - view) * alpha, np.float32)
        mask = np.maximum(mask, alpha)
    return view, mask


def with_notes(
    card: Field, types: Sequence[Typeface], rng: np.random.Generator, px: float | None = None, always: bool = False
) -> tuple[Field, Field]:
    """What later owners added to this one card: a pencil note, a rubber stamp, a label with something written on it;
    and where, (h, w). card: (h, w) or (h, w, 3), at `px` pixels a millimetre, a face's if not given. Mostly nothing,
    unless `always`."""
    px, shape = px or FaceSize().px_per_mm, (card.shape[0], card.shape[1])
    mask = np.zeros(shape, np.float32)
    if rng.random() > 0.3 and not always:
        return card, mask

    def deep(values: Field) -> Field:
        return values[..., None] if card.ndim == 3 else values

    hands = [one for one in types if one.lettering == "hand"]
    kind = rng.choice(["pencil", "pencil", "stamp", "label"])
    owner, number = random_words(rng)[0], int(rng.integers(1, 400))
    lot, day = (
        f"{number % 90}/{rng.integers(2, 90)}",
        f"{rng.integers(1, 30)}.{rng.integers(1, 12)}.19{number % 90 + 10}",
    )
    words = str(rng.choice([f"No. {number}", owner, lot, day, f"coll. {owner.split()[-1]}"]))
    type_ = hands[int(rng.integers(len(hands)))] if kind != "stamp" else types[int(rng.integers(len(types)))]
    body = float(rng.uniform(1.5, 3.2))
    width = min(26.0, 0.55 * body * len(words))
    x, y = float(rng.uniform(4 + width / 3, 32 - width / 3)), float(rng.uniform(3, 60))
    turn = float(rng.normal(0, 14 if kind != "label" else 4)) + float(rng.choice([0, 0, 0, 90]))
    tone = float(rng.uniform(0.25, 0.5)) if kind == "pencil" else float(rng.uniform(0.1, 0.35))
    line = SetLine(words, "name", type_, body, 0.0, x, y, width, turn, 0.0, tone, float(rng.uniform(0.35, 0.8)))
    if kind == "stamp":
        frame = MARK_FORMS[1 + int(rng.integers(2))]
        line = replace(line, part="mark", frame=frame, turn=float(rng.normal(0, 20)))
    drawn = draw_line(line, shape, px)
    if kind == "label":
        canvas = np.zeros(shape, np.uint8)
        box = cv2.boxPoints(((x * px, (y - 0.35 * body) * px), (1.1 * px * (width + 2), 2.1 * px * body), turn))
        cv2.fillPoly(canvas, [np.rint(box).astype(np.int32)], 255, cv2.LINE_AA)
        share = np.asarray(canvas / 255, np.float32)
        card = np.asarray(card + (np.float32(rng.uniform(0.75, 1)) - card) * deep(share), np.float32)
        mask = np.maximum(mask, share)
    alpha = drawn.alpha
    if kind == "stamp":
        alpha = alpha * np.clip(0.7 + 0.6 * smooth_field(shape, rng, 8), 0.1, 1)
    card = np.asarray(card + (deep(drawn.tone) - card) * deep(alpha), np.float32)
    return card, np.maximum(mask, np.asarray(alpha, np.float32))
