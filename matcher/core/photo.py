"""Stage 1: bytes or a path in, one `Photo` out: upright, sRGB, within limits, content hash known.

The only place that decodes picture files (`image_files` opens them). Orientation, colour profile, bit depth and alpha
are settled once (`decoding`), so that no later stage has to ask. No other metadata survives.
"""

from __future__ import annotations

import hashlib
import io
import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.core.decoding import decoded
from matcher.core.errors import UnreadablePhoto
from matcher.core.filters import halved
from matcher.core.image_files import DAMAGED, open_page
from matcher.core.ordinary_files import open_ordinary
from matcher.core.shared_settings import PhotoLimits


@dataclass(frozen=True)
class Photo:
    """One decoded picture.

    pixels: (height, width, 3) uint8, RGB in sRGB, upright.
    grey:   (height, width) uint8, Rec. 601 luma of `pixels`, computed once here.
    sha256: of the file's bytes, hexadecimal.
    dpi:    dots per inch if the file states a plausible scan resolution, else None.
    name:   what the user called it; used in messages only.
    reduced: how many pixels of the file, each way, make one of `pixels`; more than 1 only for very large scans.
    """

    pixels: NDArray[np.uint8]
    grey: NDArray[np.uint8]
    sha256: str
    dpi: float | None
    name: str
    reduced: int = 1

    def __post_init__(self) -> None:
        if self.pixels.ndim != 3 or self.pixels.shape[2] != 3 or self.pixels.dtype != np.uint8:
            raise ValueError(f"pixels must be (h, w, 3) uint8, not {self.pixels.shape} {self.pixels.dtype}")
        if self.grey.shape != self.pixels.shape[:2]:
            raise ValueError(f"grey must be {self.pixels.shape[:2]}, not {self.grey.shape}")

    @property
    def width(self) -> int:
        """Pixels."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Pixels."""
        return int(self.pixels.shape[0])

    @cached_property
    def half(self) -> NDArray[np.uint8]:
        """(height // 2, width // 2, 3) uint8: 2 x 2 of `pixels` averaged; an odd last row or column is left out.
        Computed once: the search, the way up and the face all start from it."""
        return halved(self.pixels)

    @classmethod
    def from_pixels(cls, pixels: NDArray[np.uint8], name: str = "array", dpi: float | None = None) -> Photo:
        """Wrap pixels that are already upright RGB (drawn cards, tests)."""
        digest = hashlib.sha256(np.ascontiguousarray(pixels).tobytes()).hexdigest()
        return cls(pixels, to_grey(pixels), digest, dpi, name)


def read_photo(
    source: str | os.PathLike[str] | bytes, limits: PhotoLimits | None = None, name: str | None = None, page: int = 0
) -> Photo:
    """Decode a picture file, or its bytes, into an upright sRGB `Photo`.

    source: the file's path, or the file's content. name: what messages call it; its path, if not given.
    page: which page of a TIFF or PDF, from 0; other files have one only.
    Raises UnreadablePhoto (codes: missing_file, empty_file, file_too_large, not_an_image, truncated,
    too_many_pixels, too_small, animated, too_much_memory) with a message that names the file and a remedy.
    """
    limits = limits or PhotoLimits()
    name = name or _name_of(source)
    data = _checked_bytes(source, limits, name)
    image, reduced = open_page(data, limits, name, page)
    pixels = np.ascontiguousarray(_upright_srgb(image, reduced, name))
    dpi = _scan_resolution(image, limits)
    digest = hashlib.sha256(data).hexdigest()
    return Photo(pixels, to_grey(pixels), digest, dpi / reduced if dpi else None, name, reduced)


def png_of(photo: Photo) -> bytes:
    """The picture as a PNG file of its own, with its resolution; the same pixels give the same bytes."""
    out = io.BytesIO()
    stated = {"dpi": (photo.dpi, photo.dpi)} if photo.dpi else {}
    Image.fromarray(photo.pixels).save(out, "PNG", compress_level=1, **stated)
    return out.getvalue()


def to_grey(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(h, w, 3) RGB uint8 to (h, w) uint8: the one conversion to grey in this package."""
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _name_of(source: str | os.PathLike[str] | bytes) -> str:
    return "photo" if isinstance(source, bytes) else os.fspath(source)


def _checked_bytes(source: str | os.PathLike[str] | bytes, limits: PhotoLimits, name: str) -> bytes:
    data = source if isinstance(source, bytes) else _read_bytes(Path(source), limits, name)
    _check_bytes(data, limits, name)
    return data


def _read_bytes(path: Path, limits: PhotoLimits, name: str) -> bytes:
    """The file, no further than the limit; a pipe or a device, which may have no end, is not even begun."""
    try:
        with open_ordinary(path) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size > limits.max_bytes:
                raise _too_many_bytes(size, limits, name)
            return stream.read(limits.max_bytes + 1)
    except FileNotFoundError:
        raise UnreadablePhoto("missing_file", f"{name}: there is no such file", "check the path") from None
    except IsADirectoryError:
        raise UnreadablePhoto("missing_file", f"{name}: is a folder", "name the files in it") from None
    except PermissionError:
        raise UnreadablePhoto(
            "missing_file", f"{name}: may not be read", "give yourself permission to read it"
        ) from None
    except OSError as error:
        raise UnreadablePhoto("missing_file", f"{name}: {error.strerror}", "check the path and the disk") from None


def _check_bytes(data: bytes, limits: PhotoLimits, name: str) -> None:
    if not data:
        raise UnreadablePhoto("empty_file", f"{name}: the file is empty", "copy or download it again")
    if len(data) > limits.max_bytes:
        raise _too_many_bytes(len(data), limits, name)


def _too_many_bytes(size: int, limits: PhotoLimits, name: str) -> UnreadablePhoto:
    return UnreadablePhoto(
        "file_too_large",
        f"{name}: {size / 1e6:.0f} MB, the limit is {limits.max_bytes / 1e6:.0f} MB",
        "save it as a JPEG at quality 90",
    )


def _upright_srgb(image: Image.Image, reduced: int, name: str) -> NDArray[np.uint8]:
    try:
        return decoded(image, 1 if image.format == "JPEG" else reduced)  # a JPEG's draft has reduced it already
    except MemoryError:
        raise UnreadablePhoto(
            "too_much_memory", f"{name}: it needs more memory than one photo may take", "save it smaller, as a JPEG"
        ) from None
    except DAMAGED as error:
        code = "truncated" if "truncated" in str(error).lower() else "not_an_image"
        told = "it ends too early" if code == "truncated" else str(error)
        raise UnreadablePhoto(
            code, f"{name}: the picture file is incomplete or damaged: {told}", "copy it again"
        ) from None


def _scan_resolution(image: Image.Image, limits: PhotoLimits) -> float | None:
    """Cameras write 72 or 96 whatever they took, so only what a scanner would say is believed."""
    try:
        x, y = (float(v) for v in image.info.get("dpi", (0, 0)))
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return x if limits.scan_least_dpi <= x <= limits.scan_most_dpi and abs(x - y) < 1 else None
