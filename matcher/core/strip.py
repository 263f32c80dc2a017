"""A picture file in, the same picture out without what the file says of itself: place, device, owner, comments.

JPEG and PNG keep their picture data byte for byte; orientation, colour profile and resolution stay, since they decide
how it is shown. Anything else is kept as a PNG of the same pixels.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator

from PIL import Image

from matcher.core.decoding import ORIENTATION, orientation_of
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo, png_of, read_photo
from matcher.core.shared_settings import PhotoLimits

_KEPT_CHUNKS = (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"pHYs", b"sBIT")
"""Of a PNG (W3C PNG, 5.6): what decides how it looks."""


def stripped(data: bytes, limits: PhotoLimits | None = None, name: str = "photo", page: int = 0) -> bytes:
    """The picture without metadata; the pixels are the same. page: of a TIFF or PDF. Raises UnreadablePhoto."""
    photo = read_photo(data, limits, name, page)
    bare = _jpeg(data) if data.startswith(b"\xff\xd8") else _png(data) if data.startswith(b"\x89PNG") else None
    return bare if bare is not None and _shows(bare, photo, limits) else png_of(photo)


def _shows(bare: bytes, photo: Photo, limits: PhotoLimits | None) -> bool:
    """Whether the picture is still the same, pixel for pixel."""
    try:
        again = read_photo(bare, limits, photo.name)
    except UnreadablePhoto:
        return False
    return again.pixels.shape == photo.pixels.shape and bool((again.pixels == photo.pixels).all())


def _jpeg(data: bytes) -> bytes:
    """ITU-T T.81, B.1.1.3: markers; of the application segments only JFIF, Adobe's and the colour profile stay."""
    parts = [b"\xff\xd8", _turned(data)]
    for marker, segment in _segments(data):
        comment, application = marker == 0xFE, 0xE0 <= marker <= 0xEF
        profile = marker == 0xE2 and segment[4:16] == b"ICC_PROFILE\0"
        if not comment and (not application or marker in (0xE0, 0xEE) or profile):
            parts.append(segment)
    return b"".join(parts)


def _segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """(marker, its bytes) up to the end of the first picture: what a telephone appends is left out."""
    at = 2
    while at + 2 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xD9:
            yield marker, b"\xff\xd9"
            return
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA:  # what follows is coded, up to a marker that is none of a restart
            while end + 1 < len(data) and (data[end] != 0xFF or data[end + 1] == 0 or 0xD0 <= data[end + 1] <= 0xD7):
                end += 1
        yield marker, data[at:end]
        at = end


def _turned(data: bytes) -> bytes:
    """A segment that says how the picture is turned, and nothing else; nothing where it is upright."""
    with Image.open(io.BytesIO(data), formats=("JPEG",)) as image:
        orientation = orientation_of(image)
    if orientation == 1:
        return b""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    told = exif.tobytes()
    return b"\xff\xe1" + struct.pack(">H", len(told) + 2) + told


def _png(data: bytes) -> bytes | None:
    """None where a turn is stated: it stands among the notes that go."""
    parts, at = [data[:8]], 8
    while at + 12 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        if kind == b"eXIf":
            return None
        if kind in _KEPT_CHUNKS:
            parts.append(data[at:end])
        at = end
    return b"".join(parts)
