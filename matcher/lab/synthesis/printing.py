"""From a negative to a fresh card: in: grey negative, window, words; out: an RGB card with its silhouette.

As in the old trade: the plate (with its own grain and pinholes) is printed through a window, the lettering
with it; the print is toned, cut by hand and pasted on a mount. What belongs to the plate comes from a seed of
the plate and is the same on all its prints; how this one print was cut and pasted comes from `rng`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.settings import FaceSize
from matcher.lab.synthesis.lettering import Caption, letter
from matcher.lab.synthesis.textures import Field, clouds, grain

SCAN_PX_PER_MM = 300 / 25.4

FRESH_PAPER = (241.0, 229.0, 202.0)
"""RGB of unexposed, fresh paper; ageing measures every tone from it."""

CUT_SIGMA_MM = 0.25
PASTE_SIGMA_MM = 0.05
PASTE_SIGMA_DEGREES = 0.25
BORDER_MM = 0.95
BLEED_MM = 1.0
STRIP_MM = 5.9

_TONES = (
    (0.0, 45, 31, 28),
    (0.22, 84, 61, 51),
    (0.45, 137, 107, 86),
    (0.7, 197, 169, 138),
    (0.88, 230, 212, 181),
)
"""Share of light, then RGB: purple-brown shadows, as gold toning gives."""


@dataclass(frozen=True)
class Crop:
    """Which window of the negative is printed.

    x, y: centre of the window, shares of the negative's sides; moved inwards where it would overhang.
    zoom: 1.0 for the largest window that fits; 1.38 for one 1.38 times smaller.
    """

    x: float = 0.5
    y: float = 0.5
    zoom: float = 1.0

    def __post_init__(self) -> None:
        if not (0 <= self.x <= 1 and 0 <= self.y <= 1 and 1.0 <= self.zoom <= 4.0):
            raise ValueError(f"x and y must be 0..1 and zoom 1..4, not {self}")


@dataclass(frozen=True)
class Card:
    """One card's front, lying flat.

    pixels:    (height, width, 3) uint8 RGB; meaningless where `cover` is 0.
    cover:     (height, width) uint8, 255 where there is card, less at worn corners.
    px_per_mm: scale of both.
    """

    pixels: NDArray[np.uint8]
    cover: NDArray[np.uint8]
    px_per_mm: float

    def __post_init__(self) -> None:
        if self.pixels.ndim != 3 or self.pixels.shape[2] != 3 or self.pixels.dtype != np.uint8:
            raise ValueError(f"pixels must be (h, w, 3) uint8, not {self.pixels.shape} {self.pixels.dtype}")
        if self.cover.shape != self.pixels.shape[:2] or self.cover.dtype != np.uint8:
            raise ValueError(f"cover must be {self.pixels.shape[:2]} uint8, not {self.cover.shape} {self.cover.dtype}")

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.pixels.shape[1] / self.px_per_mm, self.pixels.shape[0] / self.px_per_mm


def print_card(
    negative: NDArray[np.uint8],
    crop: Crop,
    caption: Caption,
    rng: np.random.Generator,
    *,
    plate: int = 0,
    px_per_mm: float = SCAN_PX_PER_MM,
    size: FaceSize | None = None,
) -> Card:
    """Print one fresh card.

    negative: (h, w) uint8 grey, a positive view of the plate, portrait. plate: seed of the plate's own flaws.
    Calls that differ in `rng` only give copies of one variation; in `px_per_mm` only, one and the same copy.
    """
    if negative.ndim != 2 or negative.dtype != np.uint8:
        raise ValueError(f"negative must be (h, w) uint8, not {negative.shape} {negative.dtype}")
    size = size or FaceSize()
    exposure, hardness = _development(rng)
    sheet = _sheet(_flawed(negative, plate), crop, caption, px_per_mm, size)
    sheet = np.clip((sheet - 0.5) * np.float32(hardness) + np.float32(0.5 + exposure), 0, 1)
    return _paste(_toned(sheet), rng, px_per_mm, size)


def where_printed(
    negative: tuple[int, ...],
    crop: Crop,
    caption: Caption,
    rng: np.random.Generator | None,
    *,
    px_per_mm: float = SCAN_PX_PER_MM,
    size: FaceSize | None = None,
) -> NDArray[np.float64]:
    """(3, 3): from mm on the untrimmed card to pixels of its negative, (rows, columns); outer corners count.

    With the `rng` of `print_card`, that very copy's place, however it was cut; without, that of a perfect cut.
    """
    size = size or FaceSize()
    width_mm, height_mm, strip_mm = _picture_mm(caption, size)
    rows, columns = round(height_mm * px_per_mm), round(width_mm * px_per_mm)
    x0, y0, step = _placed_window(negative, crop, width_mm, height_mm, px_per_mm)
    above = round(strip_mm * px_per_mm) if caption.style == "top" else 0
    sheet = (rows + round(strip_mm * px_per_mm), columns)
    if rng is None:
        middle = np.array([sheet[1], sheet[0]]) / 2
        move = np.column_stack([np.eye(2), np.array([size.width_mm, size.height_mm]) * px_per_mm / 2 - middle])
    else:
        _development(rng)
        _, move = _cut(sheet, rng, px_per_mm, size)
    to_negative = np.array([[step, 0, x0], [0, step, y0 - step * above], [0, 0, 1.0]])
    to_card = np.vstack([move, [0, 0, 1.0]])
    return np.asarray(to_negative @ np.linalg.inv(to_card) @ np.diag([px_per_mm, px_per_mm, 1.0]))


def _development(rng: np.random.Generator) -> tuple[float, float]:
    """Exposure and hardness of one print."""
    return float(rng.normal(0.0, 0.025)), float(rng.normal(1.0, 0.03))


@lru_cache(maxsize=4)
def _flaws(plate: int, height: int, width: int) -> tuple[Field, Field]:
    """A plate's grain (standard deviation 1), and its pinholes and dust: 0 clear, 1 white, -1 black."""
    rng = np.random.default_rng([plate, 71])
    texture = grain(height, width, rng, 0.9 * width / 900)
    specks = np.zeros((height, width), np.float32)
    for _ in range(int(rng.integers(5, 14))):
        centre = (int(rng.integers(0, width)), int(rng.integers(0, height)))
        radius = max(1, round(float(rng.uniform(0.8, 2.4)) * width / 900))
        cv2.circle(specks, centre, radius, float(rng.choice([0.9, -0.8])), -1, cv2.LINE_AA)
    return texture, specks


