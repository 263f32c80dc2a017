"""From a card to a phone photo: in: a `Card` and a `Scene`; out: the picture, and the card's true corners.

The order is that of the light: table, card, sleeve, lamp, lens, sensor. Brightness factors act on stored
(gamma-coded) values, which for a power law is the same as on light itself.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.lab.synthesis.camera import Camera, Maps, Window, moved, rectangle
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.props import SLEEVE_PX_PER_MM, contact_shadow, glare, hold, light, sleeve
from matcher.lab.synthesis.scene import Scene
from matcher.lab.synthesis.surfaces import surface
from matcher.lab.synthesis.textures import Field, tiled

_BAND = 192
"""Rows developed at once: small enough to stay in the processor's cache."""


@dataclass(frozen=True)
class Shot:
    """One photo, upright.

    pixels:  (height, width, 3) uint8 RGB.
    corners: (4, 2) float64, TL TR BR BL of the card when it is read upright, in pixels of the upright photo,
             (0, 0) the outer corner of the first one. Worn corners count as if they were whole.
    """

    pixels: NDArray[np.uint8]
    corners: NDArray[np.float64]


def photograph(card: Card, scene: Scene, rng: np.random.Generator, *, beside: Card | None = None) -> Shot:
    """Take a photo of one card, or of one with another beside it."""
    camera = Camera.over(scene, card.size_mm)
    outline = rectangle(card.size_mm)
    picture = _table(camera, scene, rng)
    if beside is not None:
        lay(picture, camera, beside, _placed_beside(card, beside, rng), rng)
    lay(picture, camera, card, np.eye(3), rng)
    if scene.sleeve:
        _cover_with_sleeve(picture, camera, card.size_mm, rng)
    if scene.thumb is not None:
        hold(picture, camera, outline, scene.thumb, rng)
    lamp = glare(camera, outline, scene.glare, rng)
    picture = developed(picture, light(camera, scene.shadow, rng), lamp, scene, rng)
    return Shot(picture, camera.project(outline))


def needed_px_per_mm(scene: Scene, size_mm: tuple[float, float], most: float = 26.0) -> float:
    """At which scale to print a card for this scene; beyond `most`, the negatives hold no more detail."""
    camera = Camera.over(scene, size_mm)
    return float(np.clip(max(camera.px_per_mm([c]) for c in rectangle(size_mm)), 6.0, most))


def write_photo(shot: Shot, scene: Scene) -> bytes:
    """The JPEG file: pixels stored turned as the scene's EXIF orientation says, with the tag."""
    stored = Image.fromarray(np.ascontiguousarray(stored_as(shot.pixels, scene.orientation)))
    exif = Image.Exif()
    exif[0x0112] = scene.orientation
    buffer = io.BytesIO()
    stored.save(buffer, "JPEG", quality=scene.quality, exif=exif)
    return buffer.getvalue()


