"""Facts about a face, each with its uncertainty: size and cut against ISO sizes, unevenness, scatter."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.core.condition import condition
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from tests.support.faces import face_of, picture


def scanned(width_mm: float, height_mm: float, dpi: float, lean_mm: float = 0.0) -> tuple[Photo, CardQuad]:
    """A scan of a blank rectangle; its upper right corner pushed to the right by `lean_mm`."""
    scale = dpi / 25.4
    w, h = width_mm * scale, height_mm * scale
    corners = np.array([[20, 20], [20 + w + lean_mm * scale, 20], [20 + w, 20 + h], [20, 20 + h]], np.float32)
    pixels = np.full((int(h) + 50, int(w + lean_mm * scale) + 50, 3), 150, np.uint8)
    return Photo.from_pixels(pixels, dpi=dpi), CardQuad(corners, 1.0)


@pytest.mark.parametrize(
    ("width", "height", "dpi"),
    [
        (53.98, 85.60, 300.0),  # ISO/IEC 7810 ID-1
        (210.0, 297.0, 150.0),  # ISO 216 A4
        (36.5, 63.5, 600.0),
    ],
)
def test_sizes_in_mm_at_a_given_resolution(width: float, height: float, dpi: float) -> None:
    size = FaceSize(width, height, 368, 640)
    photo, outline = scanned(width, height, dpi)
    facts = condition(flatten(photo, outline, size), photo, outline)
    assert facts.size_mm == pytest.approx((width, height), abs=0.02)
    assert facts.off_size_mm == pytest.approx((0, 0), abs=0.02)
    assert facts.aspect == pytest.approx(width / height, abs=1e-3)
    assert facts.off_square == pytest.approx(0, abs=0.01)
    assert facts.scale == "scan"
    assert 0.05 < facts.sigma["size_mm"] < 0.02 * height


def test_a_trimmed_and_crooked_card_is_told_by_how_much() -> None:
    photo, outline = scanned(35.5, 63.5, 300.0, lean_mm=0.5)
    facts = condition(flatten(photo, outline), photo, outline)
    assert facts.off_size_mm == pytest.approx((-0.75, 0.0), abs=0.02)  # the mean of top and foot
    assert facts.off_square == pytest.approx(float(np.degrees(np.arctan(0.5 / 63.5))), abs=0.02)
    assert facts.off_nominal == pytest.approx(35.75 / 63.5 / (36.5 / 63.5) - 1, abs=2e-3)


def test_without_a_resolution_proportions_are_told_and_millimetres_are_not() -> None:
    photo, outline = scanned(36.5, 63.5, 300.0)
    photo = Photo.from_pixels(photo.pixels)
    facts = condition(flatten(photo, outline), photo, outline)
    assert (facts.size_mm, facts.off_size_mm, facts.off_square, facts.scale) == (None, None, None, "nominal")
    assert facts.aspect == pytest.approx(36.5 / 63.5, abs=2e-3)
    assert 0 < facts.sigma["aspect"] < 0.02


def test_uneven_fading_is_told_from_even_fading() -> None:
    even = face_of(picture(3), contrast=0.6)
    share = np.linspace(1.0, 0.15, even.size.height)[:, None, None]
    level = even.pixels.mean(axis=(0, 1))
    patchy = Face.from_pixels(np.clip(level + (even.pixels - level) * share, 0, 255).astype(np.uint8))
    assert condition(patchy).unevenness > 1.5 * condition(even).unevenness


def test_every_fact_has_an_uncertainty_that_is_plausible() -> None:
    face = face_of(picture(3), contrast=0.5)
    facts = condition(face)
    assert set(facts.sigma) == {"residual_contrast", "sharpness", "unevenness", "glare"}
    assert 0 < facts.sigma["residual_contrast"] < 0.3
    assert 0 <= facts.sigma["glare"] < 0.01
