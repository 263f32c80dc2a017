"""Stage `describe`: hashes and features that outlive fading, and a fingerprint that tells when they could differ."""

from __future__ import annotations

from dataclasses import replace

import imagehash
import numpy as np
import pytest
from PIL import Image

from matcher.core.describe import DescribeSettings, describe, fingerprint
from matcher.core.flatten import Face
from tests.support.faces import SIZE, face_of, picture


def test_the_same_face_always_gives_the_same_description() -> None:
    first, second = (describe(face_of(picture(1), noise=2, seed=3)) for _ in range(2))
    assert np.array_equal(first.descriptors, second.descriptors)
    assert np.array_equal(first.hashes, second.hashes)


def test_shapes_and_limits() -> None:
    found = describe(face_of(picture(2)))
    assert 200 < len(found.descriptors) <= DescribeSettings().features
    assert found.points.min() >= 0
    assert (found.points < (SIZE.width, SIZE.height)).all()


def test_a_blank_face_has_no_features_and_is_no_error() -> None:
    blank = describe(Face.from_pixels(np.full((SIZE.height, SIZE.width, 3), 210, np.uint8)))
    assert blank.descriptors.shape == (0, 32)
    assert blank.hashes.shape == (32,)


def test_nothing_is_described_under_glare() -> None:
    face = face_of(picture(4))
    trusted = face.trusted.copy()
    trusted[:, :184] = False
    found = describe(replace(face, trusted=trusted))
    assert len(found.points)
    assert found.points[:, 0].min() >= 184


@pytest.mark.parametrize("contrast", [0.5, 0.2])
def test_a_faded_print_keeps_most_of_its_hash(contrast: float) -> None:
    fresh, faded, other = (
        describe(face).hashes
        for face in (face_of(picture(5)), face_of(picture(5), contrast=contrast, noise=2), face_of(picture(6)))
    )
    near, far = (int(np.unpackbits(fresh ^ hashes).sum()) for hashes in (faded, other))
    assert near < 60 < far


def test_imagehash_gives_its_published_constants() -> None:
    # ImageHash's own documentation states that hashes print as hexadecimal rows of bits, most significant first, and
    # that phash compares the DCT's low frequencies with their median. Left half dark, right half light:
    ramp = Image.fromarray(np.repeat(np.linspace(0, 255, 64).astype(np.uint8)[None], 64, axis=0))
    assert str(imagehash.average_hash(ramp)) == "0f" * 8  # each row: four dark, four light
    assert str(imagehash.dhash(ramp)) == "ff" * 8  # every pixel lighter than its left neighbour
    assert str(imagehash.dhash(ramp.transpose(Image.Transpose.FLIP_LEFT_RIGHT))) == "00" * 8
    # README of ImageHash 4.3: average_hash of its two test pictures, and their distance.
    first, second = imagehash.hex_to_hash("ffd7918181c9ffff"), imagehash.hex_to_hash("9f172786e71f1e00")
    assert first - second == 33
    # Our packed bytes are imagehash's bits in its own order.
    face = face_of(picture(7))
    own = imagehash.phash(Image.fromarray(face.grey), hash_size=16)
    assert describe(face).hashes.tobytes().hex() == str(own)


def test_the_fingerprint_changes_with_every_parameter() -> None:
    usual = DescribeSettings()
    others = [replace(usual, features=500), replace(usual, fast_threshold=9), replace(usual, levels=5)]
    assert len({fingerprint(settings) for settings in [usual, *others]}) == 4
    assert fingerprint(usual) == fingerprint(DescribeSettings())
