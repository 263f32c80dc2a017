"""What the movement network learns from: prints, wear, pictures and movements as they are drawn, and their truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import spearmanr

from matcher.core.align.view import picture_box
from matcher.core.ladder.pose import STEADY, UNSTEADY
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.other_hand import OTHER_HAND
from matcher.lab.evaluation.other_wear import OTHER_KINDS
from matcher.lab.manifests import Picture, Taken
from matcher.lab.measures import cllr
from matcher.lab.synthesis.face_pairs import CELL, TELLING_CELLS, DrawnFace, face_pairs, faces_of, windows_of
from matcher.lab.synthesis.movement import another_moment
from matcher.lab.synthesis.observer import BARELY, LIMIT
from matcher.lab.synthesis.picture_history import PictureHistory, pictured, random_history
from matcher.lab.synthesis.prints import Field, PrintLook, characteristic, random_look, render_print, retouched
from matcher.lab.synthesis.visible import IGNORED, MOVED, SAME, clearness, differs
from matcher.lab.synthesis.wear import KINDS, worn
from matcher.lab.synthesis.worlds import (
    ENOUGH_TONES,
    VISIBLE_CELLS,
    VISIBLE_CHANGE,
    WORLDS,
    before_backdrop,
    enrolled_print,
    moment_of,
    tones_of,
    world_pairs,
)  # fmt: skip
from matcher.lab.training.fit_pose import UNSTEADY_FEATURES, facts_of, left_out, negative, to_an_eye
from matcher.lab.training.movement_sets import PAIRS, SIZE, Material, drawn_sets
from reference_demo.cast import PLATES
from tests.support.faces import face_of, picture

NEUTRAL = PrintLook()
NO_WINDOW = np.random.default_rng(1)
"""With this seed both cards show the whole window."""


@pytest.fixture(scope="module")
def view() -> Field:
    return face_of(picture(61)).grey.astype(np.float32) / np.float32(255)


@pytest.mark.parametrize("seed", range(12))
def test_a_characteristic_curve_never_falls(seed: int) -> None:
    look = random_look(np.random.default_rng(seed), 1.2) if seed else NEUTRAL
    tones = characteristic(np.linspace(0, 1, 400, dtype=np.float32), look)
    assert (np.diff(tones) >= 0).all()
    assert tones[-1] - tones[0] > 0.1


def test_a_neutral_print_keeps_the_order_of_tones(view: Field) -> None:
    rng = np.random.default_rng(1)
    plain = render_print(view, replace(random_look(rng, 0.0), grain=0.0), rng)
    assert replace(random_look(rng, 0.0), grain=0.0) == NEUTRAL
    assert spearmanr(view[::4, ::4].ravel(), plain[::4, ::4].ravel()).statistic > 0.999


def test_prints_differ_the_more_the_stronger(view: Field) -> None:
    apart = []
    for strength in (0.2, 1.0):
        looks = [np.random.default_rng(seed) for seed in range(6)]
        prints = [render_print(view, random_look(rng, strength), rng) for rng in looks]
        assert all(one.min() >= 0 and one.max() <= 1 for one in prints)
        apart.append(np.mean([np.abs(a - b).mean() for a, b in combinations(prints, 2)]))
    assert apart[1] > 2 * apart[0]


def test_a_retoucher_leaves_edges_alone(view: Field) -> None:
    changed = np.abs(retouched(view, np.random.default_rng(2)) - view)
    slope = np.hypot(*np.gradient(view))
    assert changed[slope > np.quantile(slope, 0.95)].mean() < 0.2 * changed.max()
    assert changed.max() > 0.02


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_every_kind_of_wear_changes_something_and_says_what_is_gone(kind: str, seed: int, view: Field) -> None:
    for strength in (0.1, 1.0):
        hurt, opaque = worn(view, [kind], np.random.default_rng(seed), strength)
        again, _ = worn(view, [kind], np.random.default_rng(seed), strength)
        assert np.array_equal(hurt, again)
        assert hurt.shape == opaque.shape == view.shape
        assert 0 <= opaque.min() <= opaque.max() <= 1
        assert 0 <= hurt.min() <= hurt.max() <= 1
        assert np.abs(hurt - view).max() > 0.02
        assert (opaque > 0.5).mean() < 0.6


@pytest.mark.parametrize("small", [False, True])
def test_a_picture_of_a_card_is_of_its_size_and_faint_where_it_faded(small: bool, view: Field) -> None:
    rng = np.random.default_rng(4)
    for _ in range(4):
        seen = pictured(view, random_history(rng, small=small), rng)
        assert seen.shape == view.shape
        assert 0 <= seen.min() <= seen.max() <= 1
    strong, faint = (pictured(view, PictureHistory(contrast=c), np.random.default_rng(1)) for c in (1.0, 0.15))
    assert faint.std() < 0.3 * strong.std()


def test_another_moment_moves_what_is_there(view: Field) -> None:
    moved = [another_moment(view, np.random.default_rng(seed)) for seed in range(6)]
    assert all((differs(view, other) == MOVED).any() for other in moved)
    assert not differs(view, view.copy()).any()
    assert all(abs(float(other.mean() - view.mean())) < 0.05 for other in moved)


def test_pairs_of_faces_carry_the_truth() -> None:
    rng = np.random.default_rng(5)
    (view,) = windows_of([picture(62, 900, 540)], SIZE, rng)
    views = [view, another_moment(view, rng, 1.5)]
    faces = faces_of([(number, views[number]) for number in (0, 0, 1)], rng, 1.0, 1.0)
    one, *others = face_pairs(views, faces, rng)
    assert one.same is True
    assert not (one.labels == MOVED).any()
    assert {pair.same for pair in others} <= {False, None}
    for pair in (one, *others):
        assert pair.labels.shape == pair.shown.shape == (SIZE[0] // CELL, SIZE[1] // CELL)
        assert (pair.labels[~pair.shown] == IGNORED).all()
        assert (pair.labels == SAME).any()


def test_sets_of_four_are_of_one_shape_and_a_seed_gives_one() -> None:
    material = Material([[PLATES["A1"].path, PLATES["B1"].path], [PLATES["C1"].path]], [])
    first, again = (next(drawn_sets(material, np.random.default_rng(6))) for _ in range(2))
    assert all(np.array_equal(first[name], again[name]) for name in first)
    assert first["faces"].shape == (4, 2, *SIZE)
    assert first["labels"].shape == first["shown"].shape == (len(PAIRS), SIZE[0] // CELL, SIZE[1] // CELL)
    assert {*first["same"].tolist()} <= {-1, 0, 1}
    assert 1 in first["same"].tolist()
    assert material.shares.sum() == pytest.approx(1)
    assert material.shares[0] > material.shares[1]


def test_only_several_poses_of_one_sitter_differ_by_movement() -> None:
    def taken(number: int, sitter: str, pose: str) -> Taken:
        name = f"{sitter}{number}.jpg"
        return Taken(
            PLATES["A1"].path.with_name(name), "drawn", Picture(name, f"{number:064x}", "train", sitter, "", pose)
        )

    frames = [taken(1, "a", "up"), taken(2, "a", "down"), taken(3, "b", "up")]
    plates = [taken(4, "p", "p"), taken(5, "p", "p")]
    material = Material.of([frames, plates])
    assert [[path.name for path in group] for group in material.groups] == [["a1.jpg", "a2.jpg"]]
    assert [len(source) for source in material.sources] == [3, 2]


def test_what_a_picture_shows_of_a_change_is_told_by_its_slope_and_its_noise(view: Field) -> None:
    rng = np.random.default_rng(2)

    def pictured_as(tones: Field, noise: float) -> NDArray[np.uint8]:
        return np.clip(255 * tones + rng.normal(0, noise, tones.shape), 0, 255).astype(np.uint8)

    clear = clearness(view, pictured_as(view, 4))
    assert np.median(clear) == pytest.approx(255 / 4, rel=0.15)
    assert np.median(clearness(view, pictured_as(0.4 + 0.3 * view, 4))) == pytest.approx(0.3 * 255 / 4, rel=0.15)
    assert np.median(clearness(view, pictured_as(view, 12))) == pytest.approx(255 / 12, rel=0.15)
    covered = view.copy()
    covered[200:320] = 0.9
    assert np.median(clearness(view, pictured_as(covered, 4))[230:290]) < 0.2 * np.median(clear)


def test_movement_that_a_print_does_not_show_is_not_learnt(view: Field) -> None:
    rng = np.random.default_rng(3)
    views = [view, another_moment(view, rng, 2.0)]
    opaque = np.zeros_like(view)

    def faces(contrast: float) -> list[DrawnFace]:
        shown = [contrast * one + (1 - contrast) / 2 + rng.normal(0, 0.02, one.shape) for one in views]
        return [DrawnFace(np.clip(255 * g, 0, 255).astype(np.uint8), n, opaque, opaque) for n, g in enumerate(shown)]

    (clear,) = face_pairs(views, faces(1.0), np.random.default_rng(1))
    (faint,) = face_pairs(views, faces(0.02), np.random.default_rng(1))
    assert clear.same is False
    assert (clear.labels == MOVED).sum() > TELLING_CELLS
    assert faint.same is None
    assert not (faint.labels == MOVED).any()


def test_another_exposure_of_a_world_is_seen_to_be_one_on_both_prints() -> None:
    plate, rng = negative(PLATES["A1"].path), np.random.default_rng(5)
    enrolled = enrolled_print(plate, rng)
    faint = replace(enrolled, contrast=0.3, seed=7)
    moved = moment_of(plate, (enrolled, faint), rng)
    assert moved is not None
    still = cv2.resize(plate, moved.shape[::-1], interpolation=cv2.INTER_AREA)
    for made in (enrolled, faint):
        assert np.array_equal(made.card(plate).pixels, made.card(plate).pixels)
        change = np.abs(made.view(moved) - made.view(still))
        assert (change > VISIBLE_CHANGE).sum() > VISIBLE_CELLS
    blank = np.full_like(plate, 200)
    assert moment_of(blank, (enrolled,), rng) is None


def test_nobody_is_asked_about_what_colour_tells(view: Field) -> None:
    grey, nothing, patch, line = np.rint(255 * view).astype(np.uint8), *(np.zeros_like(view) for _ in range(3))
    patch[200:260, 100:160], line[300:302] = 1, 1
    (pair,) = face_pairs([view], [DrawnFace(grey, 0, told, told) for told in (nothing, patch + line)], NO_WINDOW)
    assert not pair.shown[200 // CELL : 260 // CELL, 100 // CELL : 160 // CELL].any()
    assert (pair.labels[~pair.shown] == IGNORED).all()
    assert pair.shown[300 // CELL].all()
    assert pair.shown[~cv2.dilate(patch, np.ones((45, 45)))[::CELL, ::CELL].astype(bool)].all()


def test_a_collector_enrols_prints_that_have_tones() -> None:
    plate = negative(PLATES["A1"].path)
    tones = [
        tones_of(enrolled_print(plate, np.random.default_rng(seed)).view(plate)[picture_box(FaceSize())])
        for seed in range(12)
    ]
    assert sum(255 * one >= ENOUGH_TONES for one in tones) >= 9


def test_a_world_differs_in_its_own_way_alone() -> None:
    plate = negative(PLATES["A1"].path)
    pairs = list(world_pairs(plate, [], negative(PLATES["C1"].path), np.random.default_rng(7), ("plain", "worn")))
    assert {pair.world for pair in pairs} == {"plain", "worn"} < set(WORLDS)
    usual = ["same", "same", "crop", "moment", "moment"]
    assert [pair.relation for pair in pairs] == [*usual, "backdrop", "other", *usual]
    assert all(bool(pair.wear) == (pair.world == "worn") and pair.tone == 0 for pair in pairs)
    assert all(pair.colour == 0 for pair in pairs if not pair.wear)
    assert len({pair.levels for pair in pairs}) == 1
    assert [pair.same for pair in pairs[:7]] == [True, True, True, False, False, False, False]
    assert all((pair.seen > 0) == (pair.relation == "moment") for pair in pairs)


def test_another_sitter_before_a_backdrop_changes_the_middle_alone() -> None:
    plate, other = negative(PLATES["A1"].path), negative(PLATES["C1"].path)
    for seed in range(6):
        made = before_backdrop(plate, other, np.random.default_rng(seed))
        assert (made.shape, made.dtype) == (plate.shape, plate.dtype)
        changed = np.abs(made.astype(int) - plate) > 0
        changed = changed.reshape(*plate.shape[:2], -1).any(axis=2)
        height, width = changed.shape
        assert 0.1 < changed.mean() < 0.8
        middle = changed[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3].mean()
        assert middle > 2 * changed[:, : width // 12].mean() + 0.2


def test_a_world_is_worn_by_whichever_hand_is_asked() -> None:
    plate, other = negative(PLATES["A1"].path), OTHER_HAND
    pairs = list(world_pairs(plate, [], plate, np.random.default_rng(8), ("worn",), other))
    assert {pair.wear for pair in pairs} <= set(OTHER_KINDS)
    assert all(0 <= pair.colour <= 1 for pair in pairs)
    assert len({pair.colour for pair in pairs}) > 1
    assert set(facts_of(pairs[0])) == {
        "world", "relation", "hand", "tone", "wear", "colour", "contrast", "levels", "seen",
    }  # fmt: skip
    assert {pair.hand for pair in pairs} == {"other"}


def test_two_exposures_that_no_eye_tells_apart_are_left_out_and_nothing_else() -> None:
    seen = [("same", np.nan), ("moment", LIMIT - 1), ("other", np.nan), ("moment", LIMIT + 1), ("crop", np.nan)]
    table = [{"relation": relation, "seen": value} for relation, value in seen]
    assert to_an_eye(table, 0) == table
    assert [row["relation"] for row in to_an_eye(table, LIMIT)] == ["same", "other", "moment", "crop"]
    assert 0 < BARELY < LIMIT


def test_the_cost_of_likelihood_ratios_against_worked_values() -> None:
    # Bruemmer & du Preez 2006: half the mean of log2(1 + 1/LR) of one kind and of log2(1 + LR) of the other.
    assert cllr([0.0, 0.0, 0.0], [True, False, False]) == pytest.approx(1.0)
    odds = np.log([4.0, 1.0, 0.25, 3.0])
    by_hand = 0.5 * ((np.log2(1.25) + np.log2(2)) / 2 + (np.log2(1.25) + np.log2(4)) / 2)
    assert cllr(odds, [True, True, False, False]) == pytest.approx(by_hand)
    assert by_hand == pytest.approx(0.9109640474436812)


def told_rows(hands: Sequence[str]) -> list[dict[str, Any]]:
    """Pairs of twenty pictures whose odds tell them apart, of every world and of these hands by turns."""
    rng, rows = np.random.default_rng(4), []
    for n in range(200):
        same, rung = n % 2 == 0, (STEADY, UNSTEADY)[n % 4 // 2]
        features = dict.fromkeys(UNSTEADY_FEATURES, 0.5) | {"odds": float(rng.normal(3 if same else -3, 2))}
        about = {"world": WORLDS[n % 5], "hand": hands[n // 5 % len(hands)], "name": f"picture {n // 10}"}
        relation = "same" if same else "moment"
        rows.append({**about, "relation": relation, "contrast": 0.6, "rung": rung, "features": features})
    return rows


@pytest.mark.parametrize("hands", [("own",), ("own", "shapes", "forces")])
def test_each_world_each_hand_and_each_fifth_of_the_pictures_is_told_by_the_others(hands: tuple[str, ...]) -> None:
    lines = list(left_out(told_rows(hands)))
    told = {line.split("  ")[0].strip() for line in lines}
    assert told == {*WORLDS, *(hands if len(hands) > 1 else ()), *(f"pictures, fifth {n}" for n in range(1, 6))}
    assert all("AUROC 0.9" in line or "AUROC 1.0" in line for line in lines)
