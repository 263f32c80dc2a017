"""What a picture may cost, and that it is read as it is: memory, time, depths, profiles, files that are none.

Review of security, findings 2, 10, 15, 16; review of the code, B14, B15.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from matcher.core import apart
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import UnreadablePhoto
from matcher.core.flatten import flatten
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.core.shared_settings import PhotoLimits
from matcher.core.unreadable import unreadable
from matcher.jobs.lot.discovery import gather, read_content

MEGA = 1_000_000


def saved(image: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, form, **options)
    return out.getvalue()


def ramp(top: float, kind: type) -> np.ndarray:
    return np.linspace(0, top, 64 * 100).reshape(64, 100).astype(kind)


@pytest.mark.parametrize(
    ("top", "kind"),
    [(255, np.uint16), (1023, np.uint16), (4095, np.uint16), (16383, np.uint16), (65535, np.uint16), (1.0, np.float32),
     (255.0, np.float32), (65535.0, np.float32), (65535, np.int32)],
)  # fmt: skip
def test_every_depth_is_as_bright_as_it_was(top: float, kind: type) -> None:
    """TIFF 6.0, BitsPerSample; 12 bits in 16 were read as 0 to 15 of 255, and floats of 0 to 1 as black."""
    pixels = read_photo(saved(Image.fromarray(ramp(top, kind)), "TIFF")).grey
    assert abs(int(pixels.max()) - 255) <= 1
    assert abs(float(pixels.mean()) - 127.5) < 3


def test_numbers_that_are_none_do_not_matter() -> None:
    values = ramp(1.0, np.float32)
    values[0, :3] = np.nan, np.inf, -np.inf
    assert abs(float(read_photo(saved(Image.fromarray(values), "TIFF")).grey.mean()) - 127.5) < 3


def test_a_colour_profile_counts_whatever_the_mode() -> None:
    """A profile whose red and blue are exchanged (ICC.1, matrix profiles) shows at once whether it was used."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    swapped = bytearray(srgb)
    tags = {srgb[132 + 12 * n : 136 + 12 * n]: 132 + 12 * n for n in range(int.from_bytes(srgb[128:132], "big"))}
    red, blue = tags[b"rXYZ"], tags[b"bXYZ"]
    swapped[red + 4 : red + 12], swapped[blue + 4 : blue + 12] = srgb[blue + 4 : blue + 12], srgb[red + 4 : red + 12]
    red_card = Image.new("RGB", (80, 100), (200, 30, 30))
    for mode in ("RGB", "RGBA", "P"):
        data = saved(red_card.convert(mode), "PNG", icc_profile=bytes(swapped))
        r, _, b = read_photo(data).pixels[50, 40].tolist()
        assert b > 150 > 80 > r, mode


@pytest.mark.parametrize("mode", ["I;16", "P", "F", "LA", "RGBA", "CMYK"])
def test_large_scans_of_any_mode_are_read_smaller(mode: str) -> None:
    """16-bit grey and palettes above the limit were refused as 'damaged: image has wrong mode'."""
    limits = PhotoLimits(full_size_pixels=100 * 100)
    form = "TIFF" if mode in ("F", "CMYK") else "PNG"
    grey = Image.fromarray((np.arange(301 * 203).reshape(301, 203) % 200).astype(np.uint8))
    image = {
        "I;16": lambda: Image.fromarray(np.asarray(grey, np.uint16) * 257), "F": lambda: grey.convert("F"),
        "P": lambda: grey.convert("P"), "LA": lambda: grey.convert("LA"), "RGBA": lambda: grey.convert("RGBA"),
        "CMYK": lambda: grey.convert("RGB").convert("CMYK"),
    }[mode]()  # fmt: skip
    photo = read_photo(saved(image, form), limits)
    assert (photo.reduced, photo.pixels.shape) == (4, (76, 51, 3))
    whole = read_photo(saved(image, form)).grey[:300, :200].reshape(75, 4, 50, 4).mean(axis=(1, 3))
    assert np.abs(whole - photo.grey[:75, :50]).mean() < 3


SMALL = """
import sys
from matcher.core.photo import read_photo
from matcher.lab.processes import most_resident
read_photo(sys.argv[2])  # so that what is loaded once is not counted
before = most_resident()
photo = read_photo(sys.argv[1])
more = most_resident() - before
print(more / (photo.width * photo.height * photo.reduced**2))
"""


@pytest.mark.parametrize("mode", ["I;16", "F", "RGBA", "LA", "P"])
def test_memory_is_bounded_by_pixels_whatever_the_mode(mode: str, tmp_path: Path) -> None:
    """Review of security, finding 10: 25 bytes a pixel for 16 bits, 11 for floats at a quarter of the size."""
    size = (5000, 4000)
    image = Image.new(mode, size) if mode != "F" else Image.fromarray(np.zeros(size[::-1], np.float32))
    path, small, form = tmp_path / "a.tif", tmp_path / "small.tif", "PNG" if mode != "F" else "TIFF"
    image.save(path, form)
    image.resize((100, 100)).save(small, form)
    command = [sys.executable, "-c", SMALL, str(path), str(small)]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    file = path.stat().st_size / (size[0] * size[1])
    assert 4 < float(told) - file < 10, told  # bytes a pixel: Pillow's own up to 4, the result's 4, and a strip


