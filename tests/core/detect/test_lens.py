"""What a lens bows is told from a card's four sides and taken out; sides that are bent otherwise tell of no lens."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.lens import ON_BOTH, Bow, LensError, lens_error
from matcher.core.detect.refinement import refine
from matcher.core.detect.settings import RefinementSettings
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.crop import measure_crop, window_of
from matcher.core.ladder.registered import Registered
from matcher.core.photo import Photo

WIDTH, HEIGHT, SCALE = 900, 1200, 15.0
CARD = np.array([[-18.25, -31.75], [18.25, -31.75], [18.25, 31.75], [-18.25, 31.75]])
FACE_MM = (36.5, 63.5)


def drawn_by(share: float, turn: float = 4.0) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """A light card with a grid of dark lines, 5 mm apart from its middle, on a dark table, and its corners, as OpenCV's
    camera model draws them (one radial coefficient, Brown 1971): (h, w, 3) uint8 and (4, 2)."""
    radius = np.hypot(WIDTH, HEIGHT) / 2
    camera = np.array([[radius, 0, WIDTH / 2 - 0.5], [0, radius, HEIGHT / 2 - 0.5], [0, 0, 1.0]])
    # Three samples a pixel, each way: edges fall between pixels.
    columns, rows = np.meshgrid((np.arange(3 * WIDTH) - 1) / 3, (np.arange(3 * HEIGHT) - 1) / 3)
    bent = np.array([-share, 0, 0, 0, 0])
    straight = cv2.undistortPoints(np.dstack([columns, rows]).reshape(-1, 1, 2), camera, bent, P=camera)
    angle = np.radians(turn)
    way = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    mm = (straight.reshape(3 * HEIGHT, 3 * WIDTH, 2) - [WIDTH / 2 - 0.5, HEIGHT / 2 - 0.5]) @ way.T / SCALE
    inside = (np.abs(mm) <= np.array(FACE_MM) / 2).all(axis=-1)
    lines = (np.abs(mm - 5 * np.rint(mm / 5)) < 0.15).any(axis=-1) & (np.abs(mm) < [16, 29]).all(axis=-1)
    levels = np.where(inside, np.where(lines, 60.0, 205.0), 70.0)
    levels = cv2.resize(levels, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    levels += np.random.default_rng(3).normal(0, 2, levels.shape)
    soft = cv2.GaussianBlur(np.clip(levels, 0, 255), (0, 0), 0.6).astype(np.uint8)
    ideal = (CARD @ way / radius * SCALE).reshape(-1, 1, 2)
    corners, _ = cv2.projectPoints(np.dstack([ideal, np.ones((4, 1, 1))]), np.zeros(3), np.zeros(3), camera, bent)
    return np.repeat(soft[..., None], 3, axis=2), corners.reshape(4, 2) + 0.5


def lines_off_mm(face: Face, bow: Bow | None) -> float:
    """How far an upright line of the grid lies from where it was printed, at most, near head, middle and foot."""
    px, off = face.size.px_per_mm, []
    for down in (-27, -22, -2, 3, 23, 27):
        for across in (-15, -10, -5, 0, 5, 10, 15):
            place = (np.array([[across, down]]) + np.array(FACE_MM) / 2) * px - 0.5
            at = bow.seen(place)[0] if bow else place[0]
            near = np.arange(round(at[0] - 0.8 * px), round(at[0] + 0.8 * px) + 1)
            dark = np.clip(190 - face.grey[round(at[1]) - 8 : round(at[1]) + 8, near].mean(axis=0), 0, None)
            off.append(abs(float(near @ dark / dark.sum()) - at[0]) / px)
    return max(off)


def face_by(share: float) -> Face:
    """That card, found and flattened."""
    pixels, corners = drawn_by(share)
    found = refine(pixels, corners[None], FACE_MM[1], RefinementSettings().fine)[0]
    return flatten(Photo.from_pixels(pixels), CardQuad(found, 1.0))


@pytest.mark.parametrize("share", [0.012, 0.005, -0.006])
def test_what_a_camera_model_bends_is_told(share: float) -> None:
    pixels, corners = drawn_by(share)
    found = lens_error(pixels, corners, FACE_MM[1])
    assert found is not None
    assert found.share == pytest.approx(share, rel=0.2)  # that model's coefficient is stated the other way round


@pytest.mark.parametrize("share", [0.025, -0.02])
@pytest.mark.parametrize("turned", [False, True])
def test_what_a_lens_moved_on_a_face_is_known(share: float, turned: bool) -> None:
    face = face_by(share).half_turn() if turned else face_by(share)
    assert lines_off_mm(face, face.bow) < 0.5 * lines_off_mm(face, None)


@pytest.mark.parametrize(("share", "larger"), [(0.025, 0.004), (-0.02, -0.004)])
def test_a_picture_is_no_larger_for_its_lens(share: float, larger: float) -> None:
    """The same card by a lens that errs and by one that does not: its window is the same, to five hundredths of a per
    cent; without what is known of the lens it is half a per cent larger, or smaller. So of either card."""
    bowed, straight = face_by(share), face_by(0.0)
    for query, reference, way in ((bowed, straight, 1), (straight, bowed, -1)):
        pair = Registered.of(query, reference, align(View(query), View(reference), start=np.eye(3)))
        assert abs(window_of(pair).scale - 1) < 0.0005
        assert way * (measure_crop(pair.alignment, query.size).scale - 1) / larger > 0.9


def test_a_bare_picture_is_straightened_as_a_whole() -> None:
    """No line tells where a registration would look: all places count alike, and nothing fails."""
    face = face_by(0.025)
    assert face.bow is not None
    found = face.bow.homography(np.zeros(face.grey.shape, np.float32))
    assert 0.002 < np.sqrt(np.linalg.det(found[:2, :2])) - 1 < 0.01


def test_a_lens_without_error_is_left_alone() -> None:
    pixels, corners = drawn_by(0.0)
    assert lens_error(pixels, corners, FACE_MM[1]) is None


def test_one_bent_side_is_no_lens() -> None:
    """A card that was cut along a bow at one side: the others do not say the same."""
    pixels, corners = drawn_by(0.0, 0)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    left, top, bottom = corners[0, 0], corners[0, 1], corners[3, 1]
    bow = left + 14 * np.clip(1 - ((rows - (top + bottom) / 2) / (bottom - top) * 2) ** 2, 0, 1)
    pixels[columns < bow] = 70
    assert lens_error(pixels, corners, FACE_MM[1]) is None


def test_a_card_of_few_pixels_tells_nothing() -> None:
    pixels, corners = drawn_by(0.012)
    assert lens_error(cv2.resize(pixels, None, fx=0.2, fy=0.2), corners * 0.2, FACE_MM[1]) is None  # type: ignore[call-overload]


def test_there_and_back() -> None:
    lens = LensError(0.02, (WIDTH, HEIGHT))
    spots = np.array([[0, 0], [450, 600], [880, 30], [300, 1100.0]])
    assert np.allclose(lens.seen(lens.straightened(spots)), spots, atol=0.01)
    assert np.allclose(lens.straightened([[WIDTH / 2, HEIGHT / 2]]), [[WIDTH / 2, HEIGHT / 2]])


def test_a_fitted_line_crosses_a_bowed_side_at_the_nodes_of_gauss_and_legendre() -> None:
    at = np.linspace(0, 1, 2001)
    line = np.polynomial.Polynomial.fit(at, at * (1 - at), 1)
    assert np.allclose(line(ON_BOTH), ON_BOTH * (1 - ON_BOTH), atol=1e-3)
    assert np.allclose(2 * ON_BOTH - 1, np.polynomial.legendre.leggauss(2)[0])
