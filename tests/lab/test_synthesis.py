"""Rehearsals: true corners, exact fading, one seed one card, all orientation tags."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from matcher.core.photo import read_photo
from matcher.lab.synthesis import (
    SURFACES,
    Age,
    Caption,
    Card,
    Crop,
    Scene,
    make_copy,
    needed_px_per_mm,
    photograph,
    print_card,
    scan,
    write_photo,
    write_scan,
)
from matcher.lab.synthesis.ageing import age_card
from matcher.lab.synthesis.camera import Camera, rectangle
from matcher.lab.synthesis.printing import FRESH_PAPER
from matcher.lab.training.fitting import Rows, fit, report

SMALL = {"width": 480, "height": 640}
WORDS = Caption("T. Varrowick", "Tessaly Shore R. C.", "Quillory Biscuit Works")
UNHARMED = Age(unevenness=0.0, foxing=0, scratches=0, dirt=0.0, worn_corners=0.0)


@pytest.fixture(scope="module")
def negative() -> np.ndarray:
    """A sitter of sorts: a pale figure before a mottled ground, 300 x 500."""
    rng = np.random.default_rng(3)
    ground = cv2.resize(rng.uniform(40, 140, (25, 15)).astype(np.float32), (300, 500), interpolation=cv2.INTER_CUBIC)
    cv2.ellipse(ground, (150, 300), (60, 190), 0, 0, 360, 205.0, -1)
    cv2.circle(ground, (150, 90), 35, 175.0, -1)
    return np.clip(ground, 0, 255).astype(np.uint8)


def fresh(negative: np.ndarray, seed: int = 1, **kwargs: object) -> Card:
    return print_card(negative, Crop(), WORDS, np.random.default_rng(seed), **kwargs)  # type: ignore[arg-type]


def marked_card(scale: float = 12.0) -> Card:
    """A dark card whose own four corners carry bright squares of 3 mm."""
    pixels = np.full((round(63.5 * scale), round(36.5 * scale), 3), 60, np.uint8)
    side = round(3 * scale)
    for rows in (slice(None, side), slice(-side, None)):
        for columns in (slice(None, side), slice(-side, None)):
            pixels[rows, columns] = 250
    return Card(pixels, np.full(pixels.shape[:2], 255, np.uint8), scale)


class TestPrinting:
    def test_size_is_nominal(self, negative):
        assert fresh(negative).pixels.shape == (750, 431, 3)  # 63.5 x 36.5 mm at 300 dpi
        assert fresh(negative, px_per_mm=8.0).size_mm == pytest.approx((36.5, 63.5), abs=0.1)

    def test_same_seed_same_pixels(self, negative):
        assert np.array_equal(fresh(negative).pixels, fresh(negative).pixels)
        assert not np.array_equal(fresh(negative).pixels, fresh(negative, seed=2).pixels)

    def test_plate_flaws_belong_to_the_plate(self, negative):
        first, again, other = (fresh(negative, plate=plate) for plate in (1, 1, 2))
        assert np.array_equal(first.pixels, again.pixels)
        assert not np.array_equal(first.pixels, other.pixels)

    def test_copies_are_cut_by_hand(self, negative):
        """Two copies of one crop shift by tenths of a millimetre, not by more."""
        grey = [cv2.cvtColor(fresh(negative, seed).pixels, cv2.COLOR_RGB2GRAY).astype(np.float32) for seed in range(9)]
        inner = np.s_[100:600, 80:350]
        shifts = [np.hypot(*cv2.phaseCorrelate(grey[0][inner], g[inner])[0]) / 11.81 for g in grey[1:]]
        assert 0.05 < np.median(shifts) < 0.7
        assert max(shifts) < 1.5

    @pytest.mark.parametrize("style", ["below", "plate", "top"])
    def test_words_show(self, negative, style):
        with_words = print_card(negative, Crop(), replace(WORDS, style=style), np.random.default_rng(1))
        without = print_card(negative, Crop(), Caption("", style=style), np.random.default_rng(1))
        differs = np.abs(with_words.pixels.astype(int) - without.pixels).max(axis=2) > 40
        rows = np.nonzero(differs.any(axis=1))[0] / 11.81
        assert differs.sum() > 500
        assert rows.max() < 8 if style == "top" else rows.min() > 54

    def test_zoom_enlarges(self, negative):
        wide, close = (
            print_card(negative, Crop(0.5, 0.5, zoom), Caption("", style="plate"), np.random.default_rng(1))
            for zoom in (1.0, 1.5)
        )
        bright = [(card.pixels[375, :, 1] > 185).sum() for card in (wide, close)]
        assert bright[1] / bright[0] == pytest.approx(1.5, abs=0.12)

    @pytest.mark.parametrize("crop", [(0.5, 0.5, 0.9), (1.2, 0.5, 1.0)])
    def test_impossible_crops_are_refused(self, crop):
        with pytest.raises(ValueError, match="zoom 1"):
            Crop(*crop)


class TestAgeing:
    @pytest.mark.parametrize("share", [1.0, 0.8, 0.5, 0.3, 0.15, 0.05])
    @pytest.mark.parametrize("unevenness", [0.0, 0.6])
    def test_residual_contrast_is_kept(self, negative, share, unevenness):
        """Green, whose share is 1 by definition, in the picture's middle and over the whole print."""
        card = fresh(negative)
        old = age_card(
            card, replace(UNHARMED, residual_contrast=share, unevenness=unevenness), np.random.default_rng(5)
        )
        before = FRESH_PAPER[1] - card.pixels[30:-30, 30:-30, 1].astype(float)
        after = old.pixels[30:-30, 30:-30, 1].astype(float)
        slope = np.polyfit(before.ravel(), after.ravel(), 1)[0]
        assert -slope == pytest.approx(share, rel=0.12 if unevenness else 0.05, abs=0.02)

    def test_same_seed_same_pixels(self, negative):
        age = Age(0.4, foxing=12, stains=1, crease=True, pencil=True)
        first, second = (make_copy(negative, Crop(), WORDS, age, seed=9) for _ in range(2))
        assert np.array_equal(first.pixels, second.pixels)
        assert np.array_equal(first.cover, second.cover)

    def test_one_copy_at_two_scales_has_the_same_stains(self, negative):
        age = Age(0.5, foxing=25, stains=2, dirt=0.8, crease=True)
        small = make_copy(negative, Crop(), WORDS, age, seed=9)
        large = make_copy(negative, Crop(), WORDS, age, seed=9, px_per_mm=20.0)
        reduced = cv2.resize(large.pixels, small.pixels.shape[1::-1], interpolation=cv2.INTER_AREA)
        difference = np.abs(reduced.astype(float) - small.pixels)
        assert np.median(difference) < 3
        other = make_copy(negative, Crop(), WORDS, age, seed=10)
        assert np.median(np.abs(other.pixels.astype(float) - small.pixels)) > 2 * np.median(difference)

    def test_trimming_takes_millimetres(self, negative):
        old = age_card(fresh(negative), replace(UNHARMED, trimmed_mm=(1, 0, 0.5, 2)), np.random.default_rng(1))
        assert old.size_mm == pytest.approx((35.0, 61.5), abs=0.15)

    def test_worn_corners_uncover(self, negative):
        old = age_card(fresh(negative), replace(UNHARMED, worn_corners=1.0), np.random.default_rng(1))
        assert old.cover[0, 0] == 0
        assert old.cover[300, 200] == 255

    @pytest.mark.parametrize(
        "wrong", [{"residual_contrast": 0.01}, {"residual_contrast": 1.1}, {"trimmed_mm": (9, 0, 0, 0)}]
    )
    def test_impossible_ages_are_refused(self, wrong):
        with pytest.raises(ValueError, match="must be"):
            Age(**wrong)


