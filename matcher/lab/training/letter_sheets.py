"""Lines on two sheets each, drawn straight, with the truth where their letters differ: pictures, typefaces and a chance
in, `LinePatch` out. Everything is numpy.

Cards that go the whole way (`letter_pairs.line_patches`) take seconds each, these some milliseconds: one ground, as two
prints of one negative have it, a line on either, each faded, stained, blurred and stored in its own way, one of them
laid a little askew, and both cut out and registered by what the product cuts out and registers with.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.flatten import Face
from matcher.core.ladder.letters import cut_line
from matcher.core.ladder.words_settings import LetterSettings
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import SetLine, width_mm
from matcher.lab.training.letter_pairs import LinePatch, difference, patch_of
from matcher.lab.training.reader_lines import (
    LEAST_STEP,
    drawable,
    ground_of,
    invented,
    plain_line,
    random_line,
    with_a_twin,
    worn,
)

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]
Transform = NDArray[np.float64]

CHANGES = {"": 0.46, "letter": 0.26, "words": 0.1, "gone": 0.1, "hand": 0.08}
"""How a line may be another on the other card, and how often; own choice."""

WIDEST_MM = 34.0
"""Of a line that a card has room for."""

ROUND_MM = 2.6
"""Room round a line on its sheet: what is cut out, how far its ink is sought, and askew."""


@dataclass(frozen=True)
class _Sheet:
    """One card's bit: its grey as it was stored, and the ink of its line alone, 0 to 1."""

    grey: Grey
    ink: Floats


