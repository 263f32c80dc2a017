"""The ladder: each rung on faces drawn by code, and where the answer stops."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage.metrics import structural_similarity

from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View, picture_box, picture_corners, picture_zone
from matcher.core.calibration import Calibration, RungModel, log_odds, sigmoid
from matcher.core.flatten import Face
from matcher.core.formats import PRESETS
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.caption import CaptionFinding, judge_caption
from matcher.core.ladder.crop import CropFinding, Window, judge_crop, measure_crop
from matcher.core.ladder.decision import decide
from matcher.core.ladder.expectation import expected_odds
from matcher.core.ladder.fusion import fuse_by_pose
from matcher.core.ladder.head_to_head import Contender, share_odds
from matcher.core.ladder.local_ncc import correlation_map
from matcher.core.ladder.picture_settings import Band, CropSettings
from matcher.core.ladder.pose import PoseFinding, judge_pose
from matcher.core.ladder.pose_ranking import rank_poses
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.settings import ExpectationSettings
from matcher.core.ladder.standing import CaptionEvidence
from matcher.core.ladder.words import WordsFinding
from matcher.core.reference_set import KnownRecord, KnownReference
from matcher.core.settings import Thresholds
from matcher.jobs.render.crop_map import crop_map
from matcher.jobs.render.evidence import crop_mosaic
from tests.support.faces import SIZE, face_of, moved_spot, picture, window

CALIBRATION = Calibration.load()
UNSCALED = replace(CALIBRATION, platt={})


def registered(query: Face, reference: Face) -> Alignment:
    found = align(View(query), View(reference))
    assert found, found.reason
    return found


def pair_of(query: Face, reference: Face) -> Registered:
    return Registered.of(query, reference, registered(query, reference))


# Pose


def studio(name: str) -> np.ndarray:
    """(900, 520) uint8: one of the demo's rendered negatives."""
    path = Path(__file__).parents[3] / "reference_demo" / "negatives" / f"{name}.jpg"
    return cv2.resize(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), (520, 900), interpolation=cv2.INTER_AREA)


def moved_head(negative: np.ndarray) -> np.ndarray:
    """The same backdrop; the head has moved by 1.4 mm of a card."""
    return moved_spot(negative, (262, 185), 60, (13, 13))


def test_the_picture_box_holds_the_whole_zone_in_whole_steps() -> None:
    rows, columns = picture_box(SIZE)
    assert picture_zone(SIZE)[rows, columns].sum() == picture_zone(SIZE).sum()
    assert (rows.stop - rows.start) % 8 == (columns.stop - columns.start) % 8 == 0


@pytest.mark.parametrize("contrast", [0.8, 0.4, 0.2])
def test_one_negative_is_told_from_another_exposure_before_the_same_backdrop(contrast: float) -> None:
    negative = studio("A1")
    reference = face_of(negative, noise=2, seed=1)
    same = face_of(negative, window(1.0, 2, -1), contrast, noise=2, seed=2)
    other = face_of(moved_head(negative), window(1.0, 2, -1), contrast, noise=2, seed=3)
    findings = [judge_pose(pair_of(face, reference), CALIBRATION) for face in (same, other)]
    assert findings[0] is not None
    assert findings[1] is not None
    assert findings[0].probability > 0.8
    assert findings[1].probability < 0.5
    assert "another exposure" in findings[1].words


def test_the_map_shows_where_the_exposures_differ() -> None:
    negative = studio("A1")
    reference, query = face_of(negative, noise=2), face_of(moved_head(negative), noise=2, seed=4)
    found = judge_pose(pair_of(query, reference), CALIBRATION)
    assert found is not None
    rows, columns = (185 - 10) / 1.3 / 2, (262 - 15) / 1.3 / 2  # negative pixels to face pixels to map pixels
    patch = found.map[int(rows) - 12 : int(rows) + 12, int(columns) - 12 : int(columns) + 12]
    assert np.nanmean(patch) < 0.5 < 0.9 < np.nanmean(found.map[190:])


