"""Stage `locate`: drawn scenes with known corners; what must be found, how exactly, and what must not."""

from __future__ import annotations

import pickle
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.catalogue.records.prepare import prepare_reference
from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.detection import detect
from matcher.core.detect.geometry import clockwise_portrait, ratio, slant, true_ratio, true_slant
from matcher.core.detect.orientation import Orientation
from matcher.core.detect.quad_search import likely_first, of_nominal_size
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.suppression import reading_order
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize, Settings
from matcher.lab.synthesis import Age, Caption, Crop, make_copy, scan

PX_PER_MM = 10.0


def draw_print(
    height_mm: float = 63.5, width_mm: float = 36.5, paper: float = 225, ink: float = 90
) -> NDArray[np.float32]:
    """A card: cream mount, 1 mm border, a toned picture with a figure, a caption strip."""
    h, w = round(height_mm * PX_PER_MM), round(width_mm * PX_PER_MM)
    tone = np.full((h, w), paper, np.float32)
    border, strip = int(PX_PER_MM), int(6 * PX_PER_MM)
    inner = tone[border : h - strip, border : w - border]
    rows = np.linspace(0.75, 0.4, inner.shape[0], dtype=np.float32)[:, None]
    inner[:] = ink + (paper - ink) * rows
    middle = (w // 2, int(h * 0.5))
    cv2.ellipse(tone, middle, (int(w * 0.2), int(h * 0.28)), 0, 0, 360, ink * 0.8, -1, cv2.LINE_AA)
    cv2.circle(tone, (w // 2, int(h * 0.2)), int(w * 0.11), paper * 0.85, -1, cv2.LINE_AA)
    lettering = np.zeros((h, w), np.uint8)
    cv2.putText(lettering, "A. N. Other", (w // 4, h - strip // 3), cv2.FONT_HERSHEY_COMPLEX, 0.9, 255, 2, cv2.LINE_AA)
    tone += (ink - paper) * (lettering / 255)
    return tone[..., None] * np.array([1.0, 0.93, 0.80], np.float32)


def draw_table(kind: str, width: int, height: int, seed: int = 5) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    if kind == "page":
        table = np.full((height, width, 3), 238, np.float32)
        for y in range(40, height, 34):
            x = 20
            while x < width - 40:
                length = int(rng.integers(20, 90))
                cv2.rectangle(table, (x, y), (x + length, y + 13), (70, 70, 75), -1)
                x += length + 14
        return table
    colour = {"slate": (88, 92, 98), "oak": (150, 108, 66), "lid": (246, 246, 244)}[kind]
    coarse = rng.normal(0, 1, (height // 3, 6)).astype(np.float32)
    grain = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    strength = {"slate": 0.5, "oak": 9.0, "lid": 0.2}[kind]
    return np.asarray(np.array(colour, np.float32) + strength * grain[..., None], dtype=np.float32)


def lay(table: NDArray[np.float32], card: NDArray[np.float32], corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """The card laid on the table with its TL TR BR BL at `corners` (outer corners of pixels)."""
    h, w = card.shape[:2]
    own = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    transform = cv2.getPerspectiveTransform(own - 0.5, corners.astype(np.float32) - 0.5)
    canvas = (table.shape[1], table.shape[0])
    cover = cv2.warpPerspective(np.ones((h, w), np.float32), transform, canvas, flags=cv2.INTER_AREA)
    laid = cv2.warpPerspective(card, transform, canvas, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(table * (1 - cover[..., None]) + laid * cover[..., None], dtype=np.float32)


def shoot(scene: NDArray[np.float32], seed: int = 3) -> Photo:
    noise = np.random.default_rng(seed).normal(0, 2.0, scene.shape)
    soft = cv2.GaussianBlur(scene, (0, 0), 0.9)
    return Photo.from_pixels(np.clip(soft + noise, 0, 255).astype(np.uint8))


def turned(
    centre: tuple[float, float], height: float, degrees: float, aspect: float = 36.5 / 63.5
) -> NDArray[np.float32]:
    a = np.radians(degrees)
    half = np.array([[-aspect, -1], [aspect, -1], [aspect, 1], [-aspect, 1]]) * height / 2
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return (half @ turn.T + np.array(centre)).astype(np.float32)


def worst_mm(outline: CardQuad, corners: NDArray[np.float32]) -> float:
    """mm by which the worst corner is off; which way up these drawn figures are is not the question here."""
    return min(_worst_mm(np.roll(outline.corners, turn, axis=0), corners) for turn in (0, 2))


def _worst_mm(found: NDArray[np.float32], corners: NDArray[np.float32]) -> float:
    scale = max(np.linalg.norm(corners[3] - corners[0]), np.linalg.norm(corners[2] - corners[1])) / 63.5
    return float(np.linalg.norm(found - corners, axis=1).max() / scale)


TILTED = np.array([[330, 250], [760, 300], [720, 1010], [240, 900]], np.float32)

SCENES = [
    # table, corners, paper, tolerance mm
    ("slate", turned((450, 600), 800, 0), 225, 0.25),  # square on, dark table
    ("slate", turned((450, 600), 700, 17), 225, 0.25),  # turned
    ("slate", TILTED, 225, 0.4),  # seen from the side
    ("oak", turned((430, 620), 760, -11), 225, 0.4),  # grain runs beside the long sides
    ("oak", turned((450, 600), 220, 31), 225, 0.6),  # small in the frame
    ("lid", turned((450, 600), 700, 2), 236, 0.8),  # pale card on a white scanner lid
    ("page", turned((450, 600), 760, 8), 215, 0.8),  # on a page of print
    ("slate", turned((450, 600), 1150, 0), 225, 0.4),  # fills the frame
]


@pytest.mark.parametrize(("table", "corners", "paper", "tolerance"), SCENES)
def test_one_card_is_found_to_a_fraction_of_a_millimetre(
    table: str, corners: NDArray[np.float32], paper: float, tolerance: float
) -> None:
    photo = shoot(lay(draw_table(table, 900, 1200), draw_print(paper=paper), corners))
    found = detect(photo)
    assert len(found) == 1
    assert worst_mm(next(iter(found)), corners) < tolerance


@pytest.mark.parametrize(
    ("degrees", "odds", "first"),
    [
        (0, 0, 0),  # nothing is told: upright stays
        (80, 0, 0),  # lying on its right side: 80 degrees back is nearer than 100 on
        (100, 0, 2),  # past the half: the other reading is nearer
        (180, 0, 2),  # upside down looks upright
        (-45, 0, 0),  # leaning left
        (0, -1, 0),  # what is seen speaks weakly against how cards are held
        (0, -6, 2),  # or clearly
        (90, -0.5, 2),  # lying on its side: how it is held says nothing
    ],
)
def test_content_decides_and_else_the_reading_nearest_upright(
    degrees: float, odds: float, first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    corners = turned((600, 600), 700, degrees)

    def told(_: object, shown: NDArray[np.float32]) -> Orientation:
        """The odds that the corners as drawn are right, whichever way they are shown."""
        nearest = degrees <= 90
        return Orientation(odds if nearest == (np.abs(shown - corners).max() < 20) else -odds, 0.0)

    monkeypatch.setattr("matcher.core.detect.turning.orientation", told)
    found = detect(shoot(lay(draw_table("slate", 1200, 1200), draw_print(), corners)))
    assert len(found) == 1
    assert _worst_mm(next(iter(found)).corners, np.roll(corners, -first, axis=0)) < 0.3
    assert next(iter(found)).upright >= 0.5


@pytest.mark.parametrize(("odds", "first"), [(-6.0, 0), (-10.0, 2)])
def test_a_reference_is_turned_only_where_its_content_is_clear(
    odds: float, first: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    corners = turned((600, 600), 700, 0)
    path = tmp_path / "reference.png"
    shown = lay(draw_table("slate", 1200, 1200), draw_print(), corners)
    assert cv2.imwrite(str(path), cv2.cvtColor(shoot(shown).pixels, cv2.COLOR_RGB2BGR))
    monkeypatch.setattr("matcher.core.detect.turning.orientation", lambda *_: Orientation(odds, 0.0))
    quad = np.array(prepare_reference(path, Settings()).quad, np.float32)
    assert _worst_mm(quad, np.roll(corners, -first, axis=0)) < 0.3
    (found,) = detect(read_photo(path))  # as a photo it is turned in both cases
    assert _worst_mm(found.corners, np.roll(corners, -2, axis=0)) < 0.3


def test_two_cards_come_in_reading_order() -> None:
    left, right = turned((300, 420), 560, 4), turned((760, 390), 560, -6)
    scene = lay(lay(draw_table("oak", 1100, 800), draw_print(), left), draw_print(paper=235, ink=130), right)
    found = list(detect(shoot(scene)))
    assert len(found) == 2
    assert worst_mm(found[0], left) < 0.5
    assert worst_mm(found[1], right) < 0.5


def test_a_page_of_cards_is_found_row_by_row() -> None:
    scene = draw_table("slate", 1200, 1500)
    places = [turned((220 + 380 * x, 270 + 480 * y), 400, 2.0 * (x - y)) for y in range(3) for x in range(3)]
    for place in places:
        scene = lay(scene, draw_print(), place)
    found = list(detect(shoot(scene)))
    assert len(found) == 9
    assert all(worst_mm(outline, place) < 0.8 for outline, place in zip(found, places, strict=True))


def test_a_card_in_a_clear_sleeve_is_the_answer_not_the_sleeve() -> None:
    corners = turned((450, 600), 700, 5)
    scene = lay(draw_table("slate", 900, 1200), draw_print(), corners)
    sleeve = (corners - corners.mean(axis=0)) * 1.11 + corners.mean(axis=0)
    cv2.polylines(scene, [np.int32(sleeve)], True, (190, 190, 190), 2, cv2.LINE_AA)
    found = detect(shoot(scene))
    assert len(found) == 1
    assert worst_mm(next(iter(found)), corners) < 0.4


def test_a_thumb_over_a_corner_does_not_move_it() -> None:
    corners = turned((450, 560), 760, 6)
    scene = lay(draw_table("slate", 900, 1200), draw_print(), corners)
    cv2.line(scene, tuple(int(v) for v in corners[3]), (60, 1190), (205, 150, 120), 170, cv2.LINE_AA)
    found = detect(shoot(scene))
    assert len(found) == 1
    assert worst_mm(next(iter(found)), corners) < 0.8


def test_a_picture_cut_to_the_card_is_the_card() -> None:
    card = draw_print()
    rng = np.random.default_rng(2)
    detail = cv2.resize(rng.normal(0, 1, (64, 37)).astype(np.float32), (card.shape[1], card.shape[0]))
    card = card + (14 * detail * (card[..., 0] < 190))[..., None]
    found = detect(shoot(card))
    h, w = card.shape[:2]
    assert len(found) == 1
    assert worst_mm(next(iter(found)), np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)) < 1.2


@pytest.mark.parametrize("trimmed", [0.0, 1.2])
@pytest.mark.parametrize("seed", [0, 1, 3, 5])
def test_a_scan_on_a_plain_lid_is_outlined_by_the_cards_own_edges(seed: int, trimmed: float) -> None:
    rng = np.random.default_rng(seed)
    negative = read_photo(Path(__file__).parents[3] / "reference_demo" / "negatives" / f"{'ABCD'[seed % 4]}1.jpg").grey
    age = Age(residual_contrast=(0.5, 0.25, 0.12)[seed % 3], trimmed_mm=(trimmed, 0, trimmed, 0))
    card = make_copy(negative, Crop(0.5, 0.4, 1.1), Caption("J. Kelwick"), age, seed=seed)
    shot = scan(card, rng)
    wider = [int(side) for side in rng.uniform(3, 4, 4) * 300 / 25.4]  # with the scan's own rim, 5 to 9 mm of the lid
    pixels = np.asarray(cv2.copyMakeBorder(shot.pixels, *wider, cv2.BORDER_REPLICATE), np.uint8)
    found = detect(Photo.from_pixels(pixels))  # a file that does not tell its resolution
    assert len(found) == 1
    corners = np.asarray(shot.corners + np.array([wider[2], wider[0]]), np.float32)
    assert worst_mm(next(iter(found)), corners) < 0.8


def striped(kind: str, degrees: float) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """A card of pale board whose picture is full of straight lines, far inside a scan of a pale lid; its corners."""
    height, width, scan_height, scan_width, lid = 900, 517, 1256, 803, 226
    y, x = np.mgrid[0:794, 0:485].astype(np.float32)
    pattern = {
        "stripes": np.where((y + 0.02 * x) % 46 < 9, 215, 60),
        "bars": np.where(x % 40 < 12, 205, 70),
        "checks": np.where((y // 33 + x // 33) % 2, 190, 80),
    }[kind]
    card = np.full((height, width, 3), (232, 205, 190), np.uint8)
    card[90:884, 16:501] = pattern[..., None] * np.array([1, 0.93, 0.86])
    cv2.putText(card, "Silas Orrin", (110, 52), cv2.FONT_HERSHEY_DUPLEX, 1.4, (70, 60, 50), 2, cv2.LINE_AA)
    move = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1)
    move[:, 2] += (scan_width - width) / 2, (scan_height - height) / 2
    seen = cv2.warpAffine(card, move, (scan_width, scan_height), borderMode=cv2.BORDER_CONSTANT, borderValue=(lid,) * 3)
    noisy = seen + np.random.default_rng(1).normal(0, 1.5, seen.shape)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]]) @ move[:, :2].T + move[:, 2]
    return np.clip(noisy, 0, 255).astype(np.uint8), np.asarray(corners, np.float32)


@pytest.mark.parametrize("degrees", [0.0, -1.5])
@pytest.mark.parametrize("kind", ["stripes", "bars", "checks"])
def test_a_picture_full_of_lines_does_not_hide_the_cards_own_outline(kind: str, degrees: float) -> None:
    pixels, corners = striped(kind, degrees)
    (found,) = detect(Photo.from_pixels(pixels))
    either_way_up = (corners, np.roll(corners, 2, axis=0))
    assert min(np.abs(found.corners - one).max() for one in either_way_up) < 3


EMPTY = [
    ("table", draw_table("oak", 900, 1200)),  # grain
    ("plain", draw_table("slate", 900, 1200)),
    ("page", draw_table("page", 900, 1200)),  # rows of print
    ("field", np.full((900, 1200, 3), (70, 130, 60), np.float32)),  # a lawn
    ("uniform", np.full((600, 345, 3), 128, np.float32)),  # a card's proportions, nothing on it
    ("smallest", np.full((64, 64, 3), 200, np.float32)),
    ("noise", np.random.default_rng(1).normal(128, 40, (480, 640, 1)) * np.ones(3)),
    ("strip", np.full((64, 2000, 3), 180, np.float32)),
    ("column", np.random.default_rng(4).normal(128, 30, (3000, 70, 1)) * np.ones(3)),
]


@pytest.mark.parametrize(("name", "scene"), EMPTY, ids=[name for name, _ in EMPTY])
def test_nothing_there_is_said_in_words(name: str, scene: NDArray[np.float32]) -> None:
    found = detect(shoot(np.asarray(scene, np.float32)))
    assert not found
    assert found.reason.startswith("no card found")


def test_an_id1_card_keeps_its_proportions() -> None:
    """ISO/IEC 7810 ID-1: 85.60 x 53.98 mm."""
    size = FaceSize(width_mm=53.98, height_mm=85.60, width=404, height=640)
    corners = turned((500, 640), 900, 9, aspect=53.98 / 85.60)
    scene = lay(draw_table("slate", 1000, 1300), draw_print(height_mm=85.60, width_mm=53.98), corners)
    found = detect(shoot(scene), size)
    assert len(found) == 1
    outline = next(iter(found))
    assert float(ratio(outline.corners[None])[0]) == pytest.approx(53.98 / 85.60, rel=0.015)


def test_more_pixels_give_the_same_corners() -> None:
    corners = turned((450, 600), 800, 12)
    large = shoot(lay(draw_table("oak", 2700, 3600), draw_print(), corners * 3))
    found = detect(large)
    assert len(found) == 1
    assert worst_mm(next(iter(found)), corners * 3) < 0.3


def test_the_same_photo_gives_the_same_outlines_and_they_can_be_pickled() -> None:
    photo = shoot(lay(draw_table("oak", 900, 1200), draw_print(), turned((450, 600), 760, -11)))
    first, second = detect(photo), pickle.loads(pickle.dumps(detect(photo)))
    assert [o.corners.tolist() for o in first] == [o.corners.tolist() for o in second]


def test_outline_checks_its_shape() -> None:
    with pytest.raises(ValueError, match=r"\(4, 2\)"):
        CardQuad(np.zeros((3, 2), np.float32), 0.5)
    assert not Detections((), "nothing")


def test_true_ratio_takes_the_tilt_out() -> None:
    """A 36.5 x 63.5 rectangle tilted by 30 degrees before a camera of 0.9 long sides."""
    w, h, focal = 1200, 1600, 0.9 * 1600
    flat = np.array([[-36.5, -63.5], [36.5, -63.5], [36.5, 63.5], [-36.5, 63.5]]) * 6
    angle = np.radians(30)
    depth = focal + flat[:, 1] * np.sin(angle)
    seen = np.stack([flat[:, 0] * focal / depth + w / 2, flat[:, 1] * np.cos(angle) * focal / depth + h / 2], axis=1)
    assert float(true_ratio(seen[None], w, h)[0]) == pytest.approx(36.5 / 63.5, rel=1e-6)
    assert float(ratio(seen[None])[0]) > 0.64
    assert float(true_slant(seen[None], w, h)[0]) == pytest.approx(0, abs=1e-9)
    assert float(slant(seen[None])[0]) > 0.05


def test_what_has_followed_another_line_loses_to_the_rectangle_in_its_place() -> None:
    """A lower left corner pulled down, and a foot on the picture's border, both as sure as the card."""
    shapes, picture = np.array([FaceSize().aspect]), reduce(Photo.from_pixels(np.zeros((800, 500, 3), np.uint8)))
    card = turned((250, 400), 700, 0.5)
    pulled, bordered = card.copy(), card.copy()
    pulled[3, 1] += 90
    bordered[2:, 1] = 800
    print_ = turned((250, 380), 560, 0.5)  # a print on a mount is another outline, not a worse one
    quads = np.stack([card, pulled, bordered, print_]).astype(np.float32)
    sure = np.full(4, 0.999, np.float32)
    assert likely_first(picture, quads, sure, shapes) == pytest.approx([0.999, 0.3, 0.3, 0.999], abs=0.01)
    alone = likely_first(picture, quads[1:3], sure[:2], shapes)
    assert alone == pytest.approx([0.999, 0.999])  # nothing in their place contradicts them


def test_a_scans_resolution_tells_a_card_from_what_is_not_square() -> None:
    card = turned((250, 400), 700, 0.5)
    pulled = card.copy()
    pulled[3, 1] += 40
    fits = of_nominal_size(np.stack([card, pulled]).astype(np.float32), FaceSize(), 700 / 63.5)
    assert fits.tolist() == [True, False]


def test_order_of_corners_and_of_cards() -> None:
    wide = np.array([[0, 0], [0, 10], [20, 10], [20, 0]], np.float32)
    ordered = clockwise_portrait(wide[None])[0]
    assert float(ratio(ordered[None])[0]) == pytest.approx(0.5)
    places = np.stack([turned((x, y), 100, 0) for x, y in ((300, 60), (80, 70), (190, 50), (80, 300), (200, 290))])
    assert reading_order(places) == [1, 2, 0, 3, 4]