def test_a_jpeg_of_endless_steps_is_refused_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Review of security, finding 2a: 15,500 scans in 2 MB kept a process busy for a minute."""
    data = saved(Image.new("RGB", (512, 512)), "JPEG", progressive=True)
    scan = data[data.rindex(b"\xff\xda") : data.rindex(b"\xff\xd9")]
    bomb = data[:-2] + scan * 15_500 + b"\xff\xd9"
    with monkeypatch.context() as patched:
        patched.setattr(Image.Image, "load", None)  # its steps are counted; none of them is drawn
        with pytest.raises(UnreadablePhoto, match="steps") as caught:
            read_photo(bomb)
    assert caught.value.code == "not_an_image"
    assert read_photo(data).width == 512


def pdf_of(content: bytes, function: bytes = b"") -> bytes:
    """A page of 200 x 200 points (ISO 32000-1); objects are found without a table, as PDFium repairs it."""
    return b"".join([
        b"%PDF-1.7\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[3 0 R]/Count 1>>endobj\n",
        b"3 0 obj<</Type/Page/Parent 2 0 R/MediaBox[0 0 200 200]/Contents 4 0 R",
        b"/Resources<</Shading<</S 5 0 R>>>>>>endobj\n",
        b"4 0 obj<</Length %d>>stream\n%s\nendstream endobj\n" % (len(content), content),
        b"5 0 obj<</ShadingType 1/ColorSpace/DeviceRGB/Domain[0 1 0 1]/Matrix[200 0 0 200 0 0]",
        b"/Function 6 0 R>>endobj\n",
        b"6 0 obj<</FunctionType 4/Domain[0 1 0 1]/Range[0 1 0 1 0 1]/Length %d>>stream\n%s\nendstream endobj\n"
        % (len(function), function),
        b"trailer<</Root 1 0 R>>\n%%EOF\n",
    ])  # fmt: skip


def test_a_pdf_that_computes_for_ever_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """Review of security, finding 2b: a shading by a long PostScript function took both processes for an hour."""
    pytest.importorskip("pypdfium2")
    assert read_photo(pdf_of(b"1 0 0 rg 10 10 100 100 re f")).width > 500
    monkeypatch.setattr(apart, "SECONDS", 2.0)
    bomb = pdf_of(b"/S sh", b"{" + b"sin cos " * 150_000 + b"dup dup}")
    begun = time.monotonic()
    with pytest.raises(UnreadablePhoto, match="a PDF that cannot be drawn"):
        read_photo(bomb)
    assert time.monotonic() - begun < 30


def test_a_pdf_gets_no_more_memory_than_there_is_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pypdfium2")
    monkeypatch.setattr(apart, "SPARE_BYTES", 60_000_000)
    monkeypatch.setattr(apart, "BYTES_A_PIXEL", 0)
    with pytest.raises(UnreadablePhoto) as caught:  # 11 million pixels of 4 bytes and more
        read_photo(pdf_of(b"1 0 0 rg 10 10 100 100 re f"), PhotoLimits(pdf_dpi=1200.0, max_pixels=12_000_000))
    assert caught.value.code in ("too_much_memory", "not_an_image")
    assert resource.getrlimit(resource.RLIMIT_AS)[0] == resource.RLIM_INFINITY  # this process has no such limit


def test_a_pipe_and_a_device_are_no_photos(tmp_path: Path) -> None:
    """Review of security, finding 16: a pipe called pipe.jpg kept a lot waiting, /dev/zero filled the memory."""
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "zero.jpg").symlink_to("/dev/zero")
    Image.new("RGB", (80, 100)).save(tmp_path / "scan.jpg")
    for name in ("pipe.jpg", "zero.jpg"):
        with pytest.raises(UnreadablePhoto, match="no ordinary file"):
            read_photo(tmp_path / name)
        with pytest.raises(UnreadablePhoto, match="no ordinary file"):
            read_content(tmp_path / name, PhotoLimits())
    found = gather([tmp_path])
    assert [path.name for path in found.pictures] == ["scan.jpg"]
    assert sorted(trouble.path.name for trouble in found.troubles) == ["pipe.jpg", "zero.jpg"]


def test_what_lies_outside_the_photo_is_no_glare() -> None:
    """Review of the code, B15: 'burnt out by glare: move the lamp' was told of a card cut off by the frame."""
    rng = np.random.default_rng(3)
    photo = Photo.from_pixels(rng.integers(0, 200, (640, 368, 3), dtype=np.uint8))
    outside = np.array([[-300, 0], [68, 0], [68, 640], [-300, 640]], np.float32)
    face = flatten(photo, CardQuad(outside, 1.0))
    assert face.outside == pytest.approx(300 / 368, abs=0.02)
    assert "lies outside the photo" in unreadable(face, 10.0, Settings())
    inside = np.array([[0, 0], [368, 0], [368, 640], [0, 640]], np.float32)
    assert flatten(photo, CardQuad(inside, 1.0)).outside == pytest.approx(0, abs=0.01)


def test_a_lost_process_that_stood_ready_costs_no_file() -> None:
    """Each file has a process of its own, made by one that stands ready; where that is gone, there is another."""
    pytest.importorskip("pypdfium2")
    page = pdf_of(b"1 0 0 rg 10 10 100 100 re f")
    whole = read_photo(page).pixels
    (ready,) = [one for (process, library), one in apart._standing.items() if library == "pypdfium2"]
    ready._process.kill()
    ready._process.wait()
    assert (read_photo(page).pixels == whole).all()
    assert apart._standing[os.getpid(), "pypdfium2"] is not ready


def test_what_ends_its_own_process_is_told_and_the_next_file_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pypdfium2")
    page = pdf_of(b"1 0 0 rg 10 10 100 100 re f")
    with monkeypatch.context() as short:
        short.setattr(apart, "SECONDS", 1.0)
        with pytest.raises(UnreadablePhoto, match="a PDF that cannot be drawn"):
            read_photo(pdf_of(b"/S sh", b"{" + b"sin cos " * 150_000 + b"dup dup}"))
    assert read_photo(page).width > 500
    assert apart.count_pages(page) == 1
