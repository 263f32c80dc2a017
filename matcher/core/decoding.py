"""A lazy Pillow image in, its pixels out: 8 bits, sRGB, upright, reduced; a strip at a time, so that memory is bounded.

Besides what Pillow holds of the picture itself, at most the result and one strip are in memory, whatever the mode:
200 million pixels of 32-bit floats take 0.8 GB and 0.2 GB, not three copies of 64-bit floats.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

STRIP_ROWS = 256

Convert = Callable[[Image.Image], Image.Image]

_SRGB = ImageCms.createProfile("sRGB")

_TURNS: dict[int, Callable[[Any], Any]] = {
    2: lambda pixels: cv2.flip(pixels, 1),
    3: lambda pixels: cv2.flip(pixels, -1),
    4: lambda pixels: cv2.flip(pixels, 0),
    5: cv2.transpose,
    6: lambda pixels: cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE),
    7: lambda pixels: cv2.flip(cv2.transpose(pixels), -1),
    8: lambda pixels: cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
"""What sets a picture upright, by its EXIF orientation (tag 0x0112, CIPA DC-008)."""

ORIENTATION = 0x0112
_DEPTHS = (8, 10, 12, 14, 16, 24, 32)
"""Bits of a sample that cameras and scanners write."""


def decoded(image: Image.Image, reduced: int) -> NDArray[np.uint8]:
    """(height, width, 3) uint8 sRGB, upright; every `reduced` x `reduced` pixels of the file made one, by their mean.

    Raises what Pillow raises for a broken picture, and MemoryError.
    """
    image.load()
    turn = _TURNS.get(orientation_of(image))
    pixels = _in_strips(image, reduced)
    return pixels if turn is None else np.asarray(turn(pixels), np.uint8)


def orientation_of(image: Image.Image) -> int:
    """As the file states it; 1, upright, where its notes are broken: they do not break the picture."""
    try:
        return int(image.getexif().get(ORIENTATION, 1))
    except (SyntaxError, ValueError, TypeError, KeyError, IndexError, OSError, struct.error):
        return 1


def _in_strips(image: Image.Image, reduced: int) -> NDArray[np.uint8]:
    convert = _converter(image)
    size = (-(-image.height // reduced), -(-image.width // reduced), 3)
    out: NDArray[np.uint8] = np.empty(size, np.uint8)
    for top, strip in _strips(image, STRIP_ROWS * reduced):
        shown = convert(strip)
        rows = np.asarray(shown.reduce(reduced) if reduced > 1 else shown, np.uint8)
        out[top // reduced : top // reduced + len(rows)] = rows
    return out


def _strips(image: Image.Image, rows: int) -> Iterator[tuple[int, Image.Image]]:
    for top in range(0, image.height, rows):
        yield top, image.crop((0, top, image.width, min(image.height, top + rows)))


def _converter(image: Image.Image) -> Convert:
    """What makes RGB of a strip: one tone range and one colour transform for the whole picture."""
    if image.mode.startswith("I") or image.mode == "F":
        top, in_grey = _top(image), _profiled("L", image)
        return lambda strip: in_grey(_eight_bit(strip, top))
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or (image.mode == "P" and "transparency" in image.info):
        in_colour = _profiled("RGB", image)
        return lambda strip: _on_white(strip.convert("RGBA"), in_colour)
    if image.mode == "P":
        in_colour = _profiled("RGB", image)
        return lambda strip: in_colour(strip.convert("RGB"))
    return _profiled(image.mode, image)


def _on_white(strip: Image.Image, in_colour: Convert) -> Image.Image:
    shown = Image.new("RGB", strip.size, "white")
    shown.paste(in_colour(strip.convert("RGB")), mask=strip.getchannel("A"))
    return shown


def _top(image: Image.Image) -> float:
    """What counts as white: by the depth that the brightest sample needs; floats are of 0 to 1 where none is above.

    So 12 bits in a file of 16 are as bright as they were, and a scan of 16 bits that holds no bright tone at all would
    be brightened, as nobody could tell it from one.
    """
    highest = 0.0
    for _, strip in _strips(image, STRIP_ROWS):
        values = np.asarray(strip)
        highest = max(highest, float(np.nanmax(np.where(np.isfinite(values), values, 0))))
    if image.mode == "F" and highest <= 1.0:
        return 1.0
    return next((float(2**bits - 1) for bits in _DEPTHS if highest <= 2**bits - 1), highest)


def _eight_bit(strip: Image.Image, top: float) -> Image.Image:
    """Grey of any depth to 8 bits (Pillow would clip)."""
    values = np.nan_to_num(np.asarray(strip, np.float32), nan=0.0, posinf=top, neginf=0.0)
    return Image.fromarray(np.clip(values * np.float32(255.0 / top), 0, 255).astype(np.uint8))


def _profiled(mode: str, image: Image.Image) -> Convert:
    """From strips of this mode to sRGB by the picture's own colour profile, if it has one that can be read."""
    stored = image.info.get("icc_profile")
    if stored and mode in ("RGB", "CMYK", "L", "LAB"):
        try:
            profile: Any = ImageCms.ImageCmsProfile(io.BytesIO(stored))
            transform = ImageCms.buildTransform(profile, _SRGB, mode, "RGB")
        except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
            pass  # a broken profile, or one of other colours, is common in the wild: what it means cannot be known
        else:
            return lambda strip: _transformed(strip, transform)
    return lambda strip: strip if strip.mode == "RGB" else strip.convert("RGB")


def _transformed(strip: Image.Image, transform: Any) -> Image.Image:
    made = ImageCms.applyTransform(strip, transform)
    assert made is not None  # only a transform in place gives nothing
    return made
