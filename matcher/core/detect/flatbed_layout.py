"""Many cards on one even ground, as on a scanner's glass: the cards' common scale found first, then every card by it.

What stands out from the lid falls into patches; a patch is one card, or several of one format that touch, in rows.
Cards of the known formats at one scale must account for nearly all patches; with it, rows and columns are cut where
edges run across a whole row. Works where cards touch and no line of the lid is left between them, and needs neither
words nor pictures: backs count too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.scoring import measure
from matcher.core.detect.settings import FlatbedSettings
from matcher.core.shared_settings import FaceSize

Quads = NDArray[np.float32]


@dataclass(frozen=True)
class Patch:
    """Something that stands out from the lid: its mask (h, w) bool turned level, and how to get back to the picture.

    to_picture: (3, 3) from the patch's pixels to the picture's, both counted from the outer corner of the first.
    contour: (k, 1, 2) its outline in the picture, pixel centres.
    """

    mask: NDArray[np.bool_]
    edges: NDArray[np.float32]
    to_picture: NDArray[np.float64]
    contour: NDArray[np.int32]

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) of the mask, pixels of the reduced picture."""
        return int(self.mask.shape[0]), int(self.mask.shape[1])

    def turned(self) -> Patch:
        """The same, turned clockwise by a right angle."""
        back = np.array([[0, 1, 0], [-1, 0, self.shape[0]], [0, 0, 1.0]])
        edges = np.ascontiguousarray(np.rot90(self.edges, -1)[..., ::-1])
        return Patch(np.ascontiguousarray(np.rot90(self.mask, -1)), edges, self.to_picture @ back, self.contour)

    def quad(self, left: float, top: float, right: float, bottom: float) -> NDArray[np.float64]:
        """(4, 2) corners in the picture, reduced pixels, of a rectangle in the patch's."""
        corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        return np.asarray(corners @ self.to_picture[:2, :2].T + self.to_picture[:2, 2])


@dataclass(frozen=True)
class Lid:
    """A picture and how it stands out from the lid it was taken on.

    apart: (h, w) uint8 colour distance to the lid's one colour; threshold: above which something is no lid.
    """

    picture: ReducedImage
    apart: NDArray[np.uint8]
    threshold: int


@dataclass(frozen=True)
class Lying:
    """A format as its cards may lie on the glass; size: as portrait."""

    size: FaceSize
    sideways: bool = False

    @property
    def long_mm(self) -> float:
        """Of the card itself."""
        return self.size.height_mm * self.size.enlarged


@dataclass(frozen=True)
class FlatbedPage:
    """quads: (n, 4, 2) cards in reduced pixels, none where this is no page of two or more; alone: (n,) bool, False for
    cards that touch another; sizes: of each, as portrait.
    heaps: (m, 4, 2) rectangles around what is as large as a card and does not divide into whole ones: cards that lie
    over each other, or something else."""

    quads: Quads
    alone: NDArray[np.bool_]
    sizes: tuple[FaceSize, ...] = ()
    heaps: Quads = field(default_factory=lambda: np.empty((0, 4, 2), np.float32))


def flatbed_quads(
    picture: ReducedImage,
    sizes: FaceSize | Sequence[FaceSize],
    px_per_mm: float | None = None,
    settings: FlatbedSettings = FlatbedSettings(),
) -> FlatbedPage:
    """The cards of a page.

    sizes: of the formats that may lie there, as portrait; cards of several may lie either way.
    px_per_mm: scale of the reduced picture, where the scan's resolution is known. Where it is not, the scale comes
    from cards that lie alone, which most must.
    """
    none = FlatbedPage(np.empty((0, 4, 2), np.float32), np.empty(0, bool))
    sizes = [sizes] if isinstance(sizes, FaceSize) else sizes
    ways = (False, True) if len(sizes) > 1 else (False,)
    lying = [Lying(size, sideways) for size in sizes for sideways in ways]
    lid = lid_of(picture, settings)
    if lid is None:
        return none
    patches = patches_on(lid, settings)
    scale = _common_scale(patches, lying, px_per_mm, settings)
    if scale is None:
        return none
    groups = [_pieces(lid, patch, scale, lying, settings) for patch in patches]
    patches = [piece for group in groups for piece in group]
    lone = [len(group) == 1 for group in groups for _ in group]
    formats = [_format_of(patch, scale, lying) for patch in patches]
    parts = [_cells_lying(*pair, scale, settings) for pair in zip(patches, formats, strict=True)]
    cells = [cell for part in parts for cell in part]
    if len(cells) < 2:
        return none
    quads = np.asarray(cells, np.float32)
    if float(np.median(measure(picture, quads, FaceSize().height_mm).paper)) < settings.paper:
        return none
    alone = np.array([len(part) == 1 and one for part, one in zip(parts, lone, strict=True) for _ in part], bool)
    left = [patch for patch, part in zip(patches, parts, strict=True) if not part]
    heaps = np.array([_whole(patch) for patch in left if _is_heap(patch, scale, lying)], np.float32).reshape(-1, 4, 2)
    of = tuple(one.size for one, part in zip(formats, parts, strict=True) for _ in part)
    return FlatbedPage(quads, alone, of, heaps)


