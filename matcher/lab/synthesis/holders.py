"""What a card is kept in: top-loader, rigid holder with a label, page of pockets, album page; in mm round the card.

Each holder gives what lies under the card and what lies over it, as a picture with cover (h, w, 4) uint8 over a box
in world mm; the card itself is laid between the two. All names on labels are made up of syllables.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.backdrops import colour
from matcher.lab.synthesis.textures import clouds

Box = tuple[float, float, float, float]
"""x0, y0, x1, y1 in world mm, the card's middle at the origin."""

PX_PER_MM = 9.0


@dataclass(frozen=True)
class Holder:
    """under, over: (h, w, 4) uint8 RGB and cover, at `PX_PER_MM` over `box`."""

    under: NDArray[np.uint8]
    over: NDArray[np.uint8]
    box: Box


def top_loader(size_mm: tuple[float, float], rng: np.random.Generator) -> Holder:
    """A stiff clear sleeve, open at the top: two bright long sides, a round notch, haze, streaks."""
    left, right, bottom = rng.uniform(2.0, 9.0, 3)
    box = _around(size_mm, left, float(rng.uniform(3, 14)), right, bottom)
    haze = float(rng.uniform(0.03, 0.10))
    over = _film(box, rng, haze)
    _rim(over, 0.0, float(rng.uniform(0.8, 1.8)), float(rng.uniform(60, 170)))
    return Holder(_clear(box), over, box)


def labelled_holder(size_mm: tuple[float, float], rng: np.random.Generator) -> Holder:
    """A thick rigid holder: clear or frosted rim round the card, a paper label with print above it."""
    side, foot, head = float(rng.uniform(5, 12)), float(rng.uniform(5, 12)), float(rng.uniform(20, 30))
    box = _around(size_mm, side, head, side + float(rng.normal(0, 1)), foot)
    under = _clear(box)
    under[..., :3] = colour(rng, 200, 245, 5).astype(np.uint8) if rng.random() < 0.4 else 225
    under[..., 3] = round(float(rng.choice([20, 60, 255])))
    over = _film(box, rng, float(rng.uniform(0.02, 0.07)))
    _rim(over, 0.0, float(rng.uniform(0.6, 1.6)), float(rng.uniform(60, 160)))
    gap = float(rng.uniform(0.4, 2.0))
    _well(over, size_mm, box, gap, float(rng.uniform(30, 120)), rng)
    _label(over, box, head - float(rng.uniform(3, 8)), rng)
    return Holder(under, over, box)


def pocket_page(size_mm: tuple[float, float], rng: np.random.Generator) -> Holder:
    """One sheet of welded pockets, larger than the card on all sides; the card lies in the middle one."""
    pocket = (size_mm[0] + float(rng.uniform(3, 26)), size_mm[1] + float(rng.uniform(3, 24)))
    box = (-1.5 * pocket[0] - 4, -1.5 * pocket[1] - 4, 1.5 * pocket[0] + 4, 1.5 * pocket[1] + 4)
    over = _film(box, rng, float(rng.uniform(0.02, 0.08)))
    weld = float(rng.uniform(50, 160))
    for i in range(4):
        x, y = (-1.5 + i) * pocket[0], (-1.5 + i) * pocket[1]
        _line(over, box, (x, box[1]), (x, box[3]), weld, float(rng.uniform(0.5, 2.0)))
        _line(over, box, (box[0], y), (box[2], y), weld, float(rng.uniform(0.5, 2.0)))
    return Holder(_clear(box), over, box)


def album_page(size_mm: tuple[float, float], rng: np.random.Generator) -> Holder:
    """A leaf of an album, its edges about the card, and paper corners over the card's own corners."""
    margins = rng.uniform(12, 60, 4)
    box = _around(size_mm, *(float(m) for m in margins))
    under = _clear(box)
    rows, columns = under.shape[:2]
    leaf = colour(rng, 30, 225, 8) * (1 + 0.04 * clouds(rows, columns, rng, 4, 4))[..., None]
    under[..., :3] = np.clip(leaf, 0, 255).astype(np.uint8)
    under[..., 3] = 255
    over = _clear(box)
    paper, reach = colour(rng, 20, 230, 6), float(rng.uniform(4, 9))
    half = np.array(size_mm) / 2
    for sx in (-1, 1):
        for sy in (-1, 1):
            tip = np.array([sx, sy]) * (half + rng.uniform(0.2, 0.9))
            corner = np.array([tip, tip - [sx * reach, 0], tip - [0, sy * reach]])
            points = np.rint((corner - box[:2]) * PX_PER_MM * 16).astype(np.int32)
            cv2.fillConvexPoly(over, points, (*(float(c) for c in paper), 255.0), cv2.LINE_AA, 4)
    return Holder(under, over, box)


