"""What ends the search early, and what tells outlines apart that are all as good as certain; scenes drawn by code."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.detect.caption_extension import with_caption
from matcher.core.detect.detection import detect
from matcher.core.detect.first_look import first_look
from matcher.core.detect.quad_search import likely_first, overlap, search_quads
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.region_proposals import coarse_quads, region_quads
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.suppression import suppress_overlaps
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.detection_measures import jaccard
from matcher.lab.synthesis.staging import Props, stage
from tests.core.detect.test_detection import draw_print, draw_table, lay, shoot, turned
from tests.core.detect.test_formats_found import ALL

NEGATIVES = Path(__file__).parents[3] / "reference_demo" / "negatives"
PICTURES = [read_photo(path) for path in sorted(NEGATIVES.glob("*1.jpg"))]
PROPS = Props([photo.grey for photo in PICTURES], [photo.pixels for photo in PICTURES])
SHAPES, SETTINGS = np.array([FaceSize().aspect]), DetectSettings()


def looked_at(photo: Photo) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    picture = reduce(photo)
    found = first_look(picture, SHAPES, region_quads(picture, SHAPES), SETTINGS)
    return None if found is None else (found[0] / np.array(picture.scale, np.float32), found[1])


def test_one_clear_card_is_seen_at_once_and_as_the_whole_search_sees_it() -> None:
    corners = turned((450, 600), 800, 9)
    photo = shoot(lay(draw_table("slate", 900, 1200), draw_print(), corners))
    clear = looked_at(photo)
    assert clear is not None
    assert overlap(clear[0][0], corners) > 0.97
    (found,) = detect(photo)
    assert overlap(found.corners, corners) > 0.98


def test_a_card_of_another_colour_than_its_table_is_seen_without_looking_for_edges() -> None:
    corners = turned((450, 600), 800, 9)
    photo = shoot(lay(draw_table("slate", 900, 1200), draw_print(), corners))
    picture = reduce(photo)
    found = first_look(picture, SHAPES, coarse_quads(picture, SHAPES), SETTINGS)
    assert found is not None
    assert overlap(found[0][0] / np.array(picture.scale, np.float32), corners) > 0.97
    assert not {"slope", "edges"} & set(vars(picture))  # which are what takes time


@pytest.mark.parametrize("seed", [2, 4])
def test_a_card_that_no_colour_parts_from_its_table_is_seen_at_once_by_the_network(seed: int) -> None:
    scene = stage("wood", PROPS, np.random.default_rng([seed, 5]))
    picture = reduce(Photo.from_pixels(scene.pixels))
    assert first_look(picture, SHAPES, coarse_quads(picture, SHAPES), SETTINGS) is None
    ranked = search_quads(picture, FaceSize())
    assert len(ranked.quads) == 1
    assert jaccard(scene.cards[0], ranked.quads[0] / np.array(picture.scale, np.float32)) > 0.98
    assert "edges" not in vars(picture)  # no search for lines, which takes the most time


def test_where_a_second_card_lies_the_search_goes_on() -> None:
    table = draw_table("slate", 1400, 1200)
    places = [turned((380, 600), 700, 4), turned((1020, 600), 700, -5)]
    for place in places:
        table = lay(table, draw_print(), place)
    photo = shoot(table)
    assert looked_at(photo) is None
    assert len(detect(photo)) == 2


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_card_in_a_stiff_holder_is_outlined_not_the_holder(seed: int) -> None:
    scene = stage("toploader", PROPS, np.random.default_rng([seed, 5]))
    outlines = list(detect(Photo.from_pixels(scene.pixels), ALL))
    assert max(jaccard(scene.cards[0], one.corners) for one in outlines) > 0.95


def test_of_two_outlines_as_good_as_certain_the_likelier_wins_though_it_is_smaller() -> None:
    holder = np.array([[0, 0], [100, 0], [100, 160], [0, 160]], np.float32)
    card = np.array([[15, 20], [85, 20], [85, 140], [15, 140]], np.float32)
    quads, scores = np.stack([holder, card]), np.array([0.9999, 0.9999])
    assert suppress_overlaps(quads, scores, least=0.5).tolist() == [0]
    assert suppress_overlaps(quads, scores, least=0.5, log_odds=np.array([5.0, 9.0])).tolist() == [1]


def test_a_print_that_is_not_sure_by_itself_does_not_beat_the_full_picture() -> None:
    picture = reduce(Photo.from_pixels(np.zeros((800, 460, 3), np.uint8)))
    full = np.array([[0, 0], [460, 0], [460, 800], [0, 800]], np.float32)
    print_ = turned((230, 400), 730, 0.0)
    quads, scores = np.stack([full, print_]).astype(np.float32), np.full(2, 0.9, np.float32)
    unsure, sure = np.array([0.99, 0.6], np.float32), np.array([0.99, 0.95], np.float32)
    assert likely_first(picture, quads, scores, SHAPES, alone=unsure)[0] == pytest.approx(0.9)
    assert likely_first(picture, quads, scores, SHAPES, alone=sure)[0] < 0.5


@pytest.mark.parametrize("upside_down", [False, True])
def test_a_landscape_cards_caption_along_its_long_side_belongs_to_it(upside_down: bool) -> None:
    scene = np.full((500, 700, 3), (60, 60, 70), np.uint8)
    scene[100:360, 150:550] = (235, 230, 215)  # the card, 1.54 : 1
    scene[100:320, 150:550] = (120, 100, 90)  # its picture; the caption's strip stays
    if upside_down:
        scene = np.ascontiguousarray(scene[::-1])
    top, foot = (140, 400) if upside_down else (100, 360)
    of_print = (180, 400) if upside_down else (100, 320)
    quad = np.array([[550, of_print[0]], [550, of_print[1]], [150, of_print[1]], [150, of_print[0]]], np.float32)
    longer = with_caption(reduce(Photo.from_pixels(scene)), quad, 63.5, 0.655, lying=True)
    assert sorted({round(float(y)) for y in longer[:, 1]}) == pytest.approx([top, foot], abs=4)
    assert np.ptp(longer[:, 0]) == pytest.approx(400, abs=2)
