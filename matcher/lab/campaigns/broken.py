"""Files broken at random in eight formats, and files made to be costly, given to a worker pool like the service's own.

Counted: files read, refused with a reason, ended since their time was over, and processes that came to a sudden end.
What must not be: a crash of the service, an answer later than the limit, more memory than a process may take.
"""

from __future__ import annotations

import argparse
import io
import random
import resource
import struct
import time
import warnings
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image

from matcher.core import apart
from matcher.core.errors import UnreadablePhoto
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import SupervisedPool, TookTooLong, supervised_pool
from matcher.core.photo import read_photo
from matcher.lab.processes import most_resident, resident

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP", "GIF", "HEIC", "PDF")
LIMITS = WorkLimits(job_s=60.0, memory_bytes=2_500_000_000)
SPARE_S = 20.0
"""Past the deadline, within which the one who waits has to be told: a process has to be ended and started."""
KILOBYTE = 1024
"""Unit of ru_maxrss (Linux, getrusage(2))."""


@dataclass
class Tally:
    """told: how many by what came of them. slowest: seconds. most_bytes: the most that a process held."""

    told: Counter[str]
    slowest: float = 0.0
    most_bytes: int = 0

    def line(self, name: str) -> str:
        counted = ", ".join(f"{what} {count}" for what, count in sorted(self.told.items()))
        most = f"slowest {self.slowest:.1f} s; {self.most_bytes / 1e9:.2f} GB"
        return f"{name:6} {self.told.total():6} files: {counted}; {most}"


def sample(form: str, rng: random.Random) -> bytes:
    """A small picture in this format. Raises ImportError where a part is missing."""
    shade = np.random.default_rng(rng.randrange(1 << 30))
    image = Image.fromarray(shade.integers(0, 255, (96, 72, 3), np.uint8)).resize((144, 192))
    out = io.BytesIO()
    if form == "HEIC":
        return _heic_sample()
    if form == "GIF":
        image = image.convert("P")
    if form == "JPEG":
        image.save(out, form, progressive=rng.random() < 0.5)
    elif form == "TIFF":
        image.save(out, form, compression=rng.choice(["raw", "tiff_lzw", "tiff_adobe_deflate", "jpeg", "packbits"]))
    else:
        image.save(out, form)
    return out.getvalue()