def test_agreement_is_what_scikit_image_calls_the_structure_of_ssim() -> None:
    # With equal means and variances and C1 = C2 -> 0, SSIM (Wang et al. 2004, as scikit-image computes it) is windowed
    # correlation; a common offset makes its luminance term one.
    rng = np.random.default_rng(0)
    clean = rng.normal(0, 20, (640, 368)).astype(np.float32)
    values = []
    for share in (0.0, 0.5, 1.0, 2.0):
        noisy = clean + share * rng.normal(0, 20, clean.shape).astype(np.float32)
        noisy *= clean.std() / noisy.std()
        ours = correlation_map(clean, noisy, np.ones(clean.shape, bool), Band(0.7, 60.0, 6.0))
        assert ours is not None
        theirs = structural_similarity(
            clean + 500.0, noisy + 500.0, data_range=1e-3, gaussian_weights=True, sigma=6.0, use_sample_covariance=False
        )
        values.append((float(ours.correlation.mean()), float(theirs)))
    ours, theirs = np.array(values).T
    assert ours == pytest.approx(1 / np.sqrt(1 + np.array([0, 0.5, 1, 2]) ** 2), abs=0.05)  # closed form
    print(ours, theirs)
    assert ours == pytest.approx(theirs, abs=0.06)


# Crop


@pytest.mark.parametrize(
    ("zoom", "dx", "dy", "same"),
    [
        (1.0, 0, 0, True),
        (1.004, 2, -2, True),     # 0.2 mm: hand-cut scatter
        (1.06, 0, 0, False),      # a 6 % zoom
        (1.0, 18, 0, False),      # 1.8 mm aside
        (1.0, 0, -20, False),     # 2 mm down
        (1.2, 10, 10, False),
    ],
)  # fmt: skip
def test_crops_are_told_apart_and_measured(zoom: float, dx: float, dy: float, same: bool) -> None:
    negative = picture(32)
    query, reference = face_of(negative, window(zoom, dx, dy), noise=2), face_of(negative, noise=2, seed=5)
    found = judge_crop(pair_of(query, reference), CALIBRATION)
    assert (found.probability > 0.5) == same
    # The window's middle moves by +d over the negative, so the picture moves by -d on the card; a zoom moves what is
    # off the middle outwards.
    middle, zone = np.array([SIZE.width, SIZE.height]) / 2, np.argwhere(picture_zone(SIZE))[:, ::-1].mean(axis=0)
    expected = ((zone - middle) * (1 - 1 / zoom) - np.array([dx, dy])) / SIZE.px_per_mm
    assert found.window.scale == pytest.approx(zoom, rel=0.006)
    assert (found.window.dx, found.window.dy) == pytest.approx(tuple(expected), abs=0.1)


