"""Picture files opened, not yet decoded: bytes in, a lazy Pillow image of one page out, within limits.

Pillow opens what it knows; HEIC and PDF need an extra of the package (`platekin[heic]`, `platekin[pdf]`). Nothing is
decoded before format, size and number of pages have been accepted.
"""

from __future__ import annotations

import importlib
import io
import struct
import zlib
from typing import Any

from PIL import Image, UnidentifiedImageError

from matcher.core.errors import UnreadablePhoto
from matcher.core.shared_settings import PhotoLimits

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP", "GIF")
DAMAGED = (
    OSError, SyntaxError, ValueError, EOFError, TypeError, IndexError, KeyError, OverflowError, MemoryError,
    ZeroDivisionError, AttributeError, NotImplementedError, struct.error, zlib.error, Image.DecompressionBombError,
    Image.DecompressionBombWarning,
)  # fmt: skip
"""What decoders raise over broken files; each was met in the mutation tests or is documented."""

_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"heif")


def open_page(data: bytes, limits: PhotoLimits, name: str, page: int = 0) -> tuple[Image.Image, int]:
    """The page, and by how much it is to be read smaller (1, 2, 4). JPEGs are set to decode so by themselves.

    Raises UnreadablePhoto not_an_image, animated, too_many_pixels, too_small.
    """
    image = _pdf_page(data, limits, name, page) if is_pdf(data) else _open(data, limits, name, page)
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
        document = _document(data, name)
        count = len(document)
        document.close()
    else:
        image = _open(data, limits, name, 0)
        count = _frames(image, name) if image.format == "TIFF" else 1
    if not 1 <= count <= limits.max_pages:
        raise UnreadablePhoto(
            "not_an_image", f"{name}: {count} pages, from 1 to {limits.max_pages} are read", "split the file"
        )
    return count


def is_pdf(data: bytes) -> bool:
    """PDF files say so within their first 1024 bytes (ISO 32000-1, 7.5.2 and its note)."""
    return b"%PDF-" in data[:1024]


def _open(data: bytes, limits: PhotoLimits, name: str, page: int) -> Image.Image:
    # Pillow warns at its limit and refuses only at twice the limit: our own check is the strict one.
    Image.MAX_IMAGE_PIXELS = limits.max_pixels
    formats = (*FORMATS, "HEIF") if _is_heic(data) and _with_heic(name) else FORMATS
    try:
        image = Image.open(io.BytesIO(data), formats=formats)
        if page:
            image.seek(page)
        frames = 1 if image.format == "TIFF" else _frames(image, name)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels(name, "", limits) from None
    except UnidentifiedImageError:
        raise UnreadablePhoto(
            "not_an_image", f"{name}: unsupported picture format", f"use one of {', '.join(FORMATS)}"
        ) from None
    except DAMAGED as error:
        raise UnreadablePhoto("not_an_image", f"{name}: damaged picture header: {error}", "export it again") from None
    # Telephones append a depth or gain map to their JPEGs (Multi-Picture Format, CIPA DC-007), or keep a burst in one
    # HEIC: the first is the photo.
    if frames > 1 and image.format not in ("MPO", "HEIF"):
        raise UnreadablePhoto("animated", f"{name}: an animation of {frames} frames", "save one frame as a JPEG or PNG")
    return image


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


def _with_heic(name: str) -> bool:
    try:
        importlib.import_module("pi_heif").register_heif_opener(thumbnails=False)
    except ImportError:
        raise UnreadablePhoto(
            "not_an_image",
            f"{name}: a HEIC photo; the part that reads them is not installed",
            "pip install 'platekin[heic]', or export a JPEG",
        ) from None
    return True


def _document(data: bytes, name: str) -> Any:
    try:
        pdfium = importlib.import_module("pypdfium2")
    except ImportError:
        raise UnreadablePhoto(
            "not_an_image",
            f"{name}: a PDF; the part that reads them is not installed",
            "pip install 'platekin[pdf]', or export a JPEG or PNG",
        ) from None
    try:
        return pdfium.PdfDocument(data)
    except (pdfium.PdfiumError, *DAMAGED) as error:
        raise UnreadablePhoto(
            "not_an_image", f"{name}: a PDF that cannot be opened: {error}", "export it again"
        ) from None


def _pdf_page(data: bytes, limits: PhotoLimits, name: str, number: int) -> Image.Image:
    """Draw one page at the resolution of the largest picture on it."""
    document = _document(data, name)
    try:
        page = document[number]
        width, height = page.get_size()
        dpi = _picture_dpi(page, limits)
        if width * height * (dpi / 72) ** 2 > limits.max_pixels:
            raise _too_many_pixels(name, "", limits)
        drawn: Image.Image = page.render(scale=dpi / 72).to_pil().convert("RGB")
    except UnreadablePhoto:
        raise
    except (RuntimeError, *DAMAGED) as error:  # PdfiumError is a RuntimeError
        raise UnreadablePhoto(
            "not_an_image", f"{name}: a PDF page that cannot be drawn: {error}", "export it again"
        ) from None
    finally:
        document.close()
    drawn.info["dpi"] = (dpi, dpi)
    return drawn


def _picture_dpi(page: Any, limits: PhotoLimits) -> float:
    """Pixels an inch of the page's largest picture; a usual scan's where there is none, or none that is plausible."""
    best, most = limits.pdf_dpi, 0.0
    for item in page.get_objects(max_depth=3):
        if not hasattr(item, "get_px_size"):
            continue
        left, bottom, right, top = item.get_bounds()
        pixels = item.get_px_size()[0]
        if right > left and (right - left) * (top - bottom) > most:
            most = (right - left) * (top - bottom)
            best = 72 * pixels / (right - left)
    return best if limits.pdf_least_dpi <= best <= limits.pdf_most_dpi else limits.pdf_dpi
