"""Picture files opened, not yet decoded: bytes in, a lazy Pillow image of one page out, within limits.

Pillow opens what it knows, and decodes nothing before format, size and number of pages have been accepted. HEIC and PDF
need an extra of the package (`platekin[heic]`, `platekin[pdf]`), and are drawn in a process of their own (`apart`).
"""

from __future__ import annotations

import io
import struct
import zlib
from contextlib import suppress
from typing import Literal

from PIL import Image, UnidentifiedImageError

from matcher.core import apart
from matcher.core.errors import UnreadablePhoto
from matcher.core.shared_settings import PhotoLimits

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP", "GIF")
DAMAGED = (
    OSError, SyntaxError, ValueError, EOFError, TypeError, IndexError, KeyError, OverflowError, MemoryError,
    ZeroDivisionError, AttributeError, NotImplementedError, struct.error, zlib.error, Image.DecompressionBombError,
    Image.DecompressionBombWarning,
)  # fmt: skip
"""What decoders raise over broken files; each was met in the mutation tests or is documented."""

MOST_SCANS = 500
"""Of a progressive JPEG: each costs a pass over all of the picture. Programs write about ten; libjpeg-turbo's own tests
of broken files stop at 500 too."""

_SCAN = b"\xff\xda"

_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"heif")