def broken(data: bytes, rng: random.Random) -> bytes:
    """The file with one to eight things wrong with it."""
    for _ in range(rng.randint(1, 8)):
        if len(data) < 8:
            return data
        at, length = rng.randrange(len(data)), rng.randint(1, 64)
        kind = rng.randrange(6)
        if kind == 0:
            data = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
        elif kind == 1:
            data = data[:at] + rng.randbytes(length) + data[at + length :]
        elif kind == 2:
            data = data[:at]
        elif kind == 3:
            data = data[:at] + data[at + length :]
        elif kind == 4:
            data = data[:at] + data[at : at + length] * 2 + data[at + length :]
        else:
            number = rng.choice([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\0\0\0\x80"])
            data = data[:at] + number + data[at + 4 :]
    return data


def bombs(count: int, rng: random.Random) -> Iterator[bytes]:
    """Small files that claim to be large, or take long to read, of each kind in turn."""
    kinds = (_huge_png, _long_jpeg, _pdf_of_functions, _pdf_of_forms, _many_frames, _wide_tiff, _deep_pdf, _text_png)
    for number in range(count):
        yield kinds[number % len(kinds)](rng)


def read(data: bytes) -> tuple[str, int]:
    """In a worker: what comes of a file, and the most bytes that the worker or a process of its own has held so far."""
    warnings.simplefilter("ignore")  # that a broken file is broken is no news
    try:
        told = "read" if read_photo(data).pixels.size else "empty"
    except UnreadablePhoto as error:
        told = error.code
    return told, max(most_resident(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * KILOBYTE)


def run(
    files: Sequence[bytes] | Iterator[bytes], workers: int = 2, limits: WorkLimits = LIMITS,
    drawing_s: float = apart.SECONDS,
) -> Tally:  # fmt: skip
    """Give files to a pool, some at a time; what became of them. drawing_s: what a PDF or HEIC may take."""
    tally, flying = Tally(Counter()), list[tuple[float, Future[tuple[str, int]]]]()
    pool = supervised_pool(workers, _draw_within, drawing_s, limits=limits)
    try:
        for data in files:
            flying.append((time.monotonic(), pool.submit(read, data)))
            while len(flying) >= 4 * workers:
                _settle(flying, tally, pool, limits)
        while flying:
            _settle(flying, tally, pool, limits)
    finally:
        pool.shutdown(cancel_futures=True)
    return tally


def _draw_within(seconds: float) -> None:
    """In a worker, before it reads anything."""
    apart.SECONDS = seconds


def _settle(
    flying: list[tuple[float, Future[tuple[str, int]]]], tally: Tally, pool: SupervisedPool, limits: WorkLimits
) -> None:
    """Wait for the oldest; what it waited for its turn is not its own time."""
    begun, future = flying.pop(0)
    turn = max(begun, time.monotonic())
    try:
        told, most_bytes = future.result(limits.job_s + SPARE_S)
        tally.most_bytes = max(tally.most_bytes, most_bytes)
    except TookTooLong:
        told = "ended: too long"
    except BrokenExecutor:
        told = "ended: process lost"
    except MemoryError:
        told = "too_much_memory"
    except TimeoutError:
        told = "HANGS"
    except Exception as error:  # what no stage should raise
        told = f"UNEXPECTED {type(error).__name__}"
    tally.told[told] += 1
    tally.slowest = max(tally.slowest, time.monotonic() - turn)
    with suppress(Exception):
        tally.most_bytes = max(tally.most_bytes, *(resident(process) for process in pool.processes()), 0)


# Files made to be costly


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png(width: int, height: int, bits: int, colour: int, data: bytes, more: bytes = b"") -> bytes:
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + more + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def _huge_png(rng: random.Random) -> bytes:
    """Up to the limit of pixels, in a few kilobytes: all of one colour, 1 to 16 bits, alpha or not."""
    bits, colour = rng.choice([(1, 0), (8, 0), (16, 0), (8, 2), (8, 6), (16, 6), (8, 3)])
    width = rng.randrange(5000, 20_000)
    height = rng.randrange(1000, 240_000_000 // width)
    channels = {0: 1, 2: 3, 3: 1, 6: 4}[colour]
    packing = zlib.compressobj(9)
    row = bytes(1 + (width * channels * bits + 7) // 8)
    data = b"".join(packing.compress(row) for _ in range(height)) + packing.flush()
    return _png(width, height, bits, colour, data, _chunk(b"PLTE", bytes(768)) if colour == 3 else b"")


def _long_jpeg(rng: random.Random) -> bytes:
    """A progressive JPEG whose last scan comes again and again."""
    out = io.BytesIO()
    side = rng.choice([256, 2048, 6000])
    Image.new("RGB", (side, side), (90, 80, 70)).save(out, "JPEG", progressive=True)
    data = out.getvalue()
    scan = data[data.rindex(b"\xff\xda") : data.rindex(b"\xff\xd9")]
    return data[:-2] + scan * rng.choice([300, 480, 5000]) + b"\xff\xd9"


def _pdf(content: bytes, objects: Sequence[bytes]) -> bytes:
    named = [
        b"<</Type/Catalog/Pages 2 0 R>>", b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
        b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 400 400]/Contents 4 0 R/Resources<</Shading<</S 5 0 R>>"
        b"/XObject<</X 5 0 R>>>>>>",
        b"<</Length %d>>stream\n%s\nendstream" % (len(content), content), *objects,
    ]  # fmt: skip
    body = b"".join(b"%d 0 obj%s endobj\n" % (number, one) for number, one in enumerate(named, start=1))
    return b"%PDF-1.7\n" + body + b"trailer<</Root 1 0 R>>\n%%EOF\n"


def _pdf_of_functions(rng: random.Random) -> bytes:
    """A shading whose every point is computed by a long program."""
    program = b"{" + b"sin cos " * rng.choice([2_000, 20_000, 100_000]) + b"dup dup}"
    shading = b"<</ShadingType 1/ColorSpace/DeviceRGB/Domain[0 1 0 1]/Matrix[400 0 0 400 0 0]/Function 6 0 R>>"
    function = b"<</FunctionType 4/Domain[0 1 0 1]/Range[0 1 0 1 0 1]/Length %d>>stream\n%s\nendstream"
    return _pdf(b"/S sh", [shading, function % (len(program), program)])


def _pdf_of_forms(rng: random.Random) -> bytes:
    """Forms that draw forms that draw forms, each several times."""
    depth, times = rng.choice([(8, 6), (14, 10)]), b"/X Do " * 8
    forms = []
    for level in range(depth[0]):
        inner = times if level < depth[0] - 1 else b"0 0 m 9 9 l S"
        forms.append(
            b"<</Type/XObject/Subtype/Form/BBox[0 0 400 400]/Resources<</XObject<</X %d 0 R>>>>/Length %d>>stream\n%s\n"
            b"endstream" % (6 + level, len(inner), inner)
        )
    return _pdf(b"/X Do", forms)


def _deep_pdf(rng: random.Random) -> bytes:
    """Brackets within brackets, and a page of a square kilometre."""
    deep = rng.choice([1_000, 100_000])
    return _pdf(b"[" * deep, [b"<</A" * deep]).replace(b"[0 0 400 400]", b"[0 0 2834645 2834645]")


def _many_frames(rng: random.Random) -> bytes:
    """An animation of many frames."""
    out = io.BytesIO()
    frames = [Image.new("P", (80, 80), number % 250) for number in range(rng.choice([50, 400]))]
    frames[0].save(out, rng.choice(["GIF", "WEBP", "PNG"]), save_all=True, append_images=frames[1:])
    return out.getvalue()


def _wide_tiff(rng: random.Random) -> bytes:
    """A TIFF of floats or of 16 bits up to the limit of pixels, packed small."""
    out = io.BytesIO()
    side = rng.choice([4000, 9000])
    kind = rng.choice([np.float32, np.uint16, np.uint8])
    Image.fromarray(np.zeros((side, side), kind)).save(out, "TIFF", compression="tiff_adobe_deflate")
    return out.getvalue()


def _text_png(rng: random.Random) -> bytes:
    """Comments and a colour profile that unpack to far more than they are."""
    packed = zlib.compress(bytes(rng.choice([10, 60]) * 1_000_000), 9)
    more = _chunk(b"zTXt", b"Comment\0\0" + packed) + _chunk(b"iCCP", b"p\0\0" + packed)
    return _png(100, 100, 8, 0, zlib.compress(bytes(101 * 100)), more)


def _heic_sample() -> bytes:
    path = Path("tests/page/photo.heic")
    if not path.is_file():
        raise ImportError("tests/page/photo.heic: run this in a checkout")
    return path.read_bytes()


def of_format(form: str, count: int, seed: int) -> Iterator[bytes]:
    """So many broken files of one format."""
    rng = random.Random(f"{seed} {form}")
    samples = [sample(form, rng) for _ in range(4)]
    return (broken(rng.choice(samples), rng) for _ in range(count))


def for_so_long(files: Iterator[bytes], seconds: float) -> Iterator[bytes]:
    """Those that are asked for within this time."""
    ends = time.monotonic() + seconds
    for data in files:
        yield data
        if time.monotonic() > ends:
            return


def main() -> None:
    """Read broken files; exit 1 where one hangs, or raises what no stage should."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=10_000, help="of each format")
    parser.add_argument("--bombs", type=int, default=200)
    parser.add_argument("--formats", nargs="*", default=list(FORMATS), choices=FORMATS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--drawing", type=float, default=apart.SECONDS, help="seconds that a PDF or HEIC may take; less is sooner done"
    )
    parser.add_argument("--seconds", type=float, default=float("inf"), help="of each kind; no new file after that")
    chosen = parser.parse_args()
    makers: list[tuple[str, Callable[[], Iterator[bytes]], int]] = [
        (form, partial(of_format, form, chosen.files, chosen.seed), chosen.files) for form in chosen.formats
    ]
    makers.append(("bombs", partial(bombs, chosen.bombs, random.Random(chosen.seed)), chosen.bombs))
    wrong = False
    for name, make, count in makers:
        if count:
            tally = run(for_so_long(make(), chosen.seconds), chosen.workers, drawing_s=chosen.drawing)
            print(tally.line(name), flush=True)
            wrong = wrong or any(what.isupper() or what.startswith("UNEXPECTED") for what in tally.told)
    raise SystemExit(wrong)


if __name__ == "__main__":
    main()
