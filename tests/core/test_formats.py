"""Formats: how they are written, what is none, and the face each is given.

Nominal sizes are common practice, no source; ISO/IEC 7810 ID-1 is 85.60 x 53.98 mm.
"""

from __future__ import annotations

import numpy as np
import pytest

from matcher.catalogue.records.files import face_name
from matcher.core.describe import fingerprint
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.card_sizes import as_portrait, fitting_sizes
from matcher.core.detect.turning import as_held
from matcher.core.errors import BadTable
from matcher.core.flatten import flatten
from matcher.core.formats import PRESETS, CardFormat, face_of, face_of_text, face_text, parse_format
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize


@pytest.mark.parametrize(
    ("written", "text", "width", "height"),
    [
        ("cabinet", "cabinet", 108, 165),
        ("Cabinet landscape", "cabinet landscape", 165, 108),
        ("Cabinet Card", "cabinet", 108, 165),
        ("cdv", "carte de visite", 63, 100),
        ("stereo", "stereo", 178, 89),  # lies down as it is used
        ("stereo-portrait", "stereo portrait", 89, 178),
        ("63 x 100 mm", "carte de visite", 63, 100),
        ("36,5x63,5", "insert", 36.5, 63.5),
        ("85.60x53.98", "85.6x53.98", 85.6, 53.98),
    ],
)
def test_what_is_written_is_a_format_and_is_written_again(written: str, text: str, width: float, height: float) -> None:
    found = parse_format(written)
    assert (found.text, found.width_mm, found.height_mm) == (text, width, height)
    assert parse_format(found.text) == found
    assert parse_format(found.turned().text) == found.turned()


@pytest.mark.parametrize("written", ["", "large", "0x165", "10000x165", "9.9x63", "20x90", "108", "nanxnan", "-5x60"])
def test_what_is_no_size_of_a_card_is_refused_with_what_to_write(written: str) -> None:
    with pytest.raises(BadTable) as refused:
        parse_format(written)
    assert refused.value.code == "bad_format"
    assert "cabinet" in refused.value.remedy


@pytest.mark.parametrize("usual", PRESETS.values(), ids=PRESETS)
def test_faces_keep_the_shape_and_are_all_of_one_scale(usual: CardFormat) -> None:
    for one in (usual, usual.turned()):
        face = one.face
        assert max(face.width, face.height) == 640
        assert face.width / face.height == pytest.approx(one.width_mm / one.height_mm, rel=0.01)
        assert face.card_mm == pytest.approx((one.width_mm, one.height_mm), rel=1e-4)
        assert face.same_scale(FaceSize())
        assert fingerprint(size=face) == fingerprint()  # one index holds them all
        assert face_of_text(face_text(face)) == face


def test_the_common_format_is_what_it_was() -> None:
    """Old catalogues: the same face, the same names of stored files, the same descriptions."""
    assert PRESETS["insert"].face == FaceSize()
    assert face_text(FaceSize()) == ""
    quad = ((1.0, 2.0), (300.0, 2.0), (300.0, 500.0), (1.0, 500.0))
    # Pinned: what the version before formats called this face.
    assert face_name("ab" * 32, quad, FaceSize()).endswith("-903aaacb9bda3329.jpg")
    assert face_of_text("no format of ours") == FaceSize()


def test_a_shape_without_a_size_is_kept_too() -> None:
    odd = face_of(46, 63.5)
    assert face_text(odd, odd=True) == "about 46x63.5"
    assert face_of_text("about 46x63.5") == odd


def outline(width: float, height: float) -> CardQuad:
    return CardQuad(np.array([[50, 50], [50 + width, 50], [50 + width, 50 + height], [50, 50 + height]], np.float32), 1)


def test_mm_tell_formats_of_one_shape_apart_and_shape_alone_does_not() -> None:
    cabinet, postcard = PRESETS["cabinet"].face, PRESETS["postcard"].face
    pixels = np.zeros((1200, 900, 3), np.uint8)
    scan, phone = Photo.from_pixels(pixels, dpi=150.0), Photo.from_pixels(pixels)
    corners = outline(89 / 25.4 * 150, 140 / 25.4 * 150).corners
    assert fitting_sizes(scan, corners, (cabinet, postcard)) == (postcard,)
    assert set(fitting_sizes(phone, corners, (cabinet, postcard))) == {cabinet, postcard}


def test_a_landscape_card_starts_at_its_own_upper_left() -> None:
    pixels = np.zeros((600, 900, 3), np.uint8)
    pixels[50:250, 50:400] = 200
    pixels[50:100, 50:100] = (250, 30, 30)  # a mark at the upper left of the card as it lies
    size = parse_format("178x102").face
    portrait = CardQuad(np.array([[50, 250], [50, 50], [400, 50], [400, 250]], np.float32), 1)
    face = flatten(Photo.from_pixels(pixels), as_held(portrait, size), size)
    assert face.pixels.shape == (size.height, size.width, 3)
    assert face.pixels[20, 20, 0] > 220 > face.pixels[-20, -20, 0]
    assert as_portrait(size) == parse_format("102x178").face
