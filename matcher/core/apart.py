"""PDF and HEIC drawn in a process of their own: bytes in, pixels out; whatever the file does, it does there.

Both are drawn by large libraries of native code (PDFium, libheif), and a PDF may hold programs. A process is made for
one file, gets its bytes and nothing else, may use so much memory and time and write no file, and is ended when its time
is over. It is forked from one that stands ready with the library loaded and has never seen a file: loading takes ten
times as long as drawing a small page. Run as a script this is the one that stands ready; it imports nothing of ours.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

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
    library = _LIBRARIES[order["want"]]
    if find_spec(library) is None:
        raise Undrawable("missing", order["want"])
    with _lock:
        key = os.getpid(), library  # one that a parent of this process has started is not ours
        if key in _standing and _standing[key].is_gone:
            _standing.pop(key).end()
        ready = _standing.get(key) or _standing.setdefault(key, _StandsReady(library))
        try:
            head, rest = ready.drawn(line + data, 2 * SECONDS)
        except BaseException:
            del _standing[key]
            ready.end()
            raise
    try:
        told = json.loads(head)
    except ValueError:
        raise Undrawable("not_an_image", "what draws it came to a sudden end") from None
    if "code" in told:
        raise Undrawable(told["code"], told["why"])
    return told, rest


class _StandsReady:
    """The process that stands ready with a library, and makes one of its own for each file."""

    def __init__(self, library: str) -> None:
        self._orders, theirs = socket.socketpair()
        # -P: what lies beside this file is not to be imported
        command = [sys.executable, "-P", str(Path(__file__)), library, str(theirs.fileno())]
        with theirs:
            self._process = subprocess.Popen(
                command, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, start_new_session=True,
            )  # fmt: skip

    def drawn(self, order: bytes, seconds: float) -> tuple[bytes, bytes]:
        """The answer's first line and the rest; both empty where there is none. Raises Undrawable, OSError."""
        takes, gives = os.pipe()
        reads, answers = os.pipe()
        late = threading.Event()
        timer = threading.Timer(seconds, self._too_late, (late,))
        timer.daemon = True
        with os.fdopen(gives, "wb") as given, os.fdopen(reads, "rb") as answer:
            try:
                with suppress(OSError):  # it is gone: told below
                    socket.send_fds(self._orders, [b"."], [takes, answers])
            finally:
                os.close(takes)
                os.close(answers)
            timer.start()
            try:
                with suppress(BrokenPipeError):  # it ended before it had read everything
                    given.write(order)
                    given.close()
                head, _, rest = answer.read().partition(b"\n")
                ended = self._orders.recv(1)
            finally:
                timer.cancel()
        if late.is_set():
            raise Undrawable("not_an_image", f"it was not drawn within {seconds:g} s")
        if not ended:
            raise Undrawable("not_an_image", "what draws it came to a sudden end")
        return head, rest

    @property
    def is_gone(self) -> bool:
        return self._process.poll() is not None

    def end(self) -> None:
        """With whatever it is drawing."""
        self._orders.close()
        self._kill()
        self._process.wait()

    def _too_late(self, late: threading.Event) -> None:
        late.set()
        self._kill()

    def _kill(self) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)  # the session that it began: its own processes too


_LIBRARIES = {"heic": "pi_heif", "pdf": "pypdfium2", "pages": "pypdfium2"}

_lock = threading.Lock()
_standing: dict[tuple[int, str], _StandsReady] = {}
"""By process and library; a file at a time, since whoever draws many at once has several processes for it."""


@atexit.register
def _end_all() -> None:
    for (process, _), ready in _standing.items():
        if process == os.getpid():
            ready.end()


# In the process that stands ready


def _stand_ready(library: str, orders: socket.socket) -> None:
    """For each file that is ordered, a process of its own, whose input and output come with the order."""
    import resource

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever is stopped closes the socket
    whole = resource.getrlimit(resource.RLIMIT_CPU)[1]
    resource.setrlimit(resource.RLIMIT_CPU, (whole, whole))  # what was left of one job's time is not for all files
    loaded = import_module(library)
    if library == _LIBRARIES["heic"]:
        loaded.register_heif_opener(thumbnails=False)
    while True:
        _, files, _, _ = socket.recv_fds(orders, 1, 2)
        if not files:
            return
        process = os.fork()
        if process == 0:
            _draw_and_end(orders, files)
        for file in files:
            os.close(file)
        os.waitpid(process, 0)
        with suppress(BrokenPipeError):
            orders.send(b".")


# In the process of its own


def _draw_and_end(orders: socket.socket, files: list[int]) -> None:
    try:
        orders.close()
        with os.fdopen(files[0], "rb") as order, os.fdopen(files[1], "wb") as answer:
            _answer(json.loads(order.readline()), order.read(), answer)
    finally:
        os._exit(0)


def _limit(memory: int, seconds: float) -> None:
    import resource

    os.nice(5)  # whoever sent a plain photo does not wait for it
    limits = {
        resource.RLIMIT_AS: memory, resource.RLIMIT_CPU: int(seconds), resource.RLIMIT_FSIZE: 0,
        resource.RLIMIT_CORE: 0, resource.RLIMIT_NOFILE: 64,
    }  # fmt: skip
    for which, most in limits.items():
        with suppress(ValueError, OSError):
            resource.setrlimit(which, (most, most))


def _answer(order: dict[str, Any], data: bytes, out: BinaryIO) -> None:
    try:
        head, parts = _done(order, data)
    except Undrawable as refused:
        head, parts = {"code": refused.code, "why": refused.why}, ()
    except MemoryError:
        head, parts = {"code": "too_much_memory", "why": "it needs more memory than one picture may take"}, ()
    except Exception as error:  # what the libraries raise over broken files is told, whatever it is
        head, parts = {"code": "not_an_image", "why": f"{type(error).__name__}: {error}"[:300]}, ()
    out.write(json.dumps(head).encode() + b"\n")
    for part in parts:
        out.write(part)


def _done(order: dict[str, Any], data: bytes) -> tuple[dict[str, Any], tuple[bytes, ...]]:
    _limit(order["memory"], order["seconds"])
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
    _stand_ready(sys.argv[1], socket.socket(fileno=int(sys.argv[2])))