def _flawed(negative: NDArray[np.uint8], plate: int) -> Field:
    """The negative as 0..1 float32 with grain (strongest in the middle tones) and pinholes."""
    view = negative.astype(np.float32) * np.float32(1 / 255)
    texture, specks = _flaws(plate, *negative.shape)
    strength = 0.012 + 0.016 * np.clip(1 - 2 * np.abs(view - 0.45), 0, 1)
    return np.asarray(np.clip(view + texture * strength + specks, 0.01, 0.99), np.float32)


def _sheet(view: Field, crop: Crop, caption: Caption, scale: float, size: FaceSize) -> Field:
    """The uncut print with `BLEED_MM` on every side: picture and lettering, 0..1."""
    width_mm, height_mm, strip_mm = _picture_mm(caption, size)
    picture = _window(view, crop, width_mm, height_mm, scale)
    if caption.style == "plate":
        return letter(picture, caption, scale, BLEED_MM)
    bleed, strip = round(BLEED_MM * scale), round(strip_mm * scale)
    blank = np.full((strip + bleed, picture.shape[1]), 0.955, np.float32)
    inner = picture[:-bleed] if caption.style == "below" else picture[bleed:]
    parts = [inner, blank] if caption.style == "below" else [blank, inner]
    edge = len(parts[0])
    sheet = letter(np.vstack(parts), caption, scale, BLEED_MM)
    half = max(1, round(0.06 * scale))
    sheet[edge - half : edge + half] = np.minimum(sheet[edge - half : edge + half], 0.38)
    return sheet


def _picture_mm(caption: Caption, size: FaceSize) -> tuple[float, float, float]:
    """Width and height of the uncut picture, bleed included, and of the blank strip beside it."""
    strip = {"below": STRIP_MM, "top": 0.75 * STRIP_MM, "plate": 0.0}[caption.style]
    around = 2 * (BLEED_MM - BORDER_MM)
    return size.width_mm + around, size.height_mm - strip + around, strip


def _placed_window(
    view: tuple[int, ...], crop: Crop, width_mm: float, height_mm: float, scale: float
) -> tuple[float, float, float]:
    """Left and top of the crop's window, pixels of the (rows, columns) view, and view pixels a print pixel."""
    rows, columns = view
    per_mm = min(columns / width_mm, rows / height_mm) / crop.zoom
    half_width, half_height = per_mm * width_mm / 2, per_mm * height_mm / 2
    x = float(np.clip(crop.x * columns, half_width, columns - half_width))
    y = float(np.clip(crop.y * rows, half_height, rows - half_height))
    return x - half_width, y - half_height, per_mm / scale


