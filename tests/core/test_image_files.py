"""Every kind of file that people keep their pictures in, pages of one file, and files that are broken on purpose."""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from matcher.core.errors import UnreadablePhoto
from matcher.core.image_files import page_count
from matcher.core.photo import read_photo
from matcher.core.settings import PhotoLimits
from matcher.lab.processes import most_resident

SIZE = (128, 176)


def drawing(tone: int = 220) -> Image.Image:
    """128 x 176: a gradient with one bright corner at the top left."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    pixels = np.stack([x, y, (x + y) // 2], axis=-1).astype(np.uint8)
    pixels[:40, :30] = tone
    return Image.fromarray(pixels)


def encoded(image: Image.Image, form: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, form, **options)
    return buffer.getvalue()


def pdf_of_scans(count: int = 1, dpi: float = 200.0) -> bytes:
    """A PDF of page images, as scanners write it."""
    pages = [drawing(120 + 40 * i) for i in range(count)]
    return encoded(pages[0], "PDF", save_all=True, append_images=pages[1:], resolution=dpi)


def test_a_page_of_a_pdf_is_read_at_its_own_resolution() -> None:
    photo = read_photo(pdf_of_scans())
    assert abs(photo.width - SIZE[0]) <= 1
    assert abs(photo.height - SIZE[1]) <= 1
    assert photo.dpi == pytest.approx(200, rel=0.02)
    assert photo.grey[10, 10] > photo.grey[60, 10] + 60


def test_every_page_of_a_pdf_and_of_a_tiff_is_a_photo() -> None:
    tones = (120, 160, 200)
    pages = [drawing(tone) for tone in tones]
    tiff = encoded(pages[0], "TIFF", save_all=True, append_images=pages[1:])
    for data in (pdf_of_scans(3), tiff):
        assert page_count(data, PhotoLimits(), "lot") == 3
        photos = [read_photo(data, page=page) for page in range(3)]
        assert [int(photo.grey[10, 10]) for photo in photos] == pytest.approx(tones, abs=3)
        assert len({photo.sha256 for photo in photos}) == 1


def test_one_picture_is_one_page() -> None:
    assert page_count(encoded(drawing(), "JPEG"), PhotoLimits(), "a.jpg") == 1


def test_too_many_pages_and_pages_too_large_are_refused() -> None:
    with pytest.raises(UnreadablePhoto, match="3 pages"):
        page_count(pdf_of_scans(3), PhotoLimits(max_pages=2), "lot")
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(pdf_of_scans(), PhotoLimits(max_pixels=10_000))
    assert caught.value.code == "too_many_pixels"


@pytest.mark.parametrize("form", ["WEBP", "BMP", "GIF", "PNG", "TIFF", "JPEG"])
def test_pixels_come_out_as_pillow_decodes_them(form: str) -> None:
    data = encoded(drawing(), form)
    expected = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.array_equal(read_photo(data).pixels, expected)


@pytest.mark.parametrize("form", ["JPEG", "PNG"])
def test_a_very_large_scan_is_read_at_half_its_size(form: str) -> None:
    data = encoded(drawing(), form, dpi=(600, 600))
    photo = read_photo(data, PhotoLimits(full_size_pixels=SIZE[0] * SIZE[1] // 2))
    assert (photo.width, photo.height, photo.reduced) == (SIZE[0] // 2, SIZE[1] // 2, 2)
    assert photo.dpi == pytest.approx(300, abs=1)  # millimetres stay what they are
    whole = read_photo(data)
    assert (whole.reduced, whole.dpi) == (1, pytest.approx(600, abs=1))


def test_sixteen_bit_colour_and_grey_keep_their_tones() -> None:
    ramp = np.linspace(0, 65535, SIZE[0] * SIZE[1]).reshape(SIZE[1], SIZE[0]).astype(np.uint16)
    for form in ("PNG", "TIFF"):
        grey = read_photo(encoded(Image.fromarray(ramp), form)).grey
        assert int(grey[SIZE[1] // 2, 0]) == pytest.approx(127, abs=2)


def test_place_and_time_are_not_kept() -> None:
    exif = Image.Exif()
    exif[0x0132] = "2024:05:06 07:08:09"  # DateTime
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)  # GPSLatitude
    photo = read_photo(encoded(drawing(), "JPEG", exif=exif))
    assert set(vars(photo)) == {"pixels", "grey", "sha256", "dpi", "name", "reduced"}


SOURCES: dict[str, Callable[[], bytes]] = {
    "JPEG": lambda: encoded(drawing(), "JPEG", exif=Image.Exif(), dpi=(300, 300)),
    "progressive JPEG": lambda: encoded(drawing(), "JPEG", progressive=True),
    "PNG": lambda: encoded(drawing(), "PNG"),
    "palette PNG": lambda: encoded(drawing().convert("P"), "PNG"),
    "TIFF": lambda: encoded(drawing(), "TIFF", compression="tiff_lzw"),
    "plain TIFF": lambda: encoded(drawing(), "TIFF"),
    "WebP": lambda: encoded(drawing(), "WEBP"),
    "BMP": lambda: encoded(drawing(), "BMP"),
    "GIF": lambda: encoded(drawing(), "GIF"),
    "PDF": pdf_of_scans,
}

LONGEST_SECONDS = 20.0  # what hangs, not what is slow: machines differ
MOST_GROWTH = 600_000_000


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """Bytes flipped, overwritten, doubled, dropped or cut off, mostly near the start where headers are."""
    broken = bytearray(data)
    for _ in range(int(rng.integers(1, 8))):
        reach = len(broken) if rng.random() < 0.4 else min(len(broken), 256)
        at = int(rng.integers(max(reach, 1)))
        change = int(rng.integers(6))
        if change == 0 and broken:
            broken[min(at, len(broken) - 1)] ^= 1 << int(rng.integers(8))
        elif change == 1:
            broken[at : at + 4] = rng.integers(0, 256, 4, dtype=np.uint8).tobytes()
        elif change == 2:
            broken[at : at + 4] = bytes([255] * 4)
        elif change == 3:
            broken[at:at] = broken[at : at + int(rng.integers(1, 64))]
        elif change == 4:
            del broken[at : at + int(rng.integers(1, 64))]
        elif rng.random() < 0.3:
            del broken[at:]
    return bytes(broken)


def feed(data: bytes, count: int, seed: int) -> tuple[int, float]:
    """Read `count` mutated files: how many were refused, and the longest time; anything but a coded error escapes."""
    rng = np.random.default_rng(seed)
    read, refused, longest = 0, 0, 0.0
    limits = PhotoLimits(max_pixels=4_000_000)
    for _ in range(count):
        broken = mutated(data, rng)
        started = time.perf_counter()
        try:
            read += read_photo(broken, limits, "broken").pixels.size <= 3 * limits.max_pixels
        except UnreadablePhoto as error:
            refused += bool(error.code and error.remedy)
        longest = max(longest, time.perf_counter() - started)
    assert read + refused == count
    return refused, longest


def check_mutations(form: str, count: int, seed: int) -> None:
    with suppress(OSError):  # the most so far is forgotten (proc(5)): it would hide the growth
        Path("/proc/self/clear_refs").write_text("5")
    before = most_resident()
    refused, longest = feed(SOURCES[form](), count, seed)
    assert refused > 0.02 * count
    assert longest < LONGEST_SECONDS
    assert most_resident() - before < MOST_GROWTH


@pytest.mark.parametrize("form", sorted(SOURCES))
@pytest.mark.filterwarnings("ignore")
def test_broken_files_are_read_or_refused_with_a_code(form: str) -> None:
    check_mutations(form, 200, 4)


@pytest.mark.exhaustive
@pytest.mark.parametrize("form", sorted(SOURCES))
@pytest.mark.filterwarnings("ignore")
def test_five_thousand_broken_files_of_each_format(form: str) -> None:
    check_mutations(form, 5000, 5)


def test_the_mutations_do_break_files() -> None:
    data = SOURCES["PNG"]()
    rng = np.random.default_rng(1)
    assert sum(mutated(data, rng) != data for _ in range(50)) > 45


def test_a_pdf_without_its_extra_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    assert pypdfium2
    monkeypatch.setitem(__import__("sys").modules, "pypdfium2", None)
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(pdf_of_scans())
    assert "platekin[pdf]" in caught.value.remedy


def test_a_heic_photo_without_its_extra_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pi_heif", None)
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(200))
    assert "platekin[heic]" in caught.value.remedy


def test_a_damaged_heic_photo_is_refused_with_a_code() -> None:
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(200))
    assert caught.value.code == "not_an_image"