def trimmed(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    """Face to face, (3, 3): a copy that has lost so many mm a side against one that has not, both of one crop."""
    wide, high = (SIZE.width_mm - left - right) / SIZE.width_mm, (SIZE.height_mm - top - bottom) / SIZE.height_mm
    return np.array([[wide, 0, left * SIZE.px_per_mm], [0, high, top * SIZE.px_per_mm], [0, 0, 1.0]])


def zoomed(zoom: float, dx: float = 0.0, dy: float = 0.0) -> np.ndarray:
    """Face to face, (3, 3): the query's window against the usual one."""
    return np.linalg.inv(window()) @ window(zoom, dx, dy)


@pytest.mark.parametrize(
    ("transform", "beyond"),
    [
        (np.eye(3), False),
        (trimmed(1.6, 0, 0, 0), False),                 # one side trimmed: a stretch and half of it as a shift
        (trimmed(1.2, 0, 1.4, 0), False),
        (trimmed(0, 1.5, 0, 0.8), False),
        (zoomed(1.06), True),                           # the printer's zoom enlarges both axes alike
        (zoomed(1.0, 18, 0), True),                     # 1.8 mm aside without any stretch
        (zoomed(1.0, 0, -20), True),
    ],
)  # fmt: skip
def test_trimming_explains_a_stretch_but_no_zoom_and_no_plain_shift(transform: np.ndarray, beyond: bool) -> None:
    measured = measure_crop(Alignment(transform, 50, 0.9, 0.1, 1.0, "orb"), SIZE)
    assert measured.beyond_scissors(CropSettings()) == beyond


def test_margins_say_which_side_shows_more() -> None:
    negative = picture(33)
    query, reference = face_of(negative, window(1.0, 20, 0)), face_of(negative)
    left, top, right, bottom = measure_crop(registered(query, reference), SIZE).margins_mm
    assert (left, right) == pytest.approx((-2.0, 2.0), abs=0.2)
    assert (top, bottom) == pytest.approx((0.0, 0.0), abs=0.2)


@pytest.mark.parametrize("lean", [2e-5, 8e-5, -8e-5])
def test_a_scale_under_perspective_is_that_of_the_areas(lean: float) -> None:
    seen = np.array([[1.05, 0, 4], [0, 1.05, -6], [lean, -lean / 2, 1.0]])
    corners = np.argwhere(picture_zone(SIZE))[:, ::-1].astype(np.float64)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0) + 1
    # The mean area that a pixel of the zone takes on the reference, in closed form: the projection's Jacobian.
    across, down = np.meshgrid(np.arange(left, right) + 0.5, np.arange(top, bottom) + 0.5)
    area = np.linalg.det(seen) / (lean * across - lean / 2 * down + 1) ** 3
    measured = measure_crop(Alignment(seen, 50, 0.9, 0.1, 1.0, "orb"), SIZE)
    assert measured.scale == pytest.approx(1 / np.sqrt(area.mean()), rel=0.002)


# Caption


def caption_between(words: str, others: str, contrast: float = 0.8, left: int = 50) -> CaptionFinding:
    negative = picture(34)
    query = face_of(negative, contrast=contrast, noise=2, caption=words, seed=6, caption_left=left)
    reference = face_of(negative, noise=2, caption=others, seed=7, caption_left=left)
    return judge_caption(pair_of(query, reference), CALIBRATION)


@pytest.mark.parametrize(
    ("words", "others", "same"),
    [
        ("J. Kelwick", "J. Kelwick", True),
        ("J. Kelwick", "J. Kelwich", False),     # one letter
        ("J. Kelwick", "J. Kellwick", False),    # one letter more
        ("J. Kelwick", "Wm. Corvane", False),    # another name
    ],
)  # fmt: skip
def test_captions_are_told_apart(words: str, others: str, same: bool) -> None:
    found = caption_between(words, others)
    assert found.probability is not None
    assert (found.probability > 0.5) == same


def test_the_first_letter_of_a_caption_that_begins_at_the_very_edge_counts() -> None:
    """1.5 mm from the edge: strips that left out 2.2 mm never saw it."""
    left = round(1.5 * SIZE.px_per_mm)
    other, same = (
        caption_between(words, "L. Kelwick", left=left).probability for words in ("J. Kelwick", "L. Kelwick")
    )
    assert other is not None
    assert same is not None
    assert other < 0.5 < 0.8 < same


def test_a_caption_too_faded_to_read_is_not_guessed() -> None:
    found = caption_between("J. Kelwick", "J. Kelwich", contrast=0.03)
    assert found.probability is None
    assert "too faded" in found.words


# Outcome


def known(record: str, pose: str, crop: str, caption: str) -> KnownReference:
    return KnownReference(1, KnownRecord(record, "Some One", pose, crop, caption), 0.5)


MATCHES = 100
"""Features that agreed on the shortlist: as many as of cards that are enrolled."""


