"""PDF and HEIC drawn in a process of their own: bytes in, pixels out; whatever the file does, it does there.

Both are drawn by large libraries of native code (PDFium, libheif), and a PDF may hold programs. The process is started
for one file, gets its bytes and nothing else, may use so much memory and time and write no file, and is ended when its
time is over. Run as a script it is that process; it imports nothing of ours, so that it starts in a tenth of a second.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL import Image

SECONDS = 15.0
"""Of processor time, and twice that by the clock; a page of 139 million pixels takes 4 s."""

SPARE_BYTES = 1_500_000_000
"""Of address space besides the pixels: libraries, and what a page is drawn from."""

BYTES_A_PIXEL = 12
"""The library's own picture of 4 bytes a pixel, Pillow's, and the copy that is sent."""


class Undrawable(Exception):
    """The file cannot be drawn, and why. code: 'not_an_image', 'too_many_pixels', 'too_much_memory', 'missing'."""

    def __init__(self, code: str, why: str) -> None:
        super().__init__(code, why)
        self.code = code
        self.why = why


@dataclass(frozen=True)
class Drawn:
    """mode, width, height, pixels: as Pillow's `frombytes` takes them. info: profile, resolution; exif: as stored."""

    mode: str
    width: int
    height: int
    pixels: bytes
    dpi: float | None
    profile: bytes
    exif: bytes


def draw(
    data: bytes, kind: str, page: int, most_pixels: int, dpi: tuple[float, float, float] = (300, 72, 1200)
) -> Drawn:
    """kind: 'pdf' or 'heic'. page: of a PDF, from 0. dpi: of a page without pictures; the least and the most believed.

    Raises Undrawable.
    """
    head, rest = _asked({"want": kind, "page": page, "most_pixels": most_pixels, "dpi": dpi}, data, most_pixels)
    cut, exif = head["profile"], head["exif"]
    profile, exif_data, pixels = rest[:cut], rest[cut : cut + exif], rest[cut + exif :]
    return Drawn(head["mode"], head["width"], head["height"], pixels, head["dpi"], profile, exif_data)


def count_pages(data: bytes) -> int:
    """How many pages a PDF has. Raises Undrawable."""
    head, _ = _asked({"want": "pages"}, data, 0)
    return int(head["pages"])


def _asked(order: dict[str, Any], data: bytes, most_pixels: int) -> tuple[dict[str, Any], bytes]:
    memory = SPARE_BYTES + BYTES_A_PIXEL * most_pixels
    line = json.dumps({**order, "memory": memory, "seconds": SECONDS}).encode() + b"\n"
    if find_spec(_LIBRARIES[order["want"]]) is None:
        raise Undrawable("missing", order["want"])
    command = [sys.executable, "-P", str(Path(__file__))]  # -P: what lies beside this file is not to be imported
    try:
        done = subprocess.run(command, input=line + data, capture_output=True, timeout=2 * SECONDS, check=False)
    except subprocess.TimeoutExpired:
        raise Undrawable("not_an_image", f"it was not drawn within {2 * SECONDS:g} s") from None
    head, _, rest = done.stdout.partition(b"\n")
    try:
        told = json.loads(head)
    except ValueError:
        why = f"what draws it came to a sudden end ({done.returncode})"
        raise Undrawable("not_an_image", why) from None
    if "code" in told:
        raise Undrawable(told["code"], told["why"])
    return told, rest


_LIBRARIES = {"heic": "pi_heif", "pdf": "pypdfium2", "pages": "pypdfium2"}

# In the process of its own


def _limit(memory: int, seconds: float) -> None:
    import os
    import resource
    from contextlib import suppress

    os.nice(5)  # whoever sent a plain photo does not wait for it
    limits = {
        resource.RLIMIT_AS: memory, resource.RLIMIT_CPU: int(seconds), resource.RLIMIT_FSIZE: 0,
        resource.RLIMIT_CORE: 0, resource.RLIMIT_NOFILE: 64,
    }  # fmt: skip
    for which, most in limits.items():
        with suppress(ValueError, OSError):
            resource.setrlimit(which, (most, most))


def _main() -> None:
    order = json.loads(sys.stdin.buffer.readline())
    data = sys.stdin.buffer.read()
    try:
        head, parts = _done(order, data)
    except Undrawable as refused:
        head, parts = {"code": refused.code, "why": refused.why}, ()
    except MemoryError:
        head, parts = {"code": "too_much_memory", "why": "it needs more memory than one picture may take"}, ()
    except Exception as error:  # what the libraries raise over broken files is told, whatever it is
        head, parts = {"code": "not_an_image", "why": f"{type(error).__name__}: {error}"[:300]}, ()
    out = sys.stdout.buffer
    out.write(json.dumps(head).encode() + b"\n")
    for part in parts:
        out.write(part)
    out.flush()


def _done(order: dict[str, Any], data: bytes) -> tuple[dict[str, Any], tuple[bytes, ...]]:
    library = import_module(_LIBRARIES[order["want"]])
    if order["want"] == "heic":
        library.register_heif_opener(thumbnails=False)
    _limit(order["memory"], order["seconds"])  # what is loaded by now is ours
    if order["want"] == "pages":
        return {"pages": _pages(data)}, ()
    image, dpi = _heic(data, order) if order["want"] == "heic" else _page(data, order)
    profile, exif = image.info.get("icc_profile") or b"", image.info.get("exif") or b""
    head = {"mode": image.mode, "width": image.width, "height": image.height, "dpi": dpi}
    return {**head, "profile": len(profile), "exif": len(exif)}, (profile, exif, image.tobytes())


def _heic(data: bytes, order: dict[str, Any]) -> tuple[Image.Image, float | None]:
    import io

    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None  # the order says how many
    image = Image.open(io.BytesIO(data), formats=("HEIF",))
    _check_size(image.width * image.height, order)
    image.load()
    return image, None


def _pages(data: bytes) -> int:
    import pypdfium2

    document = pypdfium2.PdfDocument(data)
    try:
        return len(document)
    finally:
        document.close()


def _page(data: bytes, order: dict[str, Any]) -> tuple[Image.Image, float | None]:
    """One page at the resolution of the largest picture on it."""
    import pypdfium2

    document = pypdfium2.PdfDocument(data)
    try:
        page = document[order["page"]]
        width, height = page.get_size()
        dpi = _picture_dpi(page, *order["dpi"])
        _check_size(width * height * (dpi / 72) ** 2, order)
        drawn: Image.Image = page.render(scale=dpi / 72).to_pil().convert("RGB")
        return drawn, dpi
    finally:
        document.close()


def _check_size(pixels: float, order: dict[str, Any]) -> None:
    if pixels > order["most_pixels"]:
        raise Undrawable("too_many_pixels", f"{pixels:.0f} pixels")


def _picture_dpi(page: Any, usual: float, least: float, most: float) -> float:
    """Pixels an inch of the page's largest picture; the usual where there is none, or none that is plausible."""
    best, largest = usual, 0.0
    for item in page.get_objects(max_depth=3):
        if not hasattr(item, "get_px_size"):
            continue
        left, bottom, right, top = item.get_bounds()
        pixels = item.get_px_size()[0]
        if right > left and (right - left) * (top - bottom) > largest:
            largest = (right - left) * (top - bottom)
            best = 72 * pixels / (right - left)
    return best if least <= best <= most else usual


if __name__ == "__main__":
    _main()