def _pieces(lid: Lid, patch: Patch, scale: float, lying: Sequence[Lying], settings: FlatbedSettings) -> list[Patch]:
    """What a patch without notches falls into further from the lid, where all of that are cards and it is not: a
    cabinet whose shine or shadow reaches a card beside it is as large as a dozen small ones, about."""
    whole = _least_off(patch, scale, lying)
    if len(lying) == 1 or whole < settings.tolerance / 2:
        return [patch]
    parts = _apart_higher(lid, patch.contour, settings)
    closer = bool(parts) and max(_least_off(part, scale, lying) for part in parts) < whole / 2
    return parts if closer else [patch]


def _least_off(patch: Patch, scale: float, lying: Sequence[Lying]) -> float:
    """By how much whole cards of the likeliest format differ from the patch, as a natural logarithm."""
    return min(_off(patch, scale, one) for one in lying)


def _is_heap(patch: Patch, scale: float, lying: Sequence[Lying]) -> bool:
    """Whether it covers more than the smallest card does: a ruler, a slip with a number, a clip do not."""
    smallest = min((scale * one.long_mm) ** 2 * one.size.aspect for one in lying)
    return float(patch.mask.sum()) > smallest


def _whole(patch: Patch) -> NDArray[np.float64]:
    high, wide = patch.shape
    return patch.quad(0, 0, wide, high)


def lid_of(picture: ReducedImage, settings: FlatbedSettings) -> Lid | None:
    """The lid, which has one colour, that of most of the outermost pixels; None where the rim has no one colour."""
    lab, rim = picture.lab, settings.rim_px
    strips = [lab[:rim], lab[-rim:], lab[:, :rim], lab[:, -rim:]]
    ring = np.concatenate([strip.reshape(-1, 1, 3) for strip in strips])
    colour = np.median(ring, axis=(0, 1)).astype(np.uint8)
    apart = _apart(ring, colour)
    near = apart[apart <= 6]
    if len(near) < settings.even * len(ring):
        return None
    return Lid(picture, _apart(lab, colour), max(4, round(float(np.percentile(near, 95))) + 3))


def _apart(lab: NDArray[np.uint8], colour: NDArray[np.uint8]) -> NDArray[np.uint8]:
    apart = cv2.absdiff(lab, np.broadcast_to(colour, lab.shape))
    chroma = cv2.max(np.ascontiguousarray(apart[..., 1]), np.ascontiguousarray(apart[..., 2]))
    return np.asarray(cv2.max(np.ascontiguousarray(apart[..., 0]), cv2.add(chroma, chroma)), np.uint8)


def patches_on(lid: Lid, settings: FlatbedSettings) -> list[Patch]:
    """What stands out from the lid, each piece as one patch, unless it falls into whole ones further from the lid."""
    mask = (lid.apart > lid.threshold).astype(np.uint8)
    found: list[Patch] = []
    for contour in _large(mask):
        patch = _level(lid.picture, contour)
        parts = [] if patch.mask.mean() > settings.whole else _apart_higher(lid, contour, settings)
        found += parts or [patch]
    return found