def expected_and(*given: float) -> float:
    """A pair's probability once it is counted in what is expected of cards that resemble one that is enrolled."""
    return sigmoid(sum(map(log_odds, given)) + expected_odds([candidate("V1", "P1", "A", 0.5)]))


def candidate(record: str, pose: str, crop: str, *p: float | None) -> Candidate:
    """p: probabilities of pose, crop and caption."""
    p_pose, p_crop, p_caption = (*p, None, None)[:3]
    fits = Alignment(np.eye(3), 50, 0.9, 0.1, 1.0, "orb")
    return Candidate(
        known(record, pose, crop, record),
        fits,
        PoseFinding(float(p_pose or 0), 0.9, 0.9, 0.5, np.ones((4, 4), np.float32), {}),
        None if p_crop is None else CropFinding(p_crop, Window(0, 0, 1, 0.3, (0, 0, 0, 0))),
        None if p_crop is None else CaptionFinding(p_caption, 0.9, 0.1, (9, 9), {}),
        matches=MATCHES,
    )


OUTCOMES = [
    # candidates (record, pose, crop, p(pose), p(crop), p(caption)) -> outcome, record
    ([("V1", "P1", "A", 0.99, 0.98, 0.97), ("V2", "P1", "A", 0.99, 0.98, 0.02)], "known", "V1"),
    ([("V1", "P1", "A", 0.99, 0.02), ("V2", "P1", "B", 0.99, 0.05)], "new_crop", None),
    ([("V1", "P1", "A", 0.99, 0.98, 0.03), ("V2", "P1", "A", 0.99, 0.98, 0.01)], "new_caption", None),
    ([("V1", "P1", "A", 0.01), ("V9", "P2", "A", 0.02)], "new_pose", None),
    ([], "new_pose", None),
    ([("V1", "P1", "A", 0.5)], "undecided", None),                                     # neither sure nor sure not
    ([("V1", "P1", "A", 0.98, 0.9, 0.9), ("V9", "P2", "A", 0.98)], "undecided", None),   # two poses fit alike
    ([("V1", "P1", "A", 0.99, 0.5)], "undecided", None),                               # a crop on the border
    ([("V1", "P1", "A", 0.99, 0.98, None)], "undecided", None),                        # caption too faded
    # one caption differs, the other could not be read: no evidence for a new one
    ([("V1", "P1", "A", 0.99, 0.98, 0.02), ("V2", "P1", "A", 0.99, 0.98, None)], "undecided", None),
    ([("V1", "P1", "A", 0.99, 0.98, 0.95), ("V2", "P1", "A", 0.99, 0.98, 0.95)], "undecided", None),
]  # fmt: skip


@pytest.mark.parametrize(("rows", "outcome", "record"), OUTCOMES)
def test_the_answer_stops_where_it_stops_being_sure(rows, outcome, record) -> None:  # type: ignore[no-untyped-def]
    answer = decide([candidate(*row) for row in rows], Thresholds(), 5, CALIBRATION)
    assert answer.outcome == outcome
    assert answer.established.get("record_id") == record
    assert answer.reasons


def test_a_new_crop_is_told_of_the_reference_that_is_shown_first() -> None:
    """Two references of one crop measure two windows: the reason gives the margins that are published."""
    rows = [candidate("V1", "P1", "A", 0.99, 0.02), candidate("V2", "P1", "A", 0.99, 0.01)]
    margins = ((-1.5, 0.0, -4.7, -8.4), (-1.6, -0.8, -4.7, -8.9))
    measured = [
        replace(row, crop=CropFinding(p, Window(0, 0, 1, 0.3, m)))
        for row, p, m in zip(rows, (0.02, 0.01), margins, strict=True)
    ]
    assert measured[1].caption is not None
    measured[1] = replace(measured[1], caption=replace(measured[1].caption, agreement=0.99))  # so it comes first
    answer = decide(measured, Thresholds(), 5, CALIBRATION)
    shown = answer.candidates[0]
    assert (answer.outcome, shown.record.record_id) == ("new_crop", "V2")
    assert shown.crop is not None
    assert any(shown.crop.words in reason for reason in answer.reasons)