def stored_as(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """An upright picture as a camera would store it under an EXIF orientation (CIPA DC-008, tag 0x0112)."""
    flipped = pixels[:, ::-1] if orientation in (2, 4, 5, 7) else pixels
    turns = {1: 0, 2: 0, 3: 2, 4: 2, 5: 1, 6: 1, 7: 3, 8: 3}[orientation]
    return np.rot90(flipped, turns)


def _table(camera: Camera, scene: Scene, rng: np.random.Generator) -> NDArray[np.uint8]:
    """The whole frame, filled with the surface."""
    return table(camera, lambda rows, columns, scale: surface(scene.surface, rows, columns, scale, rng, scene.font))


def table(camera: Camera, drawn: Callable[[int, int, float], NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """The whole frame, filled with what `drawn(rows, columns, px_per_mm)` gives as seen from above."""
    size = (float(camera.width), float(camera.height))
    seen = camera.world(rectangle(size, (size[0] / 2, size[1] / 2)))
    low, extent = seen.min(axis=0), np.ptp(seen, axis=0)
    budget = float(np.clip(0.6 * camera.width * camera.height, 0.8e6, 2.5e6))
    scale = min(camera.px_per_mm(), float(np.sqrt(budget / extent.prod())))
    rows, columns = int(extent[1] * scale) + 2, int(extent[0] * scale) + 2
    texture = drawn(rows, columns, scale)
    to_texture = np.array([[scale, 0, -low[0] * scale], [0, scale, -low[1] * scale], [0, 0, 1]])
    maps = camera.sampling((0, 0, camera.width, camera.height), to_texture)
    return sampled(texture, maps, cv2.BORDER_REFLECT)


def lay(
    picture: NDArray[np.uint8],
    camera: Camera,
    card: Card,
    placed: NDArray[np.float64],
    rng: np.random.Generator,
) -> None:
    """Lay a card on the table, in place; placed: (3, 3), mm from the card's middle to world mm."""
    outline = moved(placed, rectangle(card.size_mm))
    shadow = contact_shadow(camera, outline, rng)
    # Beyond 8 mm nothing of the shadow is left.
    around = camera.window(outline, 8 * camera.px_per_mm())
    if around is not None:
        _darken(picture, shadow, around)
    window = camera.window(outline)
    if window is None:
        return
    pixels, cover, scale = _reduced(card, camera)
    middle = np.array([[scale, 0, pixels.shape[1] / 2], [0, scale, pixels.shape[0] / 2], [0, 0, 1]])
    maps = camera.sampling(window, middle @ np.linalg.inv(placed))
    top = sampled(pixels, maps, cv2.BORDER_REPLICATE)
    alpha = sampled(cover, maps, cv2.BORDER_CONSTANT)
    x0, y0, x1, y1 = window
    blend(picture[y0:y1, x0:x1], top, alpha)


def sampled(texture: NDArray[np.uint8], maps: Maps, border: int) -> NDArray[np.uint8]:
    # Two plain maps: with an empty second one OpenCV 5.0 can loop for ever in a reflected border.
    found = cv2.remap(texture, *maps, cv2.INTER_LINEAR, borderMode=border)
    return np.asarray(found, np.uint8)


def _reduced(card: Card, camera: Camera) -> tuple[NDArray[np.uint8], NDArray[np.uint8], float]:
    """The card at no more than 1.3 times the photo's scale, so that sampling it does not alias."""
    share = 1.3 * camera.px_per_mm() / card.px_per_mm
    if share >= 1:
        return card.pixels, card.cover, card.px_per_mm
    height, width = (max(2, round(side * share)) for side in card.cover.shape)
    pixels = cv2.resize(card.pixels, (width, height), interpolation=cv2.INTER_AREA)
    cover = cv2.resize(card.cover, (width, height), interpolation=cv2.INTER_AREA)
    scale = card.px_per_mm * height / card.cover.shape[0]
    return np.asarray(pixels, np.uint8), np.asarray(cover, np.uint8), scale


def blend(below: NDArray[np.uint8], above: NDArray[np.uint8], alpha: NDArray[np.uint8]) -> None:
    """Lay `above` over `below`, in place, band by band."""
    for y in range(0, len(below), _BAND):
        band = np.s_[y : y + _BAND]
        share = alpha[band].astype(np.float32) * np.float32(1 / 255)
        below[band] = cv2.blendLinear(above[band], below[band], share, 1 - share)


def _darken(picture: NDArray[np.uint8], factor: Field, window: Window) -> None:
    """Multiply one window of the picture by a small soft field of the whole frame, in place, band by band."""
    x0, y0, x1, y1 = window
    field = factor if factor.ndim == 3 else cv2.merge([factor, factor, factor])
    for y in range(y0, y1, _BAND):
        part = picture[y : min(y + _BAND, y1), x0:x1]
        grown = _grown(np.asarray(field, np.float32), (x0, y, x1, y + len(part)), picture)
        part[:] = cv2.multiply(part, grown, dtype=cv2.CV_8U)


def _grown(field: Field, window: Window, picture: NDArray[np.uint8]) -> Field:
    """One window of a small field of the whole frame, enlarged to the picture's pixels."""
    x0, y0, x1, y1 = window
    across, down = field.shape[1] / picture.shape[1], field.shape[0] / picture.shape[0]
    to_small = np.array([[across, 0, (x0 + 0.5) * across - 0.5], [0, down, (y0 + 0.5) * down - 0.5]], np.float64)
    flags, size = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, (x1 - x0, y1 - y0)
    grown = cv2.warpAffine(field, to_small, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grown, np.float32)


def _placed_beside(card: Card, beside: Card, rng: np.random.Generator) -> NDArray[np.float64]:
    """Left or right of the card, a few mm away, a little askew."""
    side = float(rng.choice([-1.0, 1.0]))
    apart = (card.size_mm[0] + beside.size_mm[0]) / 2 + float(rng.uniform(4, 9))
    angle = float(np.radians(rng.normal(0, 2.5)))
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine, side * apart], [sine, cosine, float(rng.normal(0, 4))], [0, 0, 1]])