def _around(size_mm: tuple[float, float], left: float, top: float, right: float, bottom: float) -> Box:
    half_width, half_height = size_mm[0] / 2, size_mm[1] / 2
    return -half_width - left, -half_height - top, half_width + right, half_height + bottom


def _clear(box: Box) -> NDArray[np.uint8]:
    rows, columns = round((box[3] - box[1]) * PX_PER_MM), round((box[2] - box[0]) * PX_PER_MM)
    return np.zeros((rows, columns, 4), np.uint8)


def _film(box: Box, rng: np.random.Generator, haze: float) -> NDArray[np.uint8]:
    """A white veil with a few slanting streaks of light."""
    film = _clear(box)
    rows, columns = film.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32) / np.float32(PX_PER_MM)
    turn = float(rng.uniform(0.3, 1.3))
    across = x * np.cos(turn) + y * np.sin(turn)
    share = np.full((rows, columns), haze, np.float32)
    for _ in range(int(rng.integers(0, 4))):
        middle, half = float(rng.uniform(0, across.max())), float(rng.uniform(0.5, 6.0))
        share += float(rng.uniform(0.05, 0.3)) * np.exp(-(np.abs((across - middle) / half) ** 3))
    film[..., :3] = 250
    film[..., 3] = np.clip(share * 255, 0, 230).astype(np.uint8)
    return film


def _rim(over: NDArray[np.uint8], inset: float, width: float, strength: float) -> None:
    rows, columns = over.shape[:2]
    near, thick = round((inset + width / 2) * PX_PER_MM), max(1, round(width * PX_PER_MM))
    veil = np.zeros((rows, columns), np.uint8)
    cv2.rectangle(veil, (near, near), (columns - 1 - near, rows - 1 - near), strength, thick, cv2.LINE_AA)
    over[..., 3] = np.maximum(over[..., 3], veil)


def _well(
    over: NDArray[np.uint8],
    size_mm: tuple[float, float],
    box: Box,
    gap: float,
    strength: float,
    rng: np.random.Generator,
) -> None:
    """The recess that holds the card: a thin line round it, light or dark."""
    x0, y0 = -size_mm[0] / 2 - gap, -size_mm[1] / 2 - gap
    tone = float(rng.choice([250, 40]))
    for a, b in (((x0, y0), (-x0, y0)), ((-x0, y0), (-x0, -y0)), ((-x0, -y0), (x0, -y0)), ((x0, -y0), (x0, y0))):
        _line(over, box, a, b, strength, float(rng.uniform(0.15, 0.5)), tone)


def _line(
    over: NDArray[np.uint8],
    box: Box,
    start: tuple[float, float],
    end: tuple[float, float],
    strength: float,
    width: float,
    tone: float = 250.0,
) -> None:
    a, b = (tuple(round((p[i] - box[i]) * PX_PER_MM) for i in (0, 1)) for p in (start, end))
    veil = np.zeros(over.shape[:2], np.uint8)
    cv2.line(veil, (a[0], a[1]), (b[0], b[1]), strength, max(1, round(width * PX_PER_MM)), cv2.LINE_AA)
    stronger = veil > over[..., 3]
    over[stronger, :3] = round(tone)
    over[..., 3] = np.maximum(over[..., 3], veil)


def _label(over: NDArray[np.uint8], box: Box, height: float, rng: np.random.Generator) -> None:
    """A printed slip in the upper part, with a coloured band, words and a row of bars."""
    rows, columns = round(height * PX_PER_MM), over.shape[1]
    inset = round(3 * PX_PER_MM)
    slip = Image.new("RGB", (columns - 2 * inset, rows), tuple(int(c) for c in colour(rng, 200, 250, 8)))
    pen = ImageDraw.Draw(slip)
    ink = tuple(int(c) for c in colour(rng, 10, 110, 25))
    if rng.random() < 0.6:
        pen.rectangle((0, 0, slip.width, rows // 5), fill=ink)
    for line in range(3):
        words = " ".join("".join(rng.choice(list("bdfglmnoprstuvea"), 5)) for _ in range(2)).title()
        pen.text((10, rows * (0.24 + 0.24 * line)), words, fill=ink, font=ImageFont.load_default(max(8, rows // 6)))
    x = round(slip.width * 0.6)
    while x < slip.width - 10:
        thick = int(rng.integers(1, 5))
        pen.rectangle((x, rows * 0.6, x + thick, rows * 0.9), fill=(20, 20, 20))
        x += thick + int(rng.integers(2, 6))
    over[inset : inset + rows, inset : inset + slip.width, :3] = np.asarray(slip)
    over[inset : inset + rows, inset : inset + slip.width, 3] = 240


HOLDERS = {
    "toploader": top_loader,
    "labelled": labelled_holder,
    "pockets": pocket_page,
    "album": album_page,
}