def test_a_negative_that_is_not_settled_is_told_with_reserve() -> None:
    rows = [candidate("V1", "P1", "A", 0.98, 0.9, 0.9), candidate("V9", "P2", "A", 0.98)]
    answer = decide(rows, Thresholds(), 5, CALIBRATION)
    assert answer.outcome == "undecided"
    assert "looks like the same negative: nothing has moved" in answer.reasons[0]
    sure = decide(rows[:1], Thresholds(), 5, CALIBRATION)
    assert sure.reasons[0].startswith("pose P1: same negative: nothing has moved")


def test_the_number_of_candidates_shown_does_not_change_the_answer() -> None:
    rows = [candidate(f"V{i}", f"P{i}", "A", 0.3 + 0.01 * i) for i in range(8)]
    answers = [decide(rows, Thresholds(), top, CALIBRATION) for top in (1, 3, 8)]
    assert {answer.outcome for answer in answers} == {"undecided"}
    assert [len(answer.candidates) for answer in answers] == [1, 3, 8]


def test_a_record_is_listed_once_by_its_best_reference_and_every_reference_stays_compared() -> None:
    faint, other, clear = (candidate(record, "P1", "A", 0.99, 0.98, 0.9) for record in ("V1", "V2", "V1"))
    assert faint.caption is not None
    faint = replace(faint, caption=replace(faint.caption, agreement=0.5))
    rows = [faint, replace(other, caption=replace(faint.caption, probability=0.02)), clear]
    answer = decide([*rows, candidate("V1", "P1", "B", 0.99, 0.02)], Thresholds(), 2, CALIBRATION)
    assert [(one.record.record_id, one.caption) for one in answer.candidates] == [
        ("V1", clear.caption),
        ("V2", rows[1].caption),
    ]
    assert answer.candidates[0] == answer.compared[0]
    assert len(answer.compared) == 4
    alone = decide([*rows, candidate("V1", "P1", "B", 0.99, 0.02)], Thresholds(), 1, CALIBRATION)
    assert [one.record.record_id for one in alone.candidates] == ["V1"]
    assert (alone.outcome, alone.confidence) == (answer.outcome, answer.confidence)


def test_the_pose_is_chosen_in_one_place() -> None:
    rows = [candidate("V1", "P1", "A", 0.7), candidate("V2", "P2", "A", 0.9), candidate("V3", "P3", "A", 0.2)]
    lost = replace(rows[2], pose=None, alignment=Alignment.failed("not laid over"))
    ranking = rank_poses([*rows[:2], lost], UNSCALED)
    assert ranking.likeliest == "P2"
    assert ranking.lead == rows[1]
    assert ranking.most_alone == pytest.approx(expected_and(0.9))
    assert ranking.shares["P2"] > ranking.shares["P1"] > ranking.shares["P3"] == 0
    none_judged = rank_poses([lost], UNSCALED)
    assert (none_judged.evidence, none_judged.likeliest, none_judged.lead) == ({}, "P3", lost)
    assert not rank_poses([], UNSCALED)


def test_a_faint_reference_that_agrees_with_everything_does_not_outvote_a_strong_one() -> None:
    strong, faint = candidate("V1", "P1", "A", 0.03), candidate("V2", "P1", "B", 0.9)
    assert strong.pose is not None
    assert faint.pose is not None
    faint = replace(faint, pose=replace(faint.pose, expected=0.4))
    assert decide([strong, faint], Thresholds(), 5, CALIBRATION).outcome == "new_pose"
    lost = replace(strong, alignment=replace(strong.alignment, correlation=0.5))  # laid over wrongly: it says nothing
    assert decide([lost, faint], Thresholds(), 5, CALIBRATION).outcome != "new_pose"


