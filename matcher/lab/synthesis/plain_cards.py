"""Cards with no photograph on them: a plain figure, a silhouette, a line drawing, a map, an ornament, words alone.

A size in mm and an rng in, a `Card` out: ink of one tint on paper of another, as drawn by a hand that knows nothing of
`printing`. Whoever has learnt what a card is from prints of photographs alone takes these for something else.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.printing import Card

Ink = NDArray[np.float32]
"""(h, w) float32, 0 paper to 1 ink."""

PAPERS = ((244, 238, 222), (236, 224, 196), (228, 208, 172), (250, 249, 245), (214, 204, 184), (205, 196, 190))
TINTED = ((96, 112, 92), (70, 82, 104), (120, 70, 66), (38, 36, 36), (186, 168, 126))
"""Mounts of colour or black, which some studios used."""

INKS = ((62, 44, 36), (40, 38, 38), (92, 66, 48), (58, 52, 70), (44, 58, 60))

DARK_MOUNT = 0.15
"""Share of cards on a tinted mount."""

ROUNDED = 0.25
"""Share of cards with rounded corners."""


def plain_card(size_mm: tuple[float, float], rng: np.random.Generator, px_per_mm: float) -> Card:
    """Any of `KINDS` on a mount with margins, mostly with a few words; faded as it may be."""
    columns, rows = (round(mm * px_per_mm) for mm in size_mm)
    mount = np.array(_any(TINTED if rng.random() < DARK_MOUNT else PAPERS, rng), np.float32)
    pixels: Ink = np.tile(mount + rng.normal(0, 4, 3).astype(np.float32), (rows, columns, 1))
    side, top = (round(float(rng.choice([0.0, 0.6, 1.0, 2.0, 3.5])) * px_per_mm) for _ in range(2))
    foot = top + round(float(rng.choice([0.0, 4.0, 6.0, 9.0])) * px_per_mm)
    window = np.s_[top : rows - max(foot, 1), side : columns - max(side, 1)]
    high, wide = pixels[window].shape[:2]
    drawn = KINDS[str(rng.choice(list(KINDS), p=SHARES))](high, wide, rng)
    paper = np.array(_any(PAPERS, rng), np.float32) if rng.random() < 0.5 else mount
    tint = np.array(_any(INKS, rng), np.float32)
    strength = float(np.exp(rng.uniform(np.log(0.12), 0)))
    pixels[window] = paper + (tint - paper) * (strength * drawn)[..., None]
    if foot > top:
        words = _words(foot - top, columns, rng, 2)
        level = 1.0 if float(mount.mean()) > 120 else -1.0
        pixels[rows - foot : rows - top] -= level * 120 * max(strength, 0.3) * words[..., None]
    tone = cv2.resize(rng.normal(0, 1, (7, 4)).astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    seen = pixels * (1 + float(rng.uniform(0, 0.03)) * tone[..., None]) + rng.normal(0, 1.5, (rows, columns, 1))
    return Card(np.clip(seen, 0, 255).astype(np.uint8), _cover(rows, columns, px_per_mm, rng), px_per_mm)


def _cover(rows: int, columns: int, px_per_mm: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    cover = np.full((rows, columns), 255, np.uint8)
    if rng.random() < ROUNDED:
        radius = max(2, round(float(rng.uniform(1, 3)) * px_per_mm))
        corner = np.zeros((radius, radius), np.uint8)
        cv2.circle(corner, (radius, radius), radius, 255, -1, cv2.LINE_AA)
        for turn in range(4):
            np.rot90(cover, turn)[:radius, :radius] = corner
    return cover


def _figure(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """Shades from head to foot, and somebody of plain shapes before them: standing, half length or a head."""
    low, up = rng.uniform(0.1, 0.7, 2)
    ink = np.repeat(np.linspace(up, low, high, dtype=np.float32)[:, None], wide, axis=1)
    if rng.random() < 0.4:
        ink[round(high * float(rng.uniform(0.6, 0.85))) :] = float(rng.uniform(0.2, 0.9))
    x, scale = wide * float(rng.uniform(0.35, 0.65)), high * float(rng.uniform(0.25, 1.0))
    head = high * float(rng.uniform(0.12, 0.35))
    dark, face, legs = (float(v) for v in rng.uniform(0.05, 0.98, 3))
    radius = max(2.0, 0.16 * scale * float(rng.uniform(0.7, 1.2)))
    shoulder, hip = head + 1.2 * radius, head + scale * float(rng.uniform(0.6, 0.9))
    body = [
        (x - 1.6 * radius, shoulder + radius), (x - 0.7 * radius, shoulder), (x + 0.7 * radius, shoulder),
        (x + 1.6 * radius, shoulder + radius), (x + float(rng.uniform(0.8, 1.8)) * radius, hip),
        (x - float(rng.uniform(0.8, 1.8)) * radius, hip),
    ]  # fmt: skip
    for way in (-1, 1):
        a, b = (round(x + way * 0.5 * radius), round(hip)), (round(x + way * 0.7 * radius), round(hip + scale))
        cv2.line(ink, a, b, legs, max(1, round(0.6 * radius)), cv2.LINE_AA)
    cv2.fillPoly(ink, [np.rint(np.array(body)).astype(np.int32)], dark, cv2.LINE_AA)
    axes = (max(1, round(0.75 * radius)), max(1, round(radius)))
    cv2.ellipse(ink, (round(x), round(head)), axes, 0, 0, 360, face, -1, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), float(rng.uniform(0.3, 2.0))), np.float32)


def _silhouette(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """A dark profile, in an oval or on the bare paper."""
    ink = np.full((high, wide), float(rng.uniform(0.0, 0.3)), np.float32)
    middle = (wide // 2, round(high * 0.46))
    if rng.random() < 0.6:
        axes = (round(wide * 0.42), round(high * 0.38))
        cv2.ellipse(ink, middle, axes, 0, 0, 360, float(rng.uniform(0.1, 0.5)), -1, cv2.LINE_AA)
    turns = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    bumps = sum(float(rng.normal(0, 0.12)) * np.cos(k * turns + float(rng.uniform(0, 6))) for k in range(2, 7))
    reach = (1 + np.asarray(bumps)) * 0.24 * wide
    outline = np.column_stack([middle[0] + reach * np.cos(turns), middle[1] + 1.25 * reach * np.sin(turns)])
    cv2.fillPoly(ink, [np.rint(outline).astype(np.int32)], float(rng.uniform(0.8, 1.0)), cv2.LINE_AA)
    bust = [[0.2 * wide, 0.8 * high], [0.42 * wide, 0.58 * high], [0.58 * wide, 0.58 * high], [0.8 * wide, 0.8 * high]]
    cv2.fillPoly(ink, [np.rint(np.array(bust)).astype(np.int32)], float(rng.uniform(0.8, 1.0)), cv2.LINE_AA)
    return ink


def _line_drawing(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """Curves of a pen, some filled with hatching."""
    ink = np.zeros((high, wide), np.float32)
    for _ in range(int(rng.integers(6, 22))):
        points = np.cumsum(rng.normal(0, 0.09, (9, 2)), axis=0) + rng.uniform(0.2, 0.8, 2)
        smooth = cv2.resize(points.astype(np.float32), (2, 60), interpolation=cv2.INTER_CUBIC) * (wide, high)
        line, thick = np.rint(smooth).astype(np.int32), int(rng.integers(1, 3))
        cv2.polylines(ink, [line], bool(rng.random() < 0.3), float(rng.uniform(0.5, 1)), thick, cv2.LINE_AA)
    for _ in range(int(rng.integers(0, 4))):
        x, y, reach = (int(v) for v in rng.uniform(0.1, 0.9, 3) * (wide, high, 0.3 * wide))
        for step in range(0, max(reach, 2), max(2, round(wide * 0.02))):
            cv2.line(ink, (x + step, y), (x + step - reach // 2, y + reach), 0.6, 1, cv2.LINE_AA)
    return ink


def _map(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """Heights by their contours, a net, places with their names."""
    hills = cv2.resize(rng.normal(0, 1, (6, 5)).astype(np.float32), (wide, high), interpolation=cv2.INTER_CUBIC)
    steps = np.floor(hills * float(rng.uniform(2, 6)))
    ink = np.asarray((cv2.morphologyEx(steps, cv2.MORPH_GRADIENT, np.ones((2, 2), np.uint8)) > 0) * 0.7, np.float32)
    ink += np.float32(0.25) * (hills < float(rng.uniform(-1.5, 0)))
    for x in np.linspace(0, wide, int(rng.integers(2, 7)))[1:-1]:
        cv2.line(ink, (round(x), 0), (round(x), high), 0.5, 1)
    for _ in range(int(rng.integers(2, 9))):
        place = (int(rng.integers(wide)), int(rng.integers(high)))
        cv2.circle(ink, place, max(1, wide // 60), 1.0, -1, cv2.LINE_AA)
        ink = np.maximum(ink, _type("osk", (place[0] + 3, place[1]), wide / 600, (high, wide)))
    return np.clip(ink, 0, 1)


def _ornament(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """Frames one in the other, rosettes in the corners, a monogram."""
    ink = np.full((high, wide), float(rng.choice([0.0, 0.15, 0.6])), np.float32)
    for share in sorted(rng.uniform(0.02, 0.3, int(rng.integers(1, 4)))):
        inset, tone = round(float(share) * wide), float(rng.uniform(0.3, 1.0))
        cv2.rectangle(ink, (inset, inset), (wide - 1 - inset, high - 1 - inset), tone, int(rng.integers(1, 4)))
    for x in (0.12, 0.88):
        for y in (0.08, 0.92):
            cv2.circle(ink, (round(x * wide), round(y * high)), max(2, wide // 14), float(rng.uniform(0.3, 1)), -1)
    scale, letter = wide / 60, str(rng.choice(list("ABEGHKMRS")))
    place = (round(0.5 * wide - 10 * scale), round(0.5 * high + 10 * scale))
    return np.maximum(ink, _type(letter, place, scale, (high, wide)))


def _lettered(high: int, wide: int, rng: np.random.Generator) -> Ink:
    """A trade card: lines of words, large and small, in a frame."""
    ink = _words(high, wide, rng, int(rng.integers(3, 9)))
    if rng.random() < 0.6:
        inset = round(float(rng.uniform(0.03, 0.1)) * wide)
        cv2.rectangle(ink, (inset, inset), (wide - 1 - inset, high - 1 - inset), 0.9, int(rng.integers(1, 3)))
    return ink


def _words(high: int, wide: int, rng: np.random.Generator, lines: int) -> Ink:
    """So many lines of invented words, each in the middle."""
    sheet = Image.new("L", (wide, high), 0)
    pen, room = ImageDraw.Draw(sheet), high / (lines + 0.3)
    for number in range(lines):
        body = max(5, round(room * float(rng.uniform(0.45, 0.9))))
        letters = list("aeioubdfglmnrstv")
        word = " ".join("".join(rng.choice(letters, int(rng.integers(3, 8)))) for _ in range(2)).title()
        type_ = ImageFont.load_default(body)
        while type_.getlength(word) > 0.92 * wide and len(word) > 3:
            word = word[:-1]
        pen.text(((wide - type_.getlength(word)) / 2, room * (number + 0.1)), word, fill=255, font=type_)
    return np.asarray(np.asarray(sheet, np.float32) / 255, np.float32)


def _type(words: str, place: tuple[int, int], scale: float, shape: tuple[int, int]) -> Ink:
    letters = np.zeros(shape, np.uint8)
    cv2.putText(letters, words, place, cv2.FONT_HERSHEY_COMPLEX, scale, 230, max(1, round(scale)), cv2.LINE_AA)
    return np.asarray(letters.astype(np.float32) / 255, np.float32)


def _any(some: Sequence[tuple[int, int, int]], rng: np.random.Generator) -> tuple[int, int, int]:
    return some[int(rng.integers(len(some)))]


KINDS: dict[str, Callable[[int, int, np.random.Generator], Ink]] = {
    "figure": _figure, "silhouette": _silhouette, "drawing": _line_drawing, "map": _map, "ornament": _ornament,
    "words": _lettered,
}  # fmt: skip
SHARES = (0.45, 0.12, 0.14, 0.09, 0.1, 0.1)
