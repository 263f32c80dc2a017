"""Facts about a face that bear on how far a match can be trusted: fade, glare, sharpness, size, cut. No grades.

One `Face` (and the outline and scan resolution it came from) in, one `Condition` out, with how uncertain each fact is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_zone
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.geometry import FOCAL, sides, true_ratio
from matcher.core.flatten import Face
from matcher.core.photo import Photo

Floats = NDArray[np.float32]

_THIN = np.s_[::2, ::2]
"""Statistics over the whole picture take every second pixel each way: the rest adds time and nothing else."""


@dataclass(frozen=True)
class ConditionSettings:
    """What the facts are measured by, and where each number comes from."""

    fresh_range: float = 190.0
    """Grey levels between the 2nd and 98th percentile of a fresh, well lit print; measured on drawn cards."""
    white_level: float = 220.0
    least_white: float = 60.0
    """Brightest tone of a well lit photo, grey levels, and the least that a dim one is reckoned by; own choice."""
    smooth_px: float = 1.5
    """Gaussian sigma that takes off grain before tones are measured; own choice."""
    fine_px: tuple[float, float, float] = (1.0, 2.0, 6.0)
    """Gaussian sigmas: detail between the first two is fine, between the last two coarse; own choice."""
    corner_sigma_mm: float = 0.12
    """How far a located corner is off, one standard deviation along each axis; measured on staged scenes."""
    scanner_sigma: float = 0.004
    """By how much a flatbed scanner's stated resolution may err, as a share; own estimate, no source."""
    nearest_focal: float = 0.7
    farthest_focal: float = 1.3
    """Focal lengths, in long sides of the picture, between which telephones and cameras lie; common practice."""
    tiles: tuple[int, int] = (4, 3)
    """Rows and columns of tiles for unevenness, and for the scatter of what the picture gives; own choice."""
    trusted_share: float = 0.4
    """Share of a tile that must be trusted for it to count; own choice."""
    fewest_px: int = 100
    """Trusted pixels of the picture below which contrast and sharpness are said to be 0; own choice."""


@dataclass(frozen=True)
class Condition:
    """What can be measured on one face.

    residual_contrast: 0 to about 1, the picture's tonal range as a share of a fresh print's.
    glare:             share of the face that is burnt out or lies outside the photograph.
    sharpness:         0 to 1, share of the picture's detail that is fine (under about 0.3 mm).
    size_mm:           (width, height) where the scan resolution is known, else None.
    unevenness:        by how much the tonal range changes from one side of the picture to the other, over its mean:
                       fading that came from one side. What is pictured plays into it: see its sigma.
    aspect:            width over height as cut, the tilt taken out; None without an outline.
    off_nominal:       aspect as a share of the nominal one, less 1: below 0 is narrower than nominal (or less trimmed
                       in height).
    off_size_mm:       (width, height) less the nominal size, where the scan resolution is known: below 0 is trimmed.
    off_square:        degrees by which the worst corner misses a right angle, where a flat scan shows it.
    upright, back:     how likely the outline was the right way up by what is seen on the card, and how likely this is
                       its back; None without an outline.
    scale:             "scan" if millimetres come from the scan's resolution, "nominal" if from the card's usual size.
    sigma:             one standard deviation of each of these facts, by name, in its own unit.
    """

    residual_contrast: float
    glare: float
    sharpness: float
    size_mm: tuple[float, float] | None
    unevenness: float = 0.0
    aspect: float | None = None
    off_nominal: float | None = None
    off_size_mm: tuple[float, float] | None = None
    off_square: float | None = None
    scale: str = "nominal"
    upright: float | None = None
    back: float | None = None
    sigma: Mapping[str, float] = field(default_factory=dict)


def residual_contrast(face: Face, settings: ConditionSettings = ConditionSettings()) -> float:
    """The picture's tonal range as a share of a fresh print's, 0 to about 1; 0 where too little may be believed."""
    zone = picture_zone(face.size) & face.trusted
    return _contrast(_smooth(face, settings), zone[_THIN], settings) if int(zone.sum()) > settings.fewest_px else 0.0


def glare(face: Face) -> float:
    """Share of the face, 0 to 1, that is burnt out."""
    return max(0.0, float(1 - face.trusted.mean()) - face.outside)