def test_one_reference_that_was_outlined_badly_is_outvoted_by_its_equals() -> None:
    bad, *good = (candidate(f"V{i}", "P1", "A", p) for i, p in enumerate((0.04, 0.999, 0.98)))
    verdict = fuse_by_pose([bad, *good], UNSCALED)["P1"]
    assert 0.75 < verdict.probability < 0.98  # all three have a say
    assert verdict.lead in good
    alone = fuse_by_pose([bad], UNSCALED)["P1"]
    assert (alone.log_ratio, alone.probability) == pytest.approx((log_odds(0.04), expected_and(0.04)))


@pytest.mark.parametrize(("given", "stated"), [(1 - 1e-9, 0.995), (1e-9, 0.005)])
def test_no_answer_is_surer_than_its_pairs_bear_out(given: float, stated: float) -> None:
    assert fuse_by_pose([candidate("V1", "P1", "A", given)], UNSCALED)["P1"].probability == pytest.approx(stated)


def test_a_pose_that_hardly_stood_on_the_shortlist_is_less_likely() -> None:
    one = candidate("V1", "P1", "A", 0.7)
    weak = replace(one, matches=ExpectationSettings().many_matches - 1)
    there, back = (fuse_by_pose([row], UNSCALED)["P1"] for row in (one, weak))
    assert there.probability > back.probability
    assert there.log_ratio == back.log_ratio  # the pictures say what they say
    assert fuse_by_pose([weak, one], UNSCALED)["P1"].probability == there.probability


def test_what_is_expected_follows_from_the_shares() -> None:
    """Bayes by hand: of a hundred cards sixty of enrolled negatives, twenty nearly like one, twenty strangers."""
    one = candidate("V1", "P1", "A", 0.5)
    fits, elsewhere = replace(one, same_window=1.0), replace(one, same_window=0.0)
    in_it = (60 * 0.75 * 0.9) / (20 * 0.4 * 0.9 + 20 * 0.4 * 0.2)
    beside = (60 * 0.25 * 0.8) / (20 * 0.6 * 0.8 + 20 * 0.6 * 0.2)
    assert [expected_odds([c]) for c in (fits, elsewhere)] == pytest.approx([np.log(in_it), np.log(beside)])
    few = (60 * 0.25 * 0.2) / (20 * 0.6 * 0.2 + 20 * 0.6 * 0.8)
    assert expected_odds([replace(elsewhere, matches=3)]) == pytest.approx(np.log(few))
    assert expected_odds([elsewhere]) < expected_odds([one]) < expected_odds([fits])


def test_a_card_on_which_nothing_moved_is_never_new_by_what_was_expected() -> None:
    speaks_for = replace(candidate("V1", "P1", "A", 0.55, 0.02), same_window=0.0, matches=0)
    falls = decide([speaks_for], Thresholds(), 5, UNSCALED)
    assert ((falls.confidence.pose or 0) < 0.25, falls.outcome) == (True, "undecided")
    assert "hardly anything else about the two cards agrees" in falls.reasons[-1]


def test_no_answer_says_another_exposure_and_the_same_negative_in_one_breath() -> None:
    open_one = replace(candidate("V1", "P1", "A", 0.45, 0.98, 0.97), same_window=1.0)
    stands = decide([open_one], Thresholds(), 5, UNSCALED)
    assert stands.outcome == "known"
    assert "another exposure" not in " ".join(stands.reasons)
    assert "most likely the same negative" in stands.reasons[0]


def test_any_window_of_the_pose_that_fits_speaks_for_it() -> None:
    one, other = (replace(candidate(v, "P1", v, 0.7), same_window=w) for v, w in (("A", 0.01), ("B", 0.99)))
    assert expected_odds([one, other]) == expected_odds([other]) > expected_odds([one])
    unmeasured = replace(one, same_window=None)
    assert expected_odds([one]) < expected_odds([unmeasured]) < expected_odds([other])


