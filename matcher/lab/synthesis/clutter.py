"""What else lies on a desk: books, prints, screens, keyboards, sheets, plain boards, tiles, boxes, shirts, cups, hands.

A size in mm, props and an rng in, a picture with cover (h, w, 4) uint8 out, seen from above; none of it is a card.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.backdrops import colour, newsprint, rectangles
from matcher.lab.synthesis.surfaces import surface
from matcher.lab.synthesis.textures import clouds

Picture = NDArray[np.uint8]
Levels = NDArray[np.float32]

PX_PER_MM = 3.0
"""Of what is drawn; it is looked at from far."""


@dataclass(frozen=True)
class Thing:
    """layer: (h, w, 4) uint8 RGB and cover at `PX_PER_MM`; high: it throws a shadow."""

    layer: Picture
    high: bool = True

    @property
    def size_mm(self) -> tuple[float, float]:
        return self.layer.shape[1] / PX_PER_MM, self.layer.shape[0] / PX_PER_MM


def thing(kind: str, pictures: Sequence[Picture], rng: np.random.Generator) -> Thing:
    """One of `THINGS`; pictures: (h, w, 3) RGB that covers and prints may show."""
    low, high = SIZES[kind]
    long = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    short = long * float(rng.uniform(0.5, 0.95)) if kind != "pencil" else long * float(rng.uniform(0.03, 0.1))
    wide, tall = (long, short) if rng.random() < 0.4 else (short, long)
    columns, rows = round(wide * PX_PER_MM), round(tall * PX_PER_MM)
    drawn = THINGS[kind](max(rows, 8), max(columns, 8), pictures, rng)
    if drawn.shape[2] == 3:
        drawn = np.dstack([drawn, np.full(drawn.shape[:2], 255, np.float32)])
    return Thing(np.clip(drawn, 0, 255).astype(np.uint8), kind not in ("label", "marks"))


def _plain(rows: int, columns: int, rng: np.random.Generator, low: float = 15, high: float = 245) -> Levels:
    spread = float(rng.choice([3, 12, 45]))
    worn = 1 + float(rng.choice([0, 0.02, 0.05])) * clouds(rows, columns, rng, 4, 4)
    return np.asarray(colour(rng, low, high, spread) * worn[..., None], np.float32)


def _book(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A cover: frames, panels, a picture, words, a spine."""
    cover = _plain(rows, columns, rng)
    if rng.random() < 0.5:
        cover[:, : max(2, round(columns * float(rng.uniform(0.03, 0.1))))] *= float(rng.uniform(0.6, 0.95))
    for _ in range(int(rng.integers(1, 4))):
        box = _box_in(rows, columns, rng)
        kind = rng.random()
        if kind < 0.35:
            _into(cover, box, _any(pictures, rng))
        elif kind < 0.65:
            cover[box[1] : box[3], box[0] : box[2]] = colour(rng, 15, 245, 30)
        else:
            ink = colour(rng, 15, 245, 30).tolist()
            cv2.rectangle(cover, box[:2], box[2:], ink, int(rng.integers(1, 4)), cv2.LINE_AA)
    return _lettered(cover, rng)