def condition(
    face: Face,
    photo: Photo | None = None,
    outline: CardQuad | None = None,
    settings: ConditionSettings = ConditionSettings(),
) -> Condition:
    """Measure one face; `photo` and `outline` give its proportions, and its size in mm where the scan tells it."""
    zone = picture_zone(face.size) & face.trusted
    smooth, (fine, coarse), thin = _smooth(face, settings), _bands(face, settings.fine_px), zone[_THIN]
    sharpness = _sharpness((fine, coarse), thin) if int(zone.sum()) > settings.fewest_px else 0.0
    tiles = _tiles(zone, settings)
    unevenness, unevenness_sigma = _unevenness(face, tiles)
    sigma = {
        "residual_contrast": _left_out(lambda part: _contrast(smooth, part, settings), thin, tiles),
        "sharpness": _left_out(lambda part: _sharpness((fine, coarse), part), thin, tiles),
        "unevenness": unevenness_sigma,
        "glare": _rim(face),
    }
    facts = _cut(face, photo, outline, settings, sigma) if photo and outline else _Cut()
    return Condition(
        residual_contrast(face, settings), glare(face), sharpness, facts.size_mm, unevenness, facts.aspect,
        facts.off_nominal, facts.off_size_mm, facts.off_square, "scan" if facts.size_mm else "nominal",
        outline.upright if outline else None, outline.back if outline else None,
        {name: round(value, 4) for name, value in sigma.items()},
    )  # fmt: skip


def _smooth(face: Face, settings: ConditionSettings) -> Floats:
    """The grey without grain, thinned."""
    return np.asarray(cv2.GaussianBlur(face.grey.astype(np.float32), (0, 0), settings.smooth_px), np.float32)[_THIN]


def _contrast(smooth: Floats, zone: NDArray[np.bool_], settings: ConditionSettings) -> float:
    """Tonal range, relative to the brightest tone, so that a dim photo counts as dim and not as faded."""
    low, high = np.percentile(smooth[zone], [2, 98])
    brighter = settings.white_level / max(float(high), settings.least_white)
    return float(min(1.0, (high - low) / settings.fresh_range * brighter))