def _large(mask: NDArray[np.uint8], bridged: bool = True) -> list[NDArray[np.int32]]:
    """The contours of large pieces of a mask (h, w) of 0 and 1. bridged: gaps of two pixels are closed first."""
    least = (0.05 * max(mask.shape)) ** 2
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)) if bridged else mask
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return [np.asarray(c, np.int32) for c in contours if cv2.contourArea(c) > least]


def _apart_higher(lid: Lid, contour: NDArray[np.int32], settings: FlatbedSettings) -> list[Patch]:
    """The whole patches that a piece with notches falls into where more is asked of what stands out; none where it does
    not. A pale card on a black lid shines a few pixels beyond its edge, and so reaches its neighbour; what is lost
    of them must be little: a pale mount on a pale lid is no further from it than shine."""
    inside = np.zeros(lid.apart.shape, np.uint8)
    cv2.drawContours(inside, [contour], -1, 1, -1)
    for times in settings.raised:
        parts = [
            _level(lid.picture, part)
            for part in _large((lid.apart > times * lid.threshold).astype(np.uint8) * inside, bridged=False)
        ]
        kept = sum(float(part.mask.sum()) for part in parts) > settings.whole * float(inside.sum())
        if len(parts) > 1 and kept and all(part.mask.mean() > settings.whole for part in parts):
            return parts
    return []


def _level(picture: ReducedImage, contour: NDArray[np.int32]) -> Patch:
    """Cut a patch out and turn it level, by the nearest right angle."""
    (x, y), (w, h), angle = cv2.minAreaRect(contour)
    while abs(angle) > 45:
        angle, w, h = angle - np.copysign(90, angle), h, w
    cosine, sine = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    width, height = round(w) + 1, round(h) + 1
    turn = np.array([[cosine, -sine, x], [sine, cosine, y], [0, 0, 1]])
    # A contour runs through pixel centres, and so does a warp: half a pixel lies between them and outer corners.
    back = turn @ np.array([[1, 0, -(width - 1) / 2], [0, 1, -(height - 1) / 2], [0, 0, 1]])
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    filled = np.zeros(picture.lab.shape[:2], np.uint8)
    cv2.drawContours(filled, [contour], -1, 255, -1)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    mask = cv2.warpAffine(filled, back[:2], (width, height), flags=flags) > 127
    slope = cv2.warpAffine(picture.slope, back[:2], (width, height), flags=flags)
    turned = np.stack(
        [slope[..., 0] * cosine + slope[..., 1] * sine, slope[..., 1] * cosine - slope[..., 0] * sine], -1
    )
    return Patch(mask, np.minimum(np.abs(turned), 2.0).astype(np.float32), half @ back @ np.linalg.inv(half), contour)


def _common_scale(
    patches: list[Patch], lying: Sequence[Lying], known: float | None, settings: FlatbedSettings
) -> float | None:
    """Pixels a mm by which most of the patches' area divides into whole cards."""
    tolerance = settings.tolerance
    lone = {id(patch): [one for one in lying if _is_one(patch, one, tolerance)] for patch in patches}
    guesses = [known] if known else [_long(patch, one) / one.long_mm for patch in patches for one in lone[id(patch)]]
    if not known and sum(map(bool, lone.values())) < max(2, 0.5 * len(patches)):
        return None
    # Cards that touch lie a little askew, and their patch is larger than they are: as far as `_cells` divides them they
    # count, where the scale is no guess.
    room = 2 * tolerance if known else tolerance
    worth = [(_explained(patches, guess, lying, room), guess) for guess in guesses]
    best = max(worth, default=(0.0, 0.0))
    return best[1] if best[0] > settings.explained else None


def _long(patch: Patch, one: Lying) -> float:
    return float(patch.shape[1] if one.sideways else patch.shape[0])


def _is_one(patch: Patch, one: Lying, tolerance: float) -> bool:
    """Whether a patch has one upright card's shape and fills it, as a card seen straight from above does."""
    high, wide = patch.shape[::-1] if one.sideways else patch.shape
    return bool(abs(np.log(wide / high / one.size.aspect)) < 2 * tolerance and patch.mask.mean() > 0.965)


