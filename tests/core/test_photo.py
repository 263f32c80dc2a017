"""Stage `photo`: what is accepted, what is refused with which code, and that every photo comes out upright in sRGB."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo, read_photo, to_grey
from matcher.core.settings import PhotoLimits

ORIENTATION = 0x0112


def corner_picture() -> Image.Image:
    """96 x 128, dark, with one bright corner at the top left."""
    pixels = np.full((128, 96, 3), 40, np.uint8)
    pixels[:40, :30] = 220
    return Image.fromarray(pixels)


def encoded(image: Image.Image, form: str = "PNG", **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, form, **options)
    return buffer.getvalue()


# CIPA DC-008 (Exif 2.32) 4.6.5: what to do to the stored picture for each tag to show it upright; here undone.
STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.transpose(1, 0, 2),
    6: lambda p: np.rot90(p, 1),
    7: lambda p: np.rot90(p.transpose(1, 0, 2), 2),
    8: lambda p: np.rot90(p, -1),
}


@pytest.mark.parametrize("tag", sorted(STORED))
def test_every_exif_orientation_comes_out_upright(tag: int) -> None:
    upright = np.asarray(corner_picture())
    stored = Image.fromarray(np.ascontiguousarray(STORED[tag](upright)))
    exif = Image.Exif()
    exif[ORIENTATION] = tag
    photo = read_photo(encoded(stored, exif=exif))
    assert np.array_equal(photo.pixels, upright)


def header_only_png(width: int, height: int) -> bytes:
    """A valid PNG header that claims a size, with next to no data behind it."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def animation() -> bytes:
    frames = [Image.new("RGB", (80, 80), colour) for colour in ("red", "blue")]
    return encoded(frames[0], "GIF", save_all=True, append_images=frames[1:])


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty_file"),
        (b"not a picture at all", "not_an_image"),
        (b"%PDF-1.7 ...", "not_an_image"),
        (encoded(corner_picture(), "JPEG")[:-200], "truncated"),
        (encoded(Image.new("RGB", (1, 1))), "too_small"),
        (header_only_png(25_000, 20_000), "too_many_pixels"),  # 500 megapixels, refused from the header
        (header_only_png(60_000, 60_000), "too_many_pixels"),  # beyond Pillow's own limit too
        (animation(), "animated"),
    ],
)
def test_what_cannot_be_used_is_refused_with_a_code_and_a_remedy(data: bytes, code: str) -> None:
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(data, name="shoebox/17.jpg")
    assert caught.value.code == code
    assert "shoebox/17.jpg" in caught.value.message
    assert caught.value.remedy


def test_a_text_that_is_called_a_picture_is_told_to_be_a_text() -> None:
    with pytest.raises(UnreadablePhoto, match=r"note\.jpg: no picture, its content is text"):
        read_photo(b"Box 7, bought at a fair\n", name="note.jpg")
    with pytest.raises(UnreadablePhoto, match="unsupported picture format"):
        read_photo(b"\x7fELF" + bytes(96), name="17.jpg")


def test_a_missing_file_and_a_folder_are_told_apart_from_damage(tmp_path: Path) -> None:
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(UnreadablePhoto) as caught:
            read_photo(path)
        assert caught.value.code == "missing_file"


def test_too_many_bytes_are_refused_before_they_are_read(tmp_path: Path) -> None:
    path = tmp_path / "large.jpg"
    path.write_bytes(b"\0" * 2000)
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(path, PhotoLimits(max_bytes=1000))
    assert caught.value.code == "file_too_large"


def test_cmyk_sixteen_bit_palette_and_alpha_are_all_read() -> None:
    ramp = np.linspace(0, 65535, 96 * 128).reshape(128, 96).astype(np.uint16)
    clear = Image.new("RGBA", (96, 128), (0, 0, 0, 0))
    pictures = {
        "cmyk": encoded(corner_picture().convert("CMYK"), "TIFF"),
        "16 bit": encoded(Image.fromarray(ramp)),
        "palette": encoded(corner_picture().convert("P")),
        "alpha": encoded(clear),
        "grey": encoded(corner_picture().convert("L")),
    }
    photos = {name: read_photo(data) for name, data in pictures.items()}
    assert {photo.pixels.shape for photo in photos.values()} == {(128, 96, 3)}
    assert photos["16 bit"].grey[0, 0] == 0
    assert photos["16 bit"].grey[-1, -1] == 255
    assert photos["alpha"].pixels.min() == 255  # transparent shows as white paper


def swapped_primaries() -> bytes:
    """sRGB's own profile with its red and blue primaries exchanged: the tags 'rXYZ' and 'bXYZ' trade names."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    tags = profile[128:].replace(b"rXYZ", b"tmp_", 1).replace(b"bXYZ", b"rXYZ", 1).replace(b"tmp_", b"bXYZ", 1)
    return profile[:128] + tags


def test_an_embedded_profile_is_brought_to_srgb() -> None:
    red = Image.new("RGB", (96, 128), (220, 0, 0))
    shown = read_photo(encoded(red, icc_profile=swapped_primaries())).pixels[0, 0]
    assert shown[2] > 200 > 60 > shown[0]  # what that profile calls red is blue
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    same = read_photo(encoded(red, icc_profile=srgb)).pixels.astype(int)
    assert np.abs(same - np.asarray(red).astype(int)).max() <= 1
    useless = read_photo(encoded(red, icc_profile=b"no profile")).pixels
    assert np.array_equal(useless, np.asarray(red))


def test_a_telephones_jpeg_with_a_second_picture_in_it_is_a_photo() -> None:
    # Multi-Picture Format (CIPA DC-007): depth and gain maps ride behind the photo.
    photo, gain_map = corner_picture(), corner_picture().resize((48, 64))
    read = read_photo(encoded(photo, "MPO", save_all=True, append_images=[gain_map], quality=95))
    assert read.pixels.shape == (128, 96, 3)
    assert read.grey[10, 10] > 180


@pytest.mark.parametrize(("dpi", "expected"), [(300, 300), (72, None), (96, None), (1200, 1200)])
def test_only_a_scanner_resolution_is_believed(dpi: int, expected: float | None) -> None:
    photo = read_photo(encoded(corner_picture(), "JPEG", dpi=(dpi, dpi)))
    assert photo.dpi == (None if expected is None else pytest.approx(expected, abs=1))


def test_grey_is_rec_601_luma() -> None:
    # ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B.
    pixels = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255]]], np.uint8)
    assert to_grey(pixels).tolist() == [[76, 150, 29]]


def test_a_photo_checks_its_own_shapes() -> None:
    with pytest.raises(ValueError, match=r"\(h, w, 3\)"):
        Photo(np.zeros((4, 4), np.uint8), np.zeros((4, 4), np.uint8), "", None, "x")