@dataclass(frozen=True)
class _Tile:
    """A part of the face, and which of its pixels count."""

    rows: slice
    columns: slice
    counts: NDArray[np.bool_]

    def tonal_range(self, face: Face) -> float:
        low, high = np.percentile(face.grey[self.rows, self.columns][self.counts], [5, 95])
        return float(high - low)

    @property
    def place(self) -> tuple[float, float]:
        """Row and column of the middle of what counts."""
        row, column = np.nonzero(self.counts)
        return self.rows.start + float(row.mean()), self.columns.start + float(column.mean())

    def out_of(self, thin: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """The thinned zone without this tile."""
        others = thin.copy()
        rows, columns = (slice(-(-part.start // 2), -(-part.stop // 2)) for part in (self.rows, self.columns))
        others[rows, columns] = False
        return others


def _unevenness(face: Face, tiles: list[_Tile]) -> tuple[float, float]:
    """The trend of the tonal range over the tiles, largest less smallest over mean; and its standard deviation."""
    if len(tiles) < 6:
        return 0.0, 1.0
    ranges = np.array([tile.tonal_range(face) for tile in tiles])
    places = np.array([tile.place for tile in tiles]) / face.size.height
    design = np.column_stack([np.ones(len(tiles)), places])
    fitted = design @ np.linalg.lstsq(design, ranges, rcond=None)[0]
    mean = max(float(ranges.mean()), 1e-3)
    left = float(np.sqrt(((ranges - fitted) ** 2).sum() / (len(tiles) - 3)))
    # A plane's ends are fixed about as well as half of its tiles' mean on either side.
    return float(np.ptp(fitted)) / mean, 2 * left / float(np.sqrt(len(tiles) / 2)) / mean


def _bands(face: Face, sigmas: tuple[float, float, float]) -> tuple[Floats, Floats]:
    """Detail between the first two sigmas and between the last two, thinned; both outlive fading alike."""
    grey = face.grey.astype(np.float32)
    one, two, six = (np.asarray(cv2.GaussianBlur(grey, (0, 0), sigma), np.float32)[_THIN] for sigma in sigmas)
    return one - two, two - six


def _sharpness(bands: tuple[Floats, Floats], zone: NDArray[np.bool_]) -> float:
    """Energy of fine against coarser detail."""
    if not zone.any():
        return 0.0
    fine, coarse = (float(band[zone].std()) for band in bands)
    return float(min(1.0, 2.0 * fine / max(coarse, 1e-6)))


def _tiles(zone: NDArray[np.bool_], settings: ConditionSettings) -> list[_Tile]:
    """The zone in tiles, those left out that are mostly not to be trusted."""
    rows, columns = (
        np.linspace(0, side, count + 1).astype(int) for side, count in zip(zone.shape, settings.tiles, strict=True)
    )
    tiles = [
        _Tile(slice(top, bottom), slice(left, right), zone[top:bottom, left:right])
        for top, bottom in pairwise(rows.tolist())
        for left, right in pairwise(columns.tolist())
    ]
    return [tile for tile in tiles if tile.counts.sum() > settings.trusted_share * tile.counts.size]


def _left_out(measure: Callable[[NDArray[np.bool_]], float], thin: NDArray[np.bool_], tiles: list[_Tile]) -> float:
    """Jackknife (Tukey 1958): how much the measurement scatters as one tile after another is left out."""
    every_second = tiles[::2]
    if len(every_second) < 3:
        return 1.0
    values = np.array([measure(tile.out_of(thin)) for tile in every_second])
    return float(np.sqrt((len(every_second) - 1) * values.var()))


def _rim(face: Face) -> float:
    """Half a pixel along the outline of what is not trusted, as a share of the face."""
    untrusted = (~face.trusted).astype(np.uint8)
    edge = cv2.morphologyEx(untrusted, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    return float(0.25 * edge.sum() / edge.size)


@dataclass(frozen=True)
class _Cut:
    """How the card is cut; None where it is not known."""

    size_mm: tuple[float, float] | None = None
    aspect: float | None = None
    off_nominal: float | None = None
    off_size_mm: tuple[float, float] | None = None
    off_square: float | None = None


def _cut(face: Face, photo: Photo, outline: CardQuad, settings: ConditionSettings, sigma: dict[str, float]) -> _Cut:
    """How the card is cut; `sigma` takes up how uncertain that is."""
    nominal = face.size
    # A side is the mean of two, each from two corners; these are found in pixels, which are larger on a larger card.
    side_sigma = settings.corner_sigma_mm
    wide, high = nominal.card_mm
    noise = side_sigma * float(np.hypot(1 / nominal.width_mm, 1 / nominal.height_mm))
    if not photo.dpi:
        corners = outline.corners[None].astype(np.float64)
        focals = (FOCAL, settings.nearest_focal, settings.farthest_focal)
        aspect, near, far = (float(true_ratio(corners, photo.width, photo.height, f)[0]) for f in focals)
        sigma["aspect"] = float(np.hypot(aspect * noise, abs(near - far) / 2))
        sigma["off_nominal"] = sigma["aspect"] / nominal.aspect
        return _Cut(None, round(aspect, 4), round(aspect / nominal.aspect - 1, 4))
    width, height = _size_mm(photo, outline)
    aspect, side_sigma = width / height, side_sigma * nominal.enlarged
    sigma["size_mm"] = float(np.hypot(side_sigma, settings.scanner_sigma * height))
    sigma["off_size_mm"] = sigma["size_mm"]
    sigma["aspect"] = aspect * float(np.hypot(side_sigma / width, side_sigma / height))
    sigma["off_nominal"] = sigma["aspect"] / nominal.aspect
    sigma["off_square"] = float(np.degrees(np.sqrt(2) * side_sigma / min(width, height)))
    off = (round(width - wide, 2), round(height - high, 2))
    return _Cut(
        (width, height), round(aspect, 4), round(aspect / nominal.aspect - 1, 4), off, _off_square(outline.corners)
    )


def _size_mm(photo: Photo, outline: CardQuad) -> tuple[float, float]:
    top, right, bottom, left = (float(side) for side in sides(outline.corners))
    mm = 25.4 / float(photo.dpi or 1)
    return round((top + bottom) / 2 * mm, 2), round((left + right) / 2 * mm, 2)


def _off_square(corners: NDArray[np.float32]) -> float:
    """Degrees off a right angle at the worst corner."""
    edge = np.roll(corners, -1, axis=0) - corners
    before = -np.roll(edge, 1, axis=0)
    cosine = (edge * before).sum(axis=1) / (np.linalg.norm(edge, axis=1) * np.linalg.norm(before, axis=1))
    return round(float(np.abs(np.degrees(np.arccos(np.clip(cosine, -1, 1))) - 90).max()), 2)