SCENES = [
    Scene("dark", **SMALL),  # straight from above
    Scene("dark", **SMALL, rotation=25),  # turned
    Scene("dark", **SMALL, upside_down=True, rotation=-8),  # read the other way up
    Scene("dark", **SMALL, tilt=30, tilt_towards=60),  # strong perspective
    Scene("dark", **SMALL, tilt=20, tilt_towards=200, distortion=0.04, offset=(0.05, -0.04)),  # a poor lens
    Scene("dark", width=640, height=480, share=0.9, distortion=-0.03),  # landscape, pincushion
]


class TestPhotographing:
    @pytest.mark.parametrize("scene", SCENES)
    def test_corners_are_true(self, scene):
        """Flattened by the stated corners, the marks are squares of 3 mm in the corners."""
        shot = photograph(marked_card(), replace(scene, shadow=0, blur=0.3, noise=0), np.random.default_rng(1))
        target = np.array([[0, 0], [365, 0], [365, 635], [0, 635]], np.float32)
        move = cv2.getPerspectiveTransform((shot.corners - 0.5).astype(np.float32), target - 0.5)
        flat = cv2.cvtColor(cv2.warpPerspective(shot.pixels, move, (365, 635)), cv2.COLOR_RGB2GRAY)
        for corner in (flat, flat[:, ::-1], flat[::-1], flat[::-1, ::-1]):
            bright = corner[:60, :60] > 150
            assert bright[1:28, 1:28].mean() > 0.97
            assert bright[33:, :].mean() < 0.02
            assert bright[:, 33:].mean() < 0.02

    def test_corners_are_in_reading_order(self):
        """TL TR BR BL of the card itself, also where it lies upside down."""
        upright = photograph(marked_card(), Scene("dark", **SMALL), np.random.default_rng(1)).corners
        turned = photograph(marked_card(), Scene("dark", **SMALL, upside_down=True), np.random.default_rng(1)).corners
        assert upright[0, 1] < upright[3, 1]
        assert upright[0, 0] < upright[1, 0]
        assert turned == pytest.approx(np.roll(upright, 2, axis=0), abs=0.5)

    @pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
    def test_share_of_the_frame(self, share):
        shot = photograph(marked_card(), Scene("dark", **SMALL, share=share, distortion=0), np.random.default_rng(1))
        spans = np.ptp(shot.corners, axis=0) / (480, 640)
        assert spans.max() == pytest.approx(share, abs=0.01)

    @pytest.mark.parametrize("surface", SURFACES)
    def test_everything_at_once_is_repeatable(self, negative, surface):
        card = make_copy(negative, Crop(), WORDS, Age(0.4), seed=3)
        scene = Scene(surface, **SMALL, tilt=15, glare=0.8, sleeve=True, thumb=2, shadow=0.6, warmth=0.5, exposure=-0.3)
        first, second = (photograph(card, scene, np.random.default_rng(7), beside=card) for _ in range(2))
        assert first.pixels.shape == (640, 480, 3)
        assert write_photo(first, scene) == write_photo(second, scene)

    def test_glare_burns_out_and_a_thumb_covers(self):
        plain, lit, held = (
            photograph(marked_card(), Scene("dark", **SMALL, **more), np.random.default_rng(4)).pixels
            for more in ({}, {"glare": 1.0}, {"thumb": 1})
        )
        assert (lit.min(axis=2) >= 250).sum() > (plain.min(axis=2) >= 250).sum() + 100
        corner = photograph(marked_card(), Scene("dark", **SMALL), np.random.default_rng(4)).corners[1].astype(int)
        assert held[corner[1] + 3, corner[0] - 3].min() < 0.9 * plain[corner[1] + 3, corner[0] - 3].min()

    @pytest.mark.parametrize("orientation", range(1, 9))
    def test_every_orientation_tag_comes_back_upright(self, orientation):
        """CIPA DC-008, tag 0x0112: what is stored turned is read upright."""
        scene = Scene("wood", width=400, height=560, rotation=9, orientation=orientation, quality=97)
        shot = photograph(marked_card(), scene, np.random.default_rng(2))
        data = write_photo(shot, scene)
        stored = Image.open(io.BytesIO(data))
        assert stored.getexif()[0x0112] == orientation
        assert stored.size == ((400, 560) if orientation <= 4 else (560, 400))
        difference = np.abs(read_photo(data).pixels.astype(int) - shot.pixels)
        assert difference.mean() < 6

    def test_needed_scale_is_the_photos(self):
        scene = Scene("dark", **SMALL, distortion=0)
        camera = Camera.over(scene, (36.5, 63.5))
        assert needed_px_per_mm(scene, (36.5, 63.5)) == pytest.approx(camera.px_per_mm(), rel=0.01)

    def test_camera_there_and_back(self):
        camera = Camera.over(Scene(**SMALL, tilt=30, tilt_towards=10, distortion=0.05), (36.5, 63.5))
        outline = rectangle((36.5, 63.5))
        assert camera.world(camera.project(outline)) == pytest.approx(outline, abs=1e-3)

    @pytest.mark.parametrize("wrong", [{"orientation": 0}, {"thumb": 4}, {"tilt": 80}, {"width": 10}])
    def test_impossible_scenes_are_refused(self, wrong):
        with pytest.raises(ValueError, match=r"must be|at least"):
            Scene(**wrong)