def _explained(patches: list[Patch], scale: float, lying: Sequence[Lying], tolerance: float) -> float:
    """Share of the patches' area that whole cards at this scale account for; where several formats may lie there,
    less by how much they are off."""
    total = explained = 0.0
    for patch in patches:
        area = float(np.prod(patch.shape))
        total += area
        off = _least_off(patch, scale, lying)
        if off < tolerance:
            explained += area * (1 - off if len(lying) > 1 else 1.0)
    return explained / max(total, 1.0)


def _off(patch: Patch, scale: float, one: Lying) -> float:
    """By how much whole cards differ from the patch, as a natural logarithm, the worse of both ways."""
    high, wide = patch.shape[::-1] if one.sideways else patch.shape
    height = scale * one.long_mm
    rows, columns = high / height, wide / (height * one.size.aspect)
    down, across = max(1, round(rows)), max(1, round(columns))
    return float(max(abs(np.log(rows / down)), abs(np.log(columns / across))))


def _format_of(patch: Patch, scale: float, lying: Sequence[Lying]) -> Lying:
    """What a patch most likely consists of; of what fits equally well, fewer and larger cards."""
    return min(lying, key=lambda one: (round(_off(patch, scale, one), 2), -one.long_mm))


def _cells_lying(patch: Patch, one: Lying, scale: float, settings: FlatbedSettings) -> list[NDArray[np.float64]]:
    return _cells(patch.turned() if one.sideways else patch, scale * one.long_mm, one.size, settings)


def _cells(patch: Patch, height: float, size: FaceSize, settings: FlatbedSettings) -> list[NDArray[np.float64]]:
    """The cards of one patch."""
    high, _ = patch.shape
    rows = round(high / height)
    tolerance = 2 * settings.tolerance
    if rows < 1 or rows > settings.most_rows or abs(np.log(high / height / rows)) > tolerance:
        return []
    mount = settings.mount_mm * height / size.height_mm
    cells = []
    bounds = _cuts(_across(patch.edges[..., 1], 1), 0, high, rows, mount)
    for top, bottom in pairwise(bounds):
        inner = np.s_[round(top + 0.15 * (bottom - top)) : round(bottom - 0.15 * (bottom - top))]
        covered = patch.mask[inner].mean(axis=0) > 0.5
        energy = _across(patch.edges[inner][..., 0], 0)
        for left, right in _runs(covered):
            count = round((right - left) / (height * size.aspect))
            if count < 1 or abs(np.log((right - left) / (height * size.aspect) / count)) > tolerance:
                continue
            sides = _cuts(energy, left, right, count, mount)
            if min(_filled(patch, a, top, b, bottom) for a, b in pairwise(sides)) < settings.least_filled:
                return []  # something else than whole cards, of about their size together
            cells += [patch.quad(a, top, b, bottom) for a, b in pairwise(sides)]
    return cells


def _filled(patch: Patch, left: float, top: float, right: float, bottom: float) -> float:
    """Share of a cell that stands out from the lid."""
    part = patch.mask[round(top) : max(round(bottom), round(top) + 1), round(left) : max(round(right), round(left) + 1)]
    return float(part.mean()) if part.size else 0.0


def _across(edges: NDArray[np.float32], axis: int) -> NDArray[np.float64]:
    """How much of a row (axis 1) or column (axis 0) has an edge along it."""
    return np.asarray(edges.mean(axis=axis), np.float64)


def _cuts(energy: NDArray[np.float64], start: int, end: int, count: int, mount: float) -> list[float]:
    """The start, the best `count - 1` cuts near equal parts, the end."""
    step = (end - start) / count
    reach = 0.06 * step
    places = np.arange(len(energy))
    shifted = [np.interp(places + way * mount, places, energy) for way in (-1, 1)]
    triple = energy + 0.5 * (shifted[0] + shifted[1])
    cuts = [float(start)]
    for number in range(1, count):
        middle = start + number * step
        low, high = max(0, round(middle - reach)), min(len(energy), round(middle + reach) + 1)
        near = triple[low:high] - 0.2 * np.abs(places[low:high] - middle) / max(reach, 1)
        cuts.append(float(low + int(near.argmax())) + 0.5 if len(near) else middle)
    return [*cuts, float(end)]


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    step = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.nonzero(step == 1)[0].tolist(), np.nonzero(step == -1)[0].tolist(), strict=True))