def _cover_with_sleeve(
    picture: NDArray[np.uint8], camera: Camera, size_mm: tuple[float, float], rng: np.random.Generator
) -> None:
    """Put the sheen of a clear sleeve over card and table, in place."""
    sheen, (x0, y0, x1, y1) = sleeve(size_mm, rng)
    window = camera.window(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    if window is None:
        return
    scale = SLEEVE_PX_PER_MM
    maps = camera.sampling(window, np.array([[scale, 0, -x0 * scale], [0, scale, -y0 * scale], [0, 0, 1]]))
    alpha = sampled(sheen, maps, cv2.BORDER_CONSTANT)
    part = picture[window[1] : window[3], window[0] : window[2]]
    blend(part, np.full_like(part, 252), alpha)


def developed(
    picture: NDArray[np.uint8], factor: Field, lamp: Field, scene: Scene, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Light, reflection, defocus, exposure, white balance and noise of the sensor."""
    warm = np.array([1 + 0.07 * scene.warmth, 1.0, 1 - 0.12 * scene.warmth], np.float32)
    gains = warm * np.float32(2 ** (scene.exposure / 2.2))
    height, width = picture.shape[:2]
    _darken(picture, factor[..., None] * gains, (0, 0, width, height))
    if scene.glare > 0:
        _reflect(picture, lamp)
    if scene.blur > 0:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), scene.blur), np.uint8)
    return _noisy(picture, scene.noise, rng)


def _reflect(picture: NDArray[np.uint8], lamp: Field) -> None:
    """Add a lamp's reflection, a small field of shares of white, where there is any, in place."""
    height, width = picture.shape[:2]
    rows = np.nonzero(lamp.max(axis=1) > 0.002)[0]
    y0, y1 = (int(r * height / len(lamp)) for r in (rows[0], rows[-1] + 1))
    for y in range(y0, y1, _BAND):
        part = picture[y : min(y + _BAND, y1)]
        share = np.minimum(_grown(lamp, (0, y, width, y + len(part)), picture), 1)
        part[:] = cv2.blendLinear(np.full_like(part, 255), part, share, 1 - share)


def _noisy(picture: NDArray[np.uint8], sigma: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Sensor noise, slightly smoothed as telephones do; from one tile, repeated."""
    if sigma <= 0:
        return picture
    tile = rng.standard_normal((512, 512, 3), dtype=np.float32)
    tile = np.asarray(cv2.GaussianBlur(tile, (0, 0), 0.6), np.float32)
    levels = np.clip(128 + tile * np.float32(8 * sigma / tile.std()), 0, 255).astype(np.uint8)
    noise = tiled(levels, *picture.shape[:2])
    return np.asarray(cv2.addWeighted(picture, 1.0, noise, 1 / 8, -16.0), np.uint8)