class TestScanning:
    @pytest.mark.parametrize("lid", ["white", "black"])
    def test_scan_states_its_resolution_and_true_corners(self, negative, lid):
        shot = scan(fresh(negative), np.random.default_rng(4), lid=lid)
        assert read_photo(write_scan(shot)).dpi == 300
        width = np.linalg.norm(shot.corners[1] - shot.corners[0]) / 11.811
        height = np.linalg.norm(shot.corners[3] - shot.corners[0]) / 11.811
        assert (width, height) == pytest.approx((36.5, 63.5), abs=0.1)
        top = shot.corners[1] - shot.corners[0]
        assert abs(np.degrees(np.arctan2(top[1], top[0]))) < 1.5

    def test_corners_of_a_scan_are_true(self):
        shot = scan(marked_card(300 / 25.4), np.random.default_rng(8), lid="black")
        target = np.array([[0, 0], [365, 0], [365, 635], [0, 635]], np.float32)
        move = cv2.getPerspectiveTransform((shot.corners - 0.5).astype(np.float32), target - 0.5)
        flat = cv2.cvtColor(cv2.warpPerspective(shot.pixels, move, (365, 635)), cv2.COLOR_RGB2GRAY)
        for corner in (flat, flat[:, ::-1], flat[::-1], flat[::-1, ::-1]):
            assert (corner[1:28, 1:28] > 150).mean() > 0.97
            assert (corner[33:60, :60] > 150).mean() < 0.02


