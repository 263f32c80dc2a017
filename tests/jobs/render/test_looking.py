"""Tones brought together and places to look at, on pictures whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.change_detector import STEP, DifferenceMap
from matcher.core.ocr.line_evidence import compare_words
from matcher.core.ocr.line_pairs import written_on
from matcher.core.ocr.reading import can_read
from matcher.jobs.render.looking import GAP, NODES, _boxes, _telling, matched_tones, words_line
from matcher.jobs.render.words_proof import words_proof
from matcher.lab.synthesis.wording import SetLine
from tests.core.ladder.test_ladder import candidate
from tests.core.ocr.test_line_pairs import CLUB, NAME, along_the_side, at_the_foot, known, sight
from tests.core.ocr.test_line_pairs import card as drawn
from tests.support.faces import face_of, picture

HEIGHT, WIDTH = 64, 48


def ramp() -> np.ndarray:
    """Every grey from black to white, often enough to have quantiles."""
    values = np.linspace(0, 255, HEIGHT * WIDTH).reshape(HEIGHT, WIDTH)
    return np.repeat(np.rint(values).astype(np.uint8)[..., None], 3, axis=2)


def applied(tables: tuple[tuple[float, ...], ...], pixels: np.ndarray) -> np.ndarray:
    """As a browser does with greys (SVG 1.1, 15.11 feComponentTransfer, type table): straight between the nodes."""
    nodes = np.linspace(0, 1, NODES)
    made = np.stack([255 * np.interp(pixels[..., c] / 255, nodes, tables[c]) for c in range(3)], axis=-1)
    return np.clip(made, 0, 255)


@pytest.mark.parametrize(("gain", "level"), [(0.25, 120.0), (0.6, 20.0)])
def test_the_duller_picture_is_brought_to_the_clearer_ones_tones(gain: float, level: float) -> None:
    clear, shown = ramp(), np.full((HEIGHT, WIDTH), 255, np.uint8)
    dull = np.rint(clear * gain + level).astype(np.uint8)
    for card, reference, of in ((dull, clear, "card"), (clear, dull, "reference")):
        tones = matched_tones(card, reference, shown)
        assert tones is not None
        assert tones.of == of
        inner = (clear > 5) & (clear < 250)
        assert np.abs(applied(tones.tables, dull) - clear)[inner].max() < 6


def test_a_lamps_shine_on_one_of_the_two_does_not_tear_the_others_tones() -> None:
    """Nowhere is a tone's step made more than half as large again as on average over what both show."""
    clear, shown = ramp(), np.full((HEIGHT, WIDTH), 255, np.uint8)
    dull = np.rint(clear * 0.4 + 90).astype(np.uint8)
    shining = clear.copy()
    shining[10:22] = np.maximum(shining[10:22], 250)  # three in sixteen of its pixels
    tones = matched_tones(shining, dull, shown)
    assert tones is not None
    for table in tones.tables:
        steps = np.diff(np.interp(np.linspace(90, 192, 40) / 255, np.linspace(0, 1, NODES), table))
        assert steps.min() > 0
        assert steps.max() < 1.5 * steps.mean()


def test_too_little_to_compare_tones_by() -> None:
    nothing = np.zeros((HEIGHT, WIDTH), np.uint8)
    assert matched_tones(ramp(), ramp(), nothing) is None
    flat = np.full((HEIGHT, WIDTH, 3), 90, np.uint8)
    assert matched_tones(flat, ramp(), nothing + 255) is None


def test_places_are_told_by_weight_in_pixels_of_the_face() -> None:
    weight = np.zeros((20, 20), np.float32)
    weight[2:5, 3:7] = 0.6
    weight[10:16, 10:16] = 0.9
    weight[18, 18] = 1.0  # too small
    assert _boxes((weight > 0.5).astype(np.uint8), weight, 4, 2.0) == ((20, 20, 12, 12), (6, 4, 8, 6))


@pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")
@pytest.mark.parametrize("draw", [at_the_foot, along_the_side])
def test_the_line_that_differs_is_shown_and_boxed_and_no_other(draw: Callable[[str, str], list[SetLine]]) -> None:
    """Boxes stood where a strip's ink differed most, beside the letters that had been read otherwise."""
    query, reference = drawn(draw(NAME, "Gull Rock Wheelers"), seed=11), drawn(draw(NAME, CLUB), seed=12)
    one = known()
    words = compare_words(sight(query, reference), written_on(reference), one)
    assert words is not None
    assert words.probability < 0.5
    found = replace(one, words=words, confidence=Confidence(pose=0.99, crop=0.98, caption=0.02))
    lines = words_line(found, query, reference, differ=True)
    assert len(lines) == len(words.lines)
    assert [bool(line.letters) for line in lines] == [True, *[False] * (len(lines) - 1)]
    height = (len(lines[0].pixels) - GAP) // 2
    for left, top, wide, high in lines[0].letters:
        assert 0 <= top < top + high <= height
        assert 0 <= left < left + wide <= lines[0].pixels.shape[1]
    assert not any(line.letters for line in words_line(found, query, reference, differ=False))


def strip(differs: tuple[slice, slice] | None, ink: int) -> DifferenceMap:
    """Paper with strokes of `ink` levels; the network's map says that they differ in some cells."""
    paper = np.full((80, 352), 200, np.uint8)
    paper[30:50, 40:300:6] -= ink
    logits = np.full((80 // STEP, 352 // STEP), -6, np.float32)
    if differs:
        logits[differs] = 6
    return DifferenceMap("words", paper, paper, np.ones_like(logits), logits)


def test_the_strip_whose_letters_differ_comes_first_and_a_worn_edge_is_left_out() -> None:
    changed, edge = strip(np.s_[8:12, 20:60], 60), strip(np.s_[0:12, 0:1], 10)
    (line,) = _telling((edge, changed), differ=True)
    assert line.letters == ((80, 32, 160, 16),)
    first, second = _telling((strip(np.s_[8:12, 20:40], 60), changed), differ=True)
    assert [len(one.letters) for one in (first, second)] == [1, 1]
    assert first.letters[0][2] > second.letters[0][2]


def test_where_nothing_differs_the_strip_with_words_is_shown() -> None:
    (line,) = _telling((strip(None, 2), strip(None, 90)), differ=True)
    assert line.letters == ()
    assert np.ptp(line.pixels) > 200
    (again,) = _telling((strip(None, 2), strip(np.s_[8:12, 20:60], 90)), differ=False)
    assert again.letters == ()


@pytest.mark.parametrize(("crop", "shown"), [(0.98, True), (0.02, False)])
def test_on_another_crop_no_words_are_laid_over_each_other(crop: float, shown: bool) -> None:
    """There the known words' place shows legs, which were boxed as letters."""
    found = candidate("V1", "P1", "A", 0.99, crop, 0.02)
    assert found.caption
    changed = strip(np.s_[8:12, 20:60], 60)
    found = replace(found, caption=replace(found.caption, parts=(changed, strip(None, 2))))
    face = face_of(picture(81))
    assert (words_proof(found, face, face) is not None) == shown
