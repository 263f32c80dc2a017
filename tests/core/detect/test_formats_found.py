"""Cards of other formats found: alone, mixed, of no known format; by their edges alone; to half a pixel on pages."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.card_sizes import as_portrait
from matcher.core.detect.detection import detect
from matcher.core.detect.flatbed_layout import flatbed_quads
from matcher.core.detect.quad_search import overlap
from matcher.core.detect.reduced_image import reduce
from matcher.core.formats import PRESETS, parse_format
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from tests.core.detect.test_detection import draw_print, draw_table, lay, shoot, turned

ALL = tuple(one.face for usual in PRESETS.values() for one in (usual, usual.turned()))


def cover(width: int, height: int) -> NDArray[np.float32]:
    """A printed cover in colours that no old paper has, with a rectangle on it."""
    card = np.full((height, width, 3), (20, 150, 70), np.uint8)
    card[height // 5 : height // 2, width // 4 : 3 * width // 4] = (230, 40, 160)
    cv2.putText(card, "CASE", (width // 6, 4 * height // 5), cv2.FONT_HERSHEY_SIMPLEX, 4.0, (250, 240, 60), 24)
    cv2.circle(card, (width // 2, height // 3), width // 6, (20, 20, 60), -1)
    cv2.ellipse(card, (width // 2, 2 * height // 3), (width // 3, height // 10), 0, 0, 360, (235, 235, 235), -1)
    return card.astype(np.float32)


@pytest.mark.parametrize("usual", PRESETS.values(), ids=PRESETS)
def test_a_card_of_each_format_is_found_among_all_of_them(usual: object) -> None:
    size = as_portrait(usual.face)  # type: ignore[attr-defined]
    corners = turned((450, 600), 800, 9, aspect=size.aspect)
    card = draw_print(height_mm=63.5, width_mm=size.width_mm)
    found = detect(shoot(lay(draw_table("slate", 900, 1200), card, corners)), ALL)
    assert len(found) == 1
    (one,) = found
    assert overlap(one.corners, corners) > 0.97
    assert size in map(as_portrait, one.sizes)
    assert not one.odd


def test_a_coloured_cover_is_found_and_not_the_rectangle_on_it() -> None:
    """The shape of a flat case, about 0.73 : 1; the classifiers know old prints alone."""
    case = parse_format("135x185")
    corners = turned((450, 600), 700, -7, aspect=135 / 185)
    scene = lay(draw_table("oak", 900, 1200), cover(540, 740), corners)
    (found,) = detect(shoot(scene), case.face)
    assert overlap(found.corners, corners) > 0.95


def test_a_cover_cut_to_its_edges_is_a_card_of_its_format() -> None:
    """Nothing but its proportions tells; a camera's own tell nothing, nor do those of a bare board."""
    case = parse_format("135x185")
    (found,) = detect(Photo.from_pixels(cover(540, 740).astype(np.uint8)), (case.face, FaceSize()))
    assert found.corners.tolist() == [[0, 0], [540, 0], [540, 740], [0, 740]]
    assert found.sizes == (case.face,)
    of_camera = detect(Photo.from_pixels(cover(555, 740).astype(np.uint8)), parse_format("75x100").face)
    assert not any(float(np.ptp(one.corners[:, 0])) > 500 for one in of_camera)
    board = np.full((740, 540, 3), 120, np.uint8)
    assert not detect(Photo.from_pixels(board), case.face)


def test_what_has_no_known_format_is_offered_all_the_same() -> None:
    corners = turned((450, 600), 600, 5, aspect=0.9)
    (found,) = detect(shoot(lay(draw_table("slate", 900, 1200), cover(660, 733), corners)), FaceSize())
    assert (found.odd, found.sizes) == (True, ())
    assert overlap(found.corners, corners) > 0.95


def page(places: list[tuple[float, float, float, float]], dpi: float | None = 150.0) -> Photo:
    """Prints on a dark lid; places: left, top, width, height in mm; the scale is 150 dpi's whatever the file says."""
    scale = 150 / 25.4
    scene = np.full((round(297 * scale), round(216 * scale), 3), 30, np.float32)
    for left, top, width, height in places:
        flat = draw_print(height_mm=max(width, height), width_mm=min(width, height))
        flat = np.ascontiguousarray(np.rot90(flat)) if width > height else flat
        a, b, c, d = (v * scale for v in (left, top, left + width, top + height))
        scene = lay(scene, flat, np.array([[a, b], [c, b], [c, d], [a, d]], np.float32))
    noise = np.random.default_rng(1).normal(0, 1.0, scene.shape)
    return Photo.from_pixels(np.clip(scene + noise, 0, 255).astype(np.uint8), dpi=dpi)


MIXED = [(8.0, 8.0, 108.0, 165.0), (124.0, 8.0, 63.0, 100.0), (124.0, 120.0, 63.5, 36.5), (8.0, 182.0, 36.5, 63.5)]


@pytest.mark.parametrize("dpi", [150.0, None])
def test_a_page_of_three_formats_is_cut_and_each_card_has_its_own(dpi: float | None) -> None:
    found = list(detect(page(MIXED, dpi), ALL))
    assert len(found) == len(MIXED)
    scale = 150 / 25.4
    for left, top, width, height in MIXED:
        own = np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]]) * scale
        best = max(found, key=lambda one, own=own: overlap(one.corners, own))  # type: ignore[misc]
        assert overlap(best.corners, own) > 0.97
        assert sorted(best.sizes[0].card_mm) == sorted((width, height))


def test_cards_on_a_page_are_not_half_a_pixel_off() -> None:
    """Where cards touch, what the patch says stands; it was off by half a pixel up and to the left (code review B9)."""
    scale = 4.0
    pixels = np.full((800, 600, 3), 20, np.uint8)
    corners = []
    for column in range(2):
        for row in range(2):
            left, top = 100 + round(36.5 * scale) * column, 100 + round(63.5 * scale) * row
            flat = cv2.resize(draw_print().astype(np.uint8), (round(36.5 * scale), round(63.5 * scale)))
            pixels[top : top + flat.shape[0], left : left + flat.shape[1]] = flat
            corners.append([left, top, left + flat.shape[1], top + flat.shape[0]])
    photo = Photo.from_pixels(pixels)
    picture = reduce(photo)
    seen = flatbed_quads(picture, FaceSize(), scale * picture.scale[1])
    outer = np.array(corners)
    block = seen.quads.reshape(-1, 2) / np.array(picture.scale)
    ends = np.array([block.min(axis=0), block.max(axis=0)])
    true = np.array([[outer[:, 0].min(), outer[:, 1].min()], [outer[:, 2].max(), outer[:, 3].max()]])
    assert len(seen.quads) == 4
    # Its middle tells a shift, whatever blur takes from or adds to each edge.
    assert np.abs(ends.mean(axis=0) - true.mean(axis=0)).max() < 0.3