def test_a_measure_of_difference_never_speaks_for_the_same() -> None:
    """Two measures that nearly repeat each other: a free fit lets one of them count the wrong way."""
    rng = np.random.default_rng(5)
    same = rng.random(400) < 0.5
    first = np.where(same, 0.0, 1.0) + rng.normal(0, 0.6, 400)
    rows = Rows(
        ("a", "b"), np.column_stack([first, first + rng.normal(0, 0.05, 400) - 0.04 * ~same]), same, ("",) * 400
    )
    assert max(fit(rows).weights) > 0
    bounded = fit(rows, against=("a", "b"))
    assert max(bounded.weights) <= 0
    assert report(bounded, rows)["auroc"] > 0.8


def test_without_bounds_the_signed_fit_is_scikit_learns() -> None:
    rng = np.random.default_rng(6)
    same = rng.random(300) < 0.5
    rows = Rows(("a", "b"), rng.normal(0, 1, (300, 2)) + same[:, None], same, ("",) * 300)
    assert fit(rows, against=("none of these",)).weights == pytest.approx(fit(rows).weights, abs=0.01)


def test_a_feature_that_never_varied_can_be_asked_for_again() -> None:
    rng = np.random.default_rng(1)
    truth = rng.random(60) < 0.5
    rows = Rows(("a", "never"), np.column_stack([truth + rng.normal(0, 1, 60), np.zeros(60)]), truth, ("x",) * 60)
    for model in (fit(rows), fit(rows, against=("never",)), fit(rows, mirrored=True)):
        assert np.isfinite(model.logit({"a": 0.5, "never": 1.0}))