@pytest.mark.parametrize(
    ("matches", "outcome"), [(12, "new_pose"), (39, "new_pose"), (40, "undecided"), (300, "undecided")]
)
def test_what_could_not_be_compared_is_open_where_features_agreed(matches: int, outcome: str) -> None:
    lost = Alignment.failed("not laid over")
    rows = [replace(candidate("V1", "P1", "A", 0.9), pose=None, alignment=lost, matches=n) for n in (3, matches)]
    answer = decide(rows, Thresholds(), 5, CALIBRATION)
    assert answer.outcome == outcome
    assert not answer.established
    assert "not laid over" in answer.reasons[0]


@pytest.mark.parametrize(
    ("read", "outcome"),
    [({"V1": 0.9, "V2": 0.05}, "known"), ({"V1": 0.02, "V2": 0.02}, "new_caption"), ({}, "undecided")],
)
def test_what_was_read_settles_what_the_inks_leave_open(read: dict[str, float], outcome: str) -> None:
    rows = [candidate("V1", "P1", "A", 0.99, 0.98, 0.55), candidate("V2", "P1", "A", 0.99, 0.98, 0.5)]
    reading = CaptionEvidence({name: log_odds(p) for name, p in read.items()}, "")
    answer = decide(rows, Thresholds(), 5, CALIBRATION, reading)
    assert answer.outcome == outcome
    assert answer.established.get("record_id") == ("V1" if outcome == "known" else None)


def test_confidences_of_an_answer_multiply_to_the_record() -> None:
    sure = decide([candidate("V1", "P1", "A", 0.99, 0.98, 0.97)], Thresholds(), 5, CALIBRATION).confidence
    assert sure.record == pytest.approx(sure.pose * sure.crop * sure.caption)  # type: ignore[operator]


def test_rivals_share_what_only_one_can_have() -> None:
    shared = share_odds({"A": Contender(0.99, ()), "B": Contender(0.99, ()), "C": Contender(0.5, ())})
    assert sum(shared.values()) < 1
    assert shared["A"] == shared["B"] > shared["C"]


# Confidence


def test_every_shipped_rung_has_a_model_with_its_provenance() -> None:
    assert set(CALIBRATION.rungs) == {"pose", "pose_unsteady", "crop", "edges", "caption", "copy", "rivals"}
    assert {"made", "pairs", "seed", "pictures"} <= set(CALIBRATION.provenance)


def test_a_model_refuses_lists_of_different_lengths() -> None:
    with pytest.raises(ValueError, match="one centre"):
        RungModel(("a",), (0.0, 1.0), (1.0,), (1.0,), 0.0)


def test_sigmoid_matches_scipy_far_out() -> None:
    from scipy.special import expit

    for x in (-800.0, -30.0, -1.0, 0.0, 2.5, 40.0, 800.0):
        assert sigmoid(x) == pytest.approx(float(expit(x)), abs=1e-12)


# Which reference of a record is asked


def test_a_reference_that_was_not_registered_keeps_no_crop_from_being_measured() -> None:
    """Of two references of one crop, both at nought, the one that was never laid over the card came first."""
    unregistered = replace(candidate("V2", "P1", "B", 0.99), crop=None)
    other_format = candidate("V3", "P1", "B", 0.99, 0.0, None)
    rows = [candidate("V1", "P1", "A", 0.99, 0.98, 0.97), unregistered, other_format]
    assert decide(rows, Thresholds(), 5, UNSCALED).outcome == "known"


@pytest.mark.parametrize("first", [0, 1])
def test_of_a_record_with_illegible_ink_the_reference_that_was_read_counts(first: int) -> None:
    """Whichever of them came first decided whether what was read was lost."""
    ink = [replace(candidate("V1", "P1", "A", 0.99, 0.98, None), matches=MATCHES + k) for k in (0, 1)]
    rows = [replace(one, reference=replace(one.reference, id=k)) for k, one in enumerate(ink)]
    rows[first] = replace(rows[first], words=WordsFinding(0.99, (), ""))
    answer = decide(rows, Thresholds(), 5, UNSCALED)
    assert (answer.outcome, answer.established.get("record_id")) == ("known", "V1")