def _window(view: Field, crop: Crop, width_mm: float, height_mm: float, scale: float) -> Field:
    """Enlarge or reduce the crop's window of the view to width x height mm at `scale` px/mm."""
    x0, y0, step = _placed_window(view.shape, crop, width_mm, height_mm, scale)
    if step > 1.2:  # average what the smaller print cannot show
        view = np.asarray(cv2.GaussianBlur(view, (0, 0), 0.42 * step), np.float32)
    target = (round(width_mm * scale), round(height_mm * scale))
    # Pixel centres are at halves in the print, and counted from zero by the warp.
    inverse = np.array([[step, 0, x0 + step / 2 - 0.5], [0, step, y0 + step / 2 - 0.5]], np.float64)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    window = cv2.warpAffine(view, inverse, target, flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(window, np.float32)


def _toned(sheet: Field) -> NDArray[np.uint8]:
    """0..1 to the colours of a fresh, gold-toned albumen print, (h, w, 3) uint8 RGB."""
    stops = np.array([*_TONES, (1.0, *FRESH_PAPER)], np.float64)
    levels = np.linspace(0, 1, 256)
    table = np.stack([np.interp(levels, stops[:, 0], stops[:, c]) for c in (1, 2, 3)], axis=1)
    grey = np.rint(sheet * 255).astype(np.uint8)
    lookup = np.rint(table).astype(np.uint8).reshape(1, 256, 3)
    return np.asarray(cv2.LUT(np.repeat(grey[..., None], 3, axis=2), lookup), np.uint8)


def _paste(sheet: NDArray[np.uint8], rng: np.random.Generator, scale: float, size: FaceSize) -> Card:
    """Cut the print by hand and paste it on its mount."""
    width, height = round(size.width_mm * scale), round(size.height_mm * scale)
    cut, move = _cut(sheet.shape[:2], rng, scale, size)
    turn = move[:, :2].copy()
    mask = np.zeros((height, width), np.uint8)
    placed = (cut @ turn.T + move[:, 2] - 0.5) * 16
    cv2.fillConvexPoly(mask, np.rint(placed).astype(np.int32), 255, cv2.LINE_AA, 4)
    move[:, 2] += turn @ np.array([0.5, 0.5]) - 0.5
    flags, size_px = cv2.INTER_CUBIC, (width, height)
    laid = cv2.warpAffine(sheet, move, size_px, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    pixels = _over_mount(np.asarray(laid, np.uint8), mask, rng, scale)
    return Card(pixels, np.full((height, width), 255, np.uint8), scale)


def _cut(
    sheet: tuple[int, ...], rng: np.random.Generator, scale: float, size: FaceSize
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The corners of the cut on a sheet of (rows, columns), and its way to the mount, (2, 3); outer corners count."""
    width, height = round(size.width_mm * scale), round(size.height_mm * scale)
    left, top, right, bottom = np.clip(rng.normal(0, CUT_SIGMA_MM, 4), -0.75, 0.75) * scale
    skew = rng.normal(0, 0.08, 4) * scale
    shift = rng.normal(0, PASTE_SIGMA_MM, 2) * scale
    angle = np.radians(rng.normal(0, PASTE_SIGMA_DEGREES))
    bleed, rows, columns = BLEED_MM * scale, *sheet
    x0, y0, x1, y1 = bleed + left, bleed + top, columns - bleed + right, rows - bleed + bottom
    cut = np.array([[x0, y0 + skew[0]], [x1 + skew[1], y0], [x1, y1 + skew[2]], [x0 + skew[3], y1]])
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[cosine, -sine], [sine, cosine]])
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    move = np.hstack([turn, (np.array([width, height]) / 2 + shift - turn @ middle)[:, None]])
    return cut, move


def _over_mount(
    laid: NDArray[np.uint8], mask: NDArray[np.uint8], rng: np.random.Generator, scale: float
) -> NDArray[np.uint8]:
    """Lay the print on the mount; its edge throws a thin shadow to the lower right."""
    height, width = mask.shape
    board = np.array(FRESH_PAPER) - rng.uniform(3, 20) * np.array([0.7, 1.0, 1.5])
    mottle = clouds(400, 230, rng, 9, 4)[..., None] * np.float32(1.6) + board.astype(np.float32)
    mount = cv2.resize(np.clip(mottle, 0, 255).astype(np.uint8), (width, height), interpolation=cv2.INTER_LINEAR)
    alpha = mask.astype(np.float32) * np.float32(1 / 255)
    step = max(1, round(0.1 * scale))
    thrown = cv2.GaussianBlur(np.roll(alpha, (step, step), (0, 1)), (0, 0), 0.13 * scale)
    shade = 1 - np.float32(0.3) * np.asarray(thrown, np.float32)
    mount = cv2.multiply(mount, cv2.merge([shade, shade, shade]), dtype=cv2.CV_8U)
    return np.asarray(cv2.blendLinear(laid, np.asarray(mount, np.uint8), alpha, 1 - alpha), np.uint8)
