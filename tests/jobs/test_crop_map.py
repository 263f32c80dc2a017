"""A pose's crop map, on cards printed from one negative through different windows, whose true places are known."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.corrections import merge_poses
from matcher.core.settings import FaceSize
from matcher.jobs.crop_map import OWN_SIGMA_MM, crop_map, map_crops
from matcher.lab.evaluation.windows import Placed, face_to_negative
from matcher.lab.synthesis import Age, Caption, Crop, make_copy
from matcher.lab.synthesis.lettering import ROMAN
from tests.support.enrolling import row, run, write_table

DEMO = Path(__file__).parents[2] / "reference_demo"
WORDS = Caption("Oscar Dunnelby", "GANNOCK BAR R. C.", "Quillory Biscuit Works", "below", ROMAN, ROMAN)
SIZE = FaceSize()
FRESH, FAINT = Age(0.9), Age(0.35)

CARDS = {  # crop: how its card was printed, aged and cut; A is the most legible one
    "A": Placed(Crop(zoom=1.03), WORDS, FRESH, 1),
    "B": Placed(Crop(0.5, 0.45, 1.35), WORDS, FAINT, 2),
    "C": Placed(Crop(0.46, 0.5, 1.18), WORDS, FAINT, 3),
}


def negative(name: str) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(DEMO / "negatives" / f"{name}.jpg"), cv2.IMREAD_GRAYSCALE), np.uint8)


def true_edges(shape: tuple[int, ...], card: Placed, frame: Placed) -> NDArray[np.float64]:
    """Left, top, right, bottom of a card on the frame's card, mm, by how both were printed and cut."""
    to_frame = np.linalg.inv(face_to_negative(shape, frame)) @ face_to_negative(shape, card)
    ends = np.array([[[0, 0], [SIZE.width, SIZE.height]]], np.float64) - 0.5
    return np.asarray((cv2.perspectiveTransform(ends, to_frame)[0] + 0.5) / SIZE.px_per_mm).ravel()


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A catalogue of three crops of pose P1, in shades of fading, and of one card of another negative as P2."""
    folder = tmp_path_factory.mktemp("printed")
    cards = [("A1", "P1", crop, placed) for crop, placed in CARDS.items()]
    cards.append(("B2", "P2", "Z", Placed(Crop(zoom=1.03), WORDS, FAINT, 4)))
    rows = []
    for number, (name, pose, crop, placed) in enumerate(cards):
        card = make_copy(
            negative(name), placed.crop, placed.caption, placed.age, seed=placed.seed or 0, plate=number > 2
        )
        cv2.imwrite(str(folder / f"{crop}.png"), cv2.cvtColor(card.pixels, cv2.COLOR_RGB2BGR))
        rows.append(row(number, f"{crop}.png", pose=pose, crop=crop, subject="Oscar Dunnelby"))
    report = run(write_table(folder / "RECORDS.csv", rows), folder / "mine")
    assert report.failed == ()
    return folder / "mine"


def test_every_crop_is_a_rectangle_of_one_frame_where_it_was_printed(printed: Path) -> None:
    with Catalogue.open(printed) as catalogue:
        decision = map_crops(catalogue, "P1")
        assert decision is not None
        assert decision.evidence == {"frame": 1, "left_out": []}
        found = {one.crop: one for one in crop_map(catalogue, "P1")}
        assert map_crops(catalogue, "P1") is None  # measured again it is what it was
    assert sorted(found) == ["A", "B", "C"]
    assert found["A"].window_mm == (0.0, 0.0, SIZE.width_mm, SIZE.height_mm)
    shape = negative("A1").shape
    for crop in ("B", "C"):
        off = np.array(found[crop].window_mm) - true_edges(shape, CARDS[crop], CARDS["A"])
        assert np.abs(off).max() < OWN_SIGMA_MM, crop  # these very cards: registration is not worse than scissors
        perfect = (Placed(CARDS[name].crop, WORDS, FRESH, None) for name in (crop, "A"))
        off = np.array(found[crop].window_mm) - true_edges(shape, *perfect)
        assert np.abs(off).max() < 3 * found[crop].sigma_mm, crop  # the crops as they were meant
        assert found[crop].sigma_mm < 0.5


def test_a_card_of_another_negative_is_left_out(printed: Path) -> None:
    """Two poses were taken for one: the map says which card does not lie in its frame."""
    with Catalogue.open(printed) as catalogue:
        merge_poses(catalogue, "P2", "P1", person("Ada Quill"))
        decision = map_crops(catalogue, "P1")
        assert decision is not None
        assert decision.evidence["left_out"] == ["Z"]
        assert [one.crop for one in crop_map(catalogue, "P1")] == ["A", "B", "C"]