def _print(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A photograph of today, in colour, with a rim or without."""
    rim = 0 if rng.random() < 0.4 else max(1, round(min(rows, columns) * float(rng.uniform(0.02, 0.1))))
    sheet = _plain(rows, columns, rng, 215, 252)
    _into(sheet, (rim, rim, columns - rim, rows - rim), _any(pictures, rng))
    return sheet


def _screen(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A telephone, a tablet or a screen: a dark body, a bright page of panels, pictures and lines."""
    body = np.asarray(np.full((rows, columns, 3), rng.uniform(5, 60)), np.float32)
    rim = max(1, round(min(rows, columns) * float(rng.uniform(0.02, 0.1))))
    x0, y0, x1, y1 = rim, rim, columns - rim, rows - rim
    body[y0:y1, x0:x1] = colour(rng, 180, 252, 6) if rng.random() < 0.7 else colour(rng, 10, 60, 6)
    inside = body[y0:y1, x0:x1]
    for _ in range(int(rng.integers(2, 9))):
        box = _box_in(inside.shape[0], inside.shape[1], rng)
        if rng.random() < 0.4:
            _into(inside, box, _any(pictures, rng))
        else:
            inside[box[1] : box[3], box[0] : box[2]] = colour(rng, 20, 245, 30)
    _lettered(inside, rng)
    return _rounded(body, float(rng.uniform(0, 0.12)))


def _keyboard(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    del pictures
    board = _plain(rows, columns, rng)
    pitch = max(4, round(min(rows, columns) / float(rng.integers(3, 7))))
    key, gap = colour(rng, 15, 245, 6).tolist(), max(1, pitch // 8)
    for y in range(gap, rows - pitch, pitch):
        for x in range(gap + int(rng.integers(0, pitch)), columns - pitch, pitch):
            cv2.rectangle(board, (x, y), (x + pitch - 2 * gap, y + pitch - 2 * gap), key, -1)
    return board


def _sheet(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A page of a paper or a letter, a form of ruled boxes, or nothing on it."""
    kind = rng.random()
    if kind < 0.35:
        picture = _any(pictures, rng) if rng.random() < 0.5 else None
        return newsprint(rows, columns, PX_PER_MM, rng, picture).astype(np.float32)
    if kind < 0.55:
        return surface("text", rows, columns, PX_PER_MM, rng).astype(np.float32)
    page = _plain(rows, columns, rng, 205, 252)
    if kind < 0.8:
        ink = colour(rng, 20, 150, 10).tolist()
        for _ in range(int(rng.integers(2, 8))):
            box = _box_in(rows, columns, rng)
            cv2.rectangle(page, box[:2], box[2:], ink, 1)
        _lettered(page, rng)
    return page


def _board(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A plain card, slip, box or mat of a card's size and shape, on which nothing is printed."""
    del pictures
    return _plain(rows, columns, rng)


def _marks(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """An outline drawn or chalked on the table, nothing in it."""
    del pictures
    seen = np.zeros((rows, columns, 4), np.float32)
    ink = colour(rng, 15, 250, 20).tolist()
    thick = int(rng.integers(1, 5))
    cv2.rectangle(seen, (thick, thick), (columns - 1 - thick, rows - 1 - thick), [*ink, 255], thick, cv2.LINE_AA)
    return seen


def _field(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    del pictures
    return rectangles(rows, columns, PX_PER_MM, rng).astype(np.float32)


def _tiles(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """Tiles or a chequered board, joints between them; some bear a picture."""
    wide, high = (max(6, round(min(rows, columns) * float(rng.uniform(0.15, 0.6)))) for _ in range(2))
    high = wide if rng.random() < 0.5 else high
    wall, joint = _plain(rows, columns, rng), max(1, round(wide * float(rng.uniform(0.01, 0.08))))
    tones = [colour(rng, 20, 245, 12) for _ in range(int(rng.integers(1, 4)))]
    pictured = float(rng.choice([0.0, 0.0, 0.3]))
    for row, y in enumerate(range(0, rows, high)):
        for column, x in enumerate(range(0, columns, wide)):
            box = (x + joint, y + joint, min(x + wide, columns), min(y + high, rows))
            if rng.random() < pictured:
                _into(wall, box, _any(pictures, rng))
            else:
                wall[box[1] : box[3], box[0] : box[2]] = tones[(row + column) % len(tones)] + rng.normal(0, 3)
    return wall


def _box(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """A carton from above: flaps that meet, tape along them, a label with words, a picture of what is in it."""
    lid = _plain(rows, columns, rng)
    seam = columns // 2
    lid[:, seam - 1 : seam + 1] *= 0.6
    if rng.random() < 0.6:
        half = max(2, round(columns * float(rng.uniform(0.04, 0.12))))
        lid[:, seam - half : seam + half] += (colour(rng, 120, 245, 25) - lid[:, seam - half : seam + half]) * 0.6
    for _ in range(int(rng.integers(0, 3))):
        box = _box_in(rows, columns, rng)
        if rng.random() < 0.4:
            _into(lid, box, _any(pictures, rng))
        else:
            lid[box[1] : box[3], box[0] : box[2]] = colour(rng, 190, 252, 8)
            _lettered(lid[box[1] : box[3], box[0] : box[2]], rng)
    return lid


def _shirt(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """Cloth on which a picture is printed, in its own colours or one ink, its edge sharp or lost in the cloth."""
    cloth = _plain(rows, columns, rng)
    folds = clouds(rows, columns, rng, 5, 2)
    x0, y0, x1, y1 = _box_in(rows, columns, rng)
    printed, cover = cloth.copy(), np.zeros((rows, columns), np.float32)
    _into(printed, (x0, y0, x1, y1), _any(pictures, rng))
    if rng.random() < 0.5:
        grey = printed.mean(axis=2, keepdims=True) / 255
        printed = np.asarray(cloth + (colour(rng, 5, 250, 25) - cloth) * (1 - grey), np.float32)
    cover[y0:y1, x0:x1] = float(rng.uniform(0.4, 1.0))
    cover = np.asarray(cv2.GaussianBlur(cover, (0, 0), float(rng.choice([0.5, 1.0, 4.0]))), np.float32)
    seen = cloth + (printed - cloth) * cover[..., None]
    return np.asarray(seen * (1 + 0.12 * folds)[..., None], np.float32)


def _cup(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    del pictures
    seen = np.dstack([_plain(rows, columns, rng), np.zeros((rows, columns), np.float32)])
    cover = np.zeros((rows, columns), np.float32)
    middle, axes = (columns // 2, rows // 2), (columns // 2 - 1, rows // 2 - 1)
    cv2.ellipse(cover, middle, axes, 0, 0, 360, 255, -1, cv2.LINE_AA)
    for share in (float(rng.uniform(0.6, 0.95)), float(rng.uniform(0.3, 0.6))):
        inner = (max(1, int(axes[0] * share)), max(1, int(axes[1] * share)))
        tone = [*colour(rng, 15, 245, 20).tolist(), 0.0]
        cv2.ellipse(seen, middle, inner, 0, 0, 360, tone, -1, cv2.LINE_AA)
    seen[..., 3] = cover
    return seen


def _hand(rows: int, columns: int, pictures: Sequence[Picture], rng: np.random.Generator) -> Levels:
    """Fingers and the back of a hand, round and soft."""
    del pictures
    skin = np.array([(228, 178, 150), (205, 150, 120), (162, 112, 84), (112, 76, 58)][int(rng.integers(4))], np.float32)
    cover = np.zeros((rows, columns), np.float32)
    palm = (columns // 2, round(rows * 0.7))
    cv2.ellipse(cover, palm, (round(columns * 0.32), round(rows * 0.3)), 0, 0, 360, 255, -1, cv2.LINE_AA)
    for number in range(int(rng.integers(2, 6))):
        tip = (round(columns * (0.2 + 0.15 * number)), round(rows * float(rng.uniform(0.03, 0.3))))
        cv2.line(cover, (round((tip[0] + palm[0]) / 2), palm[1]), tip, 255, max(4, round(columns * 0.12)), cv2.LINE_AA)
    inside = cv2.GaussianBlur(cover, (0, 0), max(1.0, columns * 0.04)) / 255
    tone = 0.5 + 0.5 * inside + 0.03 * clouds(rows, columns, rng, 8, 4)
    return np.asarray(np.dstack([skin * tone[..., None], cover]), np.float32)


def _any(pictures: Sequence[Picture], rng: np.random.Generator) -> Picture:
    return pictures[int(rng.integers(len(pictures)))]


def _box_in(rows: int, columns: int, rng: np.random.Generator) -> tuple[int, int, int, int]:
    wide, high = (max(3, round(side * float(rng.uniform(0.15, 0.85)))) for side in (columns, rows))
    x, y = int(rng.integers(0, max(1, columns - wide))), int(rng.integers(0, max(1, rows - high)))
    return x, y, x + wide, y + high


def _into(sheet: Levels, box: tuple[int, int, int, int], picture: Picture) -> None:
    x0, y0, x1, y1 = box
    part = sheet[y0:y1, x0:x1]
    if min(part.shape[:2]) > 1:
        part[:] = cv2.resize(picture, part.shape[1::-1], interpolation=cv2.INTER_AREA)


def _lettered(sheet: Levels, rng: np.random.Generator) -> Levels:
    """A few lines of words, of which from far only strokes are seen."""
    rows, columns = sheet.shape[:2]
    ink = colour(rng, 10, 245, 20).tolist()
    for _ in range(int(rng.integers(0, 6))):
        size = max(2, round(rows * float(rng.uniform(0.01, 0.07))))
        x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
        end = min(columns, x + int(rng.integers(size, max(size + 1, columns))))
        while x < end:
            wide = int(rng.integers(1, 2 + size))
            cv2.rectangle(sheet, (x, y), (x + wide, y + size), ink, -1)
            x += wide + 1 + size // 3
    return sheet


def _rounded(sheet: Levels, share: float) -> Levels:
    rows, columns = sheet.shape[:2]
    radius = round(share * min(rows, columns))
    cover = np.full((rows, columns), 255, np.float32)
    if radius > 1:
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
        dx = np.maximum(radius - np.minimum(x, columns - 1 - x), 0)
        dy = np.maximum(radius - np.minimum(y, rows - 1 - y), 0)
        cover = np.clip((radius + 0.5 - np.hypot(dx, dy)) * 255, 0, 255).astype(np.float32)
    return np.dstack([sheet, cover])


THINGS: dict[str, Callable[[int, int, Sequence[Picture], np.random.Generator], Levels]] = {
    "book": _book, "print": _print, "screen": _screen, "keyboard": _keyboard, "sheet": _sheet, "board": _board,
    "marks": _marks, "field": _field, "cup": _cup, "hand": _hand, "pencil": _board,
    "tiles": _tiles, "box": _box, "shirt": _shirt,
}  # fmt: skip

SIZES: dict[str, tuple[float, float]] = {
    "book": (60, 240), "print": (50, 200), "screen": (70, 260), "keyboard": (80, 300), "sheet": (60, 260),
    "board": (25, 130), "marks": (25, 200), "field": (60, 240), "cup": (15, 90), "hand": (90, 190),
    "pencil": (60, 180), "tiles": (80, 300), "box": (60, 260), "shirt": (80, 300),
}  # fmt: skip
"""Longer side in mm, at the scale in which every card is about 63 mm high."""