# The crop map


def test_the_crop_map_holds_every_known_crop_in_the_querys_frame() -> None:
    """A crop seen 1.25 times larger on its reference shows less of the negative: its window lies inside the query's."""
    negative = picture(36)
    query = face_of(negative, noise=1)
    rows = []
    for name, zoom in (("A", 1.0), ("B", 1.25)):
        reference = face_of(negative, window(zoom), noise=1, seed=3)
        pair = pair_of(query, reference)
        crop = judge_crop(pair, CALIBRATION)
        row = candidate("V" + name, "P1", name, 0.99, crop.probability, 0.9)
        rows.append(replace(row, alignment=pair.alignment, crop=crop, confidence=Confidence(pose=0.99)))
    drawn = crop_map(rows, SIZE)
    assert drawn is not None
    own, (whole, inner) = drawn.own, drawn.crops
    assert (whole.name, inner.name) == ("A", "B")
    assert np.abs(whole.corners - own).max() < 2
    assert np.ptp(inner.corners, axis=0) == pytest.approx(np.ptp(own, axis=0) / 1.25, rel=0.01)
    assert whole.probability > 0.5 > inner.probability


def test_how_sure_the_maps_place_is_is_told_in_the_cards_own_mm() -> None:
    """A cabinet is 2.6 times as high as the common card, in whose mm the stages count."""
    size = PRESETS["cabinet"].face
    crop = CropFinding(0.98, Window(0, 0, 1, 0.3, (0, 0, 0, 0), enlarged=(size.enlarged, size.enlarged)))
    row = replace(candidate("V1", "P1", "A", 0.99, 0.98, 0.9), crop=crop, confidence=Confidence(pose=0.99))
    drawn = crop_map([row], size)
    assert drawn is not None
    assert drawn.sigma_mm == pytest.approx(0.3 * 165.0 / 63.5, abs=1e-3)
    assert drawn.sigma_px == pytest.approx(0.3 * size.px_per_mm)


@pytest.mark.parametrize("name", ["cabinet", "stereo"])
def test_another_formats_window_is_drawn_as_its_own_card_has_it(name: str) -> None:
    """A reference laid pixel on pixel, its face wider than the query's: so is its window, and so is what is printed."""
    size, away = PRESETS[name].face, 30.0
    onto = Alignment(np.array([[1, 0, away], [0, 1, 0], [0, 0, 1.0]]), 50, 0.9, 0.1, 1.0, "orb")
    row = candidate("V1", "P1", "A", 0.99, 0.0, 0.9)
    row = replace(row, alignment=onto, reference=replace(row.reference, size=size), confidence=Confidence(pose=0.99))
    drawn = crop_map([row], SIZE)
    assert drawn is not None
    (known_crop,) = drawn.crops
    assert known_crop.corners == pytest.approx(picture_corners(size) - (away, 0))
    assert drawn.own == pytest.approx(picture_corners(SIZE))

    class Wide:
        def face(self, _: int) -> Face:
            return Face.from_pixels(np.full((size.height, size.width, 3), (10, 200, 10), np.uint8), size)

    mosaic = crop_mosaic(face_of(picture(36)), drawn, Wide())  # type: ignore[arg-type]
    inner = mosaic.place(known_crop.corners)
    right, middle = round(inner[:, 0].max() - 2), round(inner[:, 1].mean())
    green = (np.abs(mosaic.pixels[middle].astype(int) - (10, 200, 10)) < 3).all(axis=1)
    assert green[right - 5 : right].all()  # it reaches its own right edge, beyond the query's
    assert not green[right + 5 :].any()


def test_without_a_registered_reference_there_is_no_crop_map() -> None:
    assert crop_map([], SIZE) is None