def open_page(data: bytes, limits: PhotoLimits, name: str, page: int = 0) -> tuple[Image.Image, int]:
    """The page, and by how much it is to be read smaller (1, 2, 4). JPEGs are set to decode so by themselves.

    Raises UnreadablePhoto not_an_image, animated, too_many_pixels, too_small.
    """
    image = _open(data, limits, name, page)
    width, height = image.size
    if width * height > limits.max_pixels:
        raise _too_many_pixels(name, f" ({width} x {height})", limits)
    if min(width, height) < limits.min_side:
        raise UnreadablePhoto(
            "too_small",
            f"{name}: {width} x {height} pixels, the shorter side must be at least {limits.min_side}",
            "use the original photograph, not a thumbnail",
        )
    reduced = 1
    while width * height > limits.full_size_pixels * reduced**2:
        reduced *= 2
    if reduced > 1 and image.format == "JPEG":
        image.draft(None, (-(-width // reduced), -(-height // reduced)))
    return image, reduced


def page_count(data: bytes, limits: PhotoLimits, name: str) -> int:
    """How many pages a TIFF or PDF has; 1 for anything else.

    Raises UnreadablePhoto not_an_image, also for more pages than the limit; animated, too_many_pixels.
    """
    if is_pdf(data):
        try:
            count = apart.count_pages(data)
        except apart.Undrawable as refused:
            raise _undrawable(refused, "pdf", limits, name) from None
    else:
        image = _open(data, limits, name, 0)
        count = _frames(image, name) if image.format == "TIFF" else 1
    if not 1 <= count <= limits.max_pages:
        raise UnreadablePhoto(
            "not_an_image", f"{name}: {count} pages, from 1 to {limits.max_pages} are read", "split the file"
        )
    return count


def pages_told(data: bytes, limits: PhotoLimits) -> int:
    """Pages of a TIFF or PDF; 1 for anything else, and where they cannot be counted."""
    if not is_pdf(data) and data[:2] not in (b"II", b"MM"):
        return 1
    try:
        return page_count(data, limits, "")
    except UnreadablePhoto:
        return 1


def is_pdf(data: bytes) -> bool:
    """PDF files say so within their first 1024 bytes (ISO 32000-1, 7.5.2 and its note)."""
    return b"%PDF-" in data[:1024]


def _open(data: bytes, limits: PhotoLimits, name: str, page: int) -> Image.Image:
    if is_pdf(data):
        return _drawn_apart(data, "pdf", limits, name, page)
    if _is_heic(data):
        return _drawn_apart(data, "heic", limits, name, page)
    # Pillow warns at its limit and refuses only at twice the limit: our own check is the strict one.
    Image.MAX_IMAGE_PIXELS = limits.max_pixels
    scans = data.count(_SCAN) if data.startswith(b"\xff\xd8") else 0
    if scans > MOST_SCANS:
        why = f"{name}: a JPEG in {scans:,} steps, which no camera and no program writes"
        raise UnreadablePhoto("not_an_image", why, "export it again as a plain JPEG")
    try:
        image = Image.open(io.BytesIO(data), formats=FORMATS)
        if page:
            image.seek(page)
        frames = 1 if image.format == "TIFF" else _frames(image, name)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels(name, "", limits) from None
    except UnidentifiedImageError:
        why = "no picture, its content is text" if _is_text(data) else "unsupported picture format"
        raise UnreadablePhoto("not_an_image", f"{name}: {why}", f"use one of {', '.join(FORMATS)}") from None
    except DAMAGED as error:
        raise UnreadablePhoto("not_an_image", f"{name}: damaged picture header: {error}", "export it again") from None
    # Telephones append a depth or gain map to their JPEGs (Multi-Picture Format, CIPA DC-007): the first is the photo.
    if frames > 1 and image.format != "MPO":
        raise UnreadablePhoto("animated", f"{name}: an animation of {frames} frames", "save one frame as a JPEG or PNG")
    return image


def _is_text(data: bytes) -> bool:
    """Whether it begins as plain text does; the page asks the same of a file before it is sent."""
    return all(32 <= byte < 127 or byte in b"\t\n\r" for byte in data[:64])


def _frames(image: Image.Image, name: str) -> int:
    try:
        return int(getattr(image, "n_frames", 1))
    except DAMAGED as error:
        raise UnreadablePhoto("not_an_image", f"{name}: damaged list of pages: {error}", "export it again") from None


def _too_many_pixels(name: str, size: str, limits: PhotoLimits) -> UnreadablePhoto:
    return UnreadablePhoto(
        "too_many_pixels",
        f"{name}: more pixels{size} than the limit of {limits.max_pixels / 1e6:.0f} million",
        "scan at 300 to 600 dpi, or save it smaller",
    )


def _is_heic(data: bytes) -> bool:
    """ISO/IEC 23008-12: a `ftyp` box whose brand is one of HEIF's."""
    return data[4:8] == b"ftyp" and any(brand in data[8:48] for brand in _HEIC_BRANDS)


def _drawn_apart(data: bytes, kind: Literal["pdf", "heic"], limits: PhotoLimits, name: str, page: int) -> Image.Image:
    """A page of a PDF, or a HEIC photo, drawn in a process of its own."""
    dpi = (limits.pdf_dpi, limits.pdf_least_dpi, limits.pdf_most_dpi)
    try:
        drawn = apart.draw(data, kind, page, limits.max_pixels, dpi)
        image = Image.frombytes(drawn.mode, (drawn.width, drawn.height), drawn.pixels)
    except apart.Undrawable as refused:
        raise _undrawable(refused, kind, limits, name) from None
    except DAMAGED as error:
        raise UnreadablePhoto("not_an_image", f"{name}: cannot be drawn: {error}", "export it again") from None
    if drawn.dpi:
        image.info["dpi"] = (drawn.dpi, drawn.dpi)
    if drawn.profile:
        image.info["icc_profile"] = drawn.profile
    if drawn.exif:
        with suppress(*DAMAGED):  # notes that are broken do not break the picture
            image.getexif().load(drawn.exif)
    return image


def _undrawable(
    refused: apart.Undrawable, kind: Literal["pdf", "heic"], limits: PhotoLimits, name: str
) -> UnreadablePhoto:
    what, instead = {"pdf": ("a PDF", "export a JPEG or PNG"), "heic": ("a HEIC photo", "export a JPEG")}[kind]
    if refused.code == "missing":
        return UnreadablePhoto(
            "not_an_image",
            f"{name}: {what}; the part that reads them is not installed",
            f"pip install 'platekin[{kind}]', or {instead}",
        )
    if refused.code == "too_many_pixels":
        return _too_many_pixels(name, "", limits)
    return UnreadablePhoto(refused.code, f"{name}: {what} that cannot be drawn: {refused.why}", instead)