def plain_patches(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> Iterator[LinePatch]:
    """Endless lines beside each other, half of them the same."""
    while True:
        patch = _patch(pictures, types, rng)
        if patch is not None:
            yield patch


def _patch(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> LinePatch | None:
    line = plain_line(types, rng)
    change = str(rng.choice([*CHANGES], p=[*CHANGES.values()]))
    other = otherwise(line, change, types, rng)
    wide = max(line.width, other.width if other else 0.0)
    if not line.words or not 1.0 < wide <= WIDEST_MM:
        return None
    scale = float(rng.uniform(11, 18))
    size = (wide + 2 * ROUND_MM, 1.6 * line.body + 2 * ROUND_MM)
    line = replace(line, x=size[0] / 2, y=size[1] / 2 + 0.3 * line.body)
    if other is not None:
        other = replace(other, x=line.x + _anchored(line, other, rng), y=line.y)
    sheets = _sheets(line, other, size, scale, pictures, types, rng)
    if sheets is None:
        return None
    if rng.random() < 0.5 and other is not None:
        line, other, sheets = other, line, sheets[::-1]
    return _laid(line, sheets, bool(change), size, scale, rng)


def otherwise(line: SetLine, change: str, types: Sequence[Typeface], rng: np.random.Generator) -> SetLine | None:
    """The line as the other card has it; None where it has none."""
    if change == "gone":
        return None
    if change == "hand":
        kind = [one for one in types if one.path != line.type.path]
        type_ = kind[int(rng.integers(len(kind)))]
        words = drawable(line.words, type_)
        body = line.body * float(rng.uniform(0.85, 1.2))
        if words != line.words:
            return replace(line, words=words or "I", width=width_mm(words or "I", line.type, line.body, line.spacing))
        return replace(line, type=type_, body=body, width=width_mm(words, type_, body, line.spacing))
    words = line.words
    if change == "letter":
        words = another_letter(words, rng)
    elif change == "words":
        words = random_line(rng)
    words = drawable(words, line.type) or "I"
    return replace(line, words=words, width=width_mm(words, line.type, line.body, line.spacing))


def another_letter(words: str, rng: np.random.Generator) -> str:
    """With one letter changed, left out, doubled or put in, or two that look like another; a stop now and then.

    >>> another_letter("Jonas", np.random.default_rng(3)) != "Jonas"
    True
    """
    if rng.random() < 0.35:
        twin = with_a_twin(words, rng)
        if twin != words:
            return twin
    letters = [n for n, sign in enumerate(words) if sign.isalnum()] or [0]
    place = letters[int(rng.integers(len(letters)))]
    old = words[place]
    new = invented(rng)[-1]
    new = new.upper() if old.isupper() else new
    draw = rng.random()
    if draw < 0.6 and new != old:
        return words[:place] + new + words[place + 1 :]
    if draw < 0.75 and len(letters) > 2:
        return words[:place] + words[place + 1 :]
    return words[:place] + (old if draw < 0.85 else new.lower()) + words[place:]


def _anchored(line: SetLine, other: SetLine, rng: np.random.Generator) -> float:
    """How far its middle lies from the other's: set from the left, from the right, or centred."""
    return float(rng.choice([-0.5, 0.0, 0.0, 0.5])) * (line.width - other.width)


def _sheets(
    line: SetLine, other: SetLine | None, size: tuple[float, float], scale: float, pictures: Sequence[Grey],
    types: Sequence[Typeface], rng: np.random.Generator,
) -> tuple[_Sheet, _Sheet] | None:  # fmt: skip
    """Both cards' bits; None where the ink would not show on what it is printed on."""
    shape = (round(size[1] * scale), round(size[0] * scale))
    ground = ground_of(pictures, shape, rng)
    light = float(ground.mean())
    tone = rng.uniform(0.0, 0.3) if light > 0.5 else rng.uniform(0.75, 1.0)
    line = replace(line, tone=float(tone))
    if abs(light - line.tone) < LEAST_STEP:
        return None
    beside = None
    if rng.random() < 0.3:  # another line above or below, the same on both
        near = plain_line(types, rng)
        apart = float(rng.choice([-1, 1])) * 0.62 * (line.body + near.body) * float(rng.uniform(0.9, 1.5))
        beside = replace(near, tone=line.tone, x=line.x, y=line.y + apart)

    if beside is not None and beside.words:
        both = draw_line(beside, shape, scale)
        ground, again = ink_on(ground, both), ink_on(_printed_again(ground, rng), both)
    else:
        again = _printed_again(ground, rng)
    return _inked(line, ground, scale, rng), _inked(other and replace(other, tone=line.tone), again, scale, rng)


def _inked(line: SetLine | None, ground: Floats, scale: float, rng: np.random.Generator) -> _Sheet:
    """A print with its line, or without one, as faded and worn as one card is."""
    if line is None:
        return _Sheet(worn(ground, scale, rng), np.zeros_like(ground))
    strength = float(rng.uniform(0.6, 1.0))
    drawn = draw_line(replace(line, strength=strength), (ground.shape[0], ground.shape[1]), scale)
    return _Sheet(worn(ink_on(ground, drawn), scale, rng), np.asarray(drawn.alpha / strength, np.float32))


def _printed_again(ground: Floats, rng: np.random.Generator) -> Floats:
    """As another print of the negative has it: in another tone, and a hair off."""
    if rng.random() < 0.3:
        return ground
    toned = np.clip(ground, 1e-3, 1) ** float(np.exp(rng.normal(0, 0.3)))
    middle = float(toned.mean())
    toned = middle + (toned - middle) * float(rng.uniform(0.7, 1.25))
    off = rng.normal(0, 1.2, 2)
    move = np.array([[1, 0, off[0]], [0, 1, off[1]]], np.float64)
    size = (ground.shape[1], ground.shape[0])
    moved = cv2.warpAffine(toned.astype(np.float32), move, size, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.clip(moved, 0, 1), np.float32)


def _laid(
    line: SetLine, sheets: tuple[_Sheet, _Sheet], changed: bool, size: tuple[float, float], scale: float,
    rng: np.random.Generator,
) -> LinePatch | None:  # fmt: skip
    """The first sheet as a known card's face has it, the second as a photo's, a bit askew, cut out and registered."""
    settings, px_per_mm = LetterSettings(), FaceSize().px_per_mm
    shape = (round(size[0] * px_per_mm), round(size[1] * px_per_mm))
    to_face = np.diag([px_per_mm / scale, px_per_mm / scale, 1.0])
    askew = _askew(shape, rng)
    transform = np.asarray(
        np.linalg.inv(askew), np.float64
    )  # what registration finds: the picture lies there, its words a hair off
    off = _by(*rng.normal(0, 0.8, 2))
    reference, query = (
        _face(sheet.grey, move @ to_face, shape) for sheet, move in zip(sheets, (np.eye(3), off @ askew), strict=True)
    )
    low, high = line.x - line.width / 2, line.x + line.width / 2
    box = np.array([low, line.y - 0.8 * line.body, high, line.y + 0.1 * line.body]) + rng.normal(0, 0.15, 4)
    cut = cut_line(query, reference, transform, tuple(box), settings)
    if cut is None:
        return None
    rows, columns = cut.query.shape
    left, top = cut.corner
    laid = _by(-left, -top) @ off @ askew, _by(cut.moved[0] - left, cut.moved[1] - top) @ askew
    inks = [
        np.asarray(_warped(sheet.ink, move @ to_face, (columns, rows)), np.float32)
        for sheet, move in zip(sheets[::-1], laid, strict=True)
    ]
    truth = difference(*inks) if changed else np.zeros(cut.query.shape, np.uint8)
    return patch_of(cut.query, cut.reference, truth, changed)


def _by(across: float, down: float) -> Transform:
    return np.array([[1, 0, across], [0, 1, down], [0, 0, 1]], np.float64)


def _askew(shape: tuple[int, int], rng: np.random.Generator) -> Transform:
    """Reference face pixels to query face pixels: about the middle, a bit turned and larger, and as much beside."""
    angle, larger = np.radians(rng.normal(0, 0.2)), 1 + rng.normal(0, 0.004)
    middle = np.array(shape) / 2
    turn = larger * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    beside = middle - turn @ middle + rng.normal(0, 1.0, 2)
    return np.vstack([np.column_stack([turn, beside]), [0, 0, 1]])


def _face(grey: Grey, move: Transform, shape: tuple[int, int]) -> Face:
    """Of the sheet alone."""
    scale = FaceSize().px_per_mm
    soft = cv2.GaussianBlur(grey, (0, 0), max(0.2, 0.4 / float(move[0, 0])))
    flat = np.asarray(_warped(soft, move, shape), np.uint8)
    size = replace(FaceSize(), width=shape[0], height=shape[1], width_mm=shape[0] / scale, height_mm=shape[1] / scale)
    return Face(np.repeat(flat[..., None], 3, 2), flat, np.ones(flat.shape, bool), size)


def _warped(values: NDArray[Any], move: Transform, shape: tuple[int, int]) -> NDArray[Any]:
    flags = cv2.INTER_LINEAR
    warped = cv2.warpPerspective(values, move, shape, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped, values.dtype)
