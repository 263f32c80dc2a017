"""Reading captions beside the inks: cutting the strips, reading them offline, comparing with known words."""

from __future__ import annotations

import pickle
import socket
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from matcher.core.calibration import Calibration, RungModel
from matcher.core.detect.card_quad import CardQuad
from matcher.core.ocr import reader as reader_module
from matcher.core.ocr.caption_match import all_read, match_captions, shipped_calibration
from matcher.core.ocr.reading import OcrLine, OcrReading, can_read, read_caption, reading_strip
from matcher.core.ocr.settings import OcrSettings
from matcher.core.ocr.spelling import plain
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import Age, Caption, Crop, Scene, make_copy, needed_px_per_mm, photograph
from matcher.lab.synthesis.negatives import negative_of

SIZE = FaceSize()
SETTINGS = OcrSettings()
LEFT_OUT, STRAY = SETTINGS.lines.left_out, SETTINGS.lines.stray
PX_PER_MM = SETTINGS.reading.px_per_mm
needs_reader = pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")
NEGATIVE = Path(__file__).parents[3] / "reference_demo" / "negatives" / "A1.jpg"
NAME, CLUB, ISSUER = "J. Kelwick", "HARLE WHEELERS", "Fernhollow Cocoa Works"


@pytest.fixture
def fresh_reader() -> Iterator[None]:
    """Have the reader loaded anew, here and in the tests after this one."""
    reader_module._loaded.cache_clear()
    yield
    reader_module._loaded.cache_clear()


def photographed(style: str, contrast: float, upside_down: bool = False) -> tuple[Photo, CardQuad]:
    """A card of invented words, photographed with 2 megapixels; corners as the card is read upright."""
    scene = Scene(tilt=8.0, upside_down=upside_down)
    words = Caption(NAME, CLUB, ISSUER, style)  # type: ignore[arg-type]
    scale = needed_px_per_mm(scene, (SIZE.width_mm, SIZE.height_mm))
    card = make_copy(negative_of(NEGATIVE), Crop(), words, Age(residual_contrast=contrast), seed=5, px_per_mm=scale)
    shot = photograph(card, scene, np.random.default_rng(6))
    return Photo.from_pixels(shot.pixels), CardQuad(shot.corners.astype(np.float32), 1.0)


def read(*words: str, certainty: float = 0.95) -> OcrReading:
    return OcrReading(tuple(OcrLine(w, certainty, "foot") for w in words))


# Cutting


def both_strips(photo: Photo, outline: CardQuad, turned: int = 0) -> list[np.ndarray]:
    return [reading_strip(photo, outline, SIZE, place, turned) for place in ("foot", "head")]  # type: ignore[arg-type]


def test_the_strips_lie_where_the_face_has_them() -> None:
    # A card of 20 px/mm at (100, 60) in the photo, with a mark in the middle, 4 mm above the lower edge.
    pixels = np.full((1500, 1000, 3), 200, np.uint8)
    x, y = 100 + 20 * SIZE.width_mm / 2, 60 + 20 * (SIZE.height_mm - 4)
    pixels[round(y) - 20 : round(y) + 20, round(x) - 20 : round(x) + 20] = 40
    right, bottom = 100 + 20 * SIZE.width_mm, 60 + 20 * SIZE.height_mm
    corners = np.array([[100, 60], [right, 60], [right, bottom], [100, bottom]], np.float32)
    photo = Photo.from_pixels(pixels)
    foot, head = both_strips(photo, CardQuad(corners, 1.0))
    rows, columns = np.nonzero(foot < 100)
    # The foot is cut from 10 mm above the lower edge, 0.9 mm in from the sides (to half a face pixel).
    assert (columns.mean() + 0.5) / PX_PER_MM == pytest.approx(SIZE.width_mm / 2 - 0.9, abs=0.06)
    assert (rows.mean() + 0.5) / PX_PER_MM == pytest.approx(10 - 4, abs=0.06)
    assert np.ptp(head) == 0


def test_a_turned_card_gives_the_same_strips() -> None:
    photo, outline = photographed("below", 0.8)
    upside_down = CardQuad(np.roll(outline.corners, 2, axis=0), 1.0)
    for one, other in zip(both_strips(photo, outline), both_strips(photo, upside_down, turned=180), strict=True):
        # The transforms agree to rounding only.
        assert np.abs(one.astype(int) - other).max() <= 2


def test_a_card_at_the_edge_of_the_photo_can_be_cut() -> None:
    photo = Photo.from_pixels(np.full((300, 200, 3), 128, np.uint8))
    corners = np.array([[-30, -20], [260, -20], [260, 330], [-30, 330]], np.float32)
    foot, head = both_strips(photo, CardQuad(corners, 1.0))
    assert foot.shape[1] == head.shape[1]


# Reading


@needs_reader
@pytest.mark.parametrize(
    ("style", "contrast", "upside_down"),
    [
        ("below", 0.8, False),
        ("below", 0.3, True),  # stood upright by its corners
        ("top", 0.5, False),  # the words are in the head
    ],
)
def test_a_name_is_read(style: str, contrast: float, upside_down: bool) -> None:
    found = read_caption(*photographed(style, contrast, upside_down))
    assert any(plain(NAME) in plain(line.words) for line in found.lines), found.words
    assert {line.place for line in found.lines if plain(NAME) in plain(line.words)} == {
        "head" if style == "top" else "foot"
    }
    assert pickle.loads(pickle.dumps(found)) == found


@needs_reader
def test_reading_needs_no_network(monkeypatch: pytest.MonkeyPatch, fresh_reader: None) -> None:
    def refused(*_: object, **__: object) -> None:
        raise AssertionError("a network connection was opened")

    monkeypatch.setattr(socket, "socket", refused)
    monkeypatch.setattr(socket, "create_connection", refused)
    monkeypatch.setattr(socket, "getaddrinfo", refused)
    found = read_caption(*photographed("below", 0.8))
    assert plain(NAME) in plain(found.words)


@needs_reader
def test_nothing_read_is_said() -> None:
    photo = Photo.from_pixels(np.full((900, 600, 3), 180, np.uint8))
    corners = np.array([[50, 50], [550, 50], [550, 850], [50, 850]], np.float32)
    found = read_caption(photo, CardQuad(corners, 1.0))
    assert not found
    assert found.words == "no words could be read"


def test_without_the_extra_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch, fresh_reader: None) -> None:
    monkeypatch.setitem(sys.modules, "rapidocr", None)
    found = read_caption(*photographed("below", 0.8))
    assert not found
    assert "pip install 'platekin[reading]'" in found.words
    assert not can_read()
    evidence = match_captions(found, {"V1": (NAME,)})
    assert not evidence
    assert evidence.words == found.words


# Comparing


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("J. Kelwick", "J.KELWICK"),  # case and spaces
        ("Kelwick – Harle", "kelwick-harle"),  # punctuation
        ("ﬁnch", "FINCH"),  # a ligature is compatible with its letters (NFKC)
        ("Sam'l", "Sam’l"),
        ("Ke1wick", "Kelwick"),  # signs of one look in old type
    ],
)
def test_what_does_not_count_as_another_word(one: str, other: str) -> None:
    assert plain(one) == plain(other)


def test_distances_are_those_of_published_examples() -> None:
    distance = pytest.importorskip("rapidfuzz.distance", reason="the extra 'reading' is not installed")
    # The textbook pair, from memory and countable by hand: k to s, e to i, g added.
    assert distance.Levenshtein.distance("kitten", "sitting") == 3
    # The example in RapidFuzz's own documentation of Levenshtein.distance.
    assert distance.Levenshtein.distance("lewenstein", "levenshtein") == 2


KNOWN = {
    "own": (NAME, CLUB, ISSUER),
    "letter": ("J. Kelvick", CLUB, ISSUER),
    "letters": ("J. Kellvick", CLUB, ISSUER),
    "club": (NAME, "ESKDASK HARRIERS", ISSUER),
}


@needs_reader
@pytest.mark.parametrize(
    ("lines", "best", "edits", "lead"),
    [
        ((NAME, CLUB, ISSUER), "own", 0, 1),
        (("J.Kelwick", "HARLE WHEELERSFernhollow Cocoa Works"), "own", 0, 1),  # lines run together
        ((NAME, CLUB), "own", LEFT_OUT, 1),  # the issuer too small to be read
        ((NAME, CLUB, ISSUER, "oxxzzo"), "own", STRAY, 1),  # a bit of backdrop taken for a word
        (("J. Kelvick", CLUB, ISSUER), "letter", 0, 1),
        (("J. Kelvck", CLUB, ISSUER), "letter", 1, 1),
        ((NAME,), "", 2 * LEFT_OUT, 0),  # without the club its two records are level
        ((CLUB, ISSUER), "", LEFT_OUT, 0),  # without the name three are
    ],
)
def test_the_nearest_known_words(lines: tuple[str, ...], best: str, edits: float, lead: float) -> None:
    evidence = match_captions(read(*lines), KNOWN)
    assert evidence.best == best
    assert evidence.features["edits"] == edits
    assert evidence.features["lead"] == lead
    assert pickle.loads(pickle.dumps(evidence)) == evidence


@needs_reader
def test_words_in_the_picture_take_no_place_among_those_at_the_head() -> None:
    poster = tuple(OcrLine(words, 0.95, "foot") for words in ("NOT TODAY", "1100"))
    caption = tuple(OcrLine(words, 0.95, "head") for words in (NAME, ISSUER))
    apart, together = (
        match_captions(OcrReading(lines), KNOWN).scores["own"]
        for lines in (poster + caption, tuple(replace(line, place="head") for line in poster) + caption)
    )
    assert apart.features["club_unread"] == together.features["club_replaced"] == 1.0
    assert apart.features["club_replaced"] == together.features["club_unread"] == 0.0


@needs_reader
def test_the_head_is_read_where_a_caption_stands_there_whatever_the_foot_says(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def lines_of(library: object, strip: object, place: str, *_: object) -> list[OcrLine]:
        asked.append(place)
        return [OcrLine(words, 0.95, place) for words in ("NOT TODAY", "1100")]  # type: ignore[arg-type]

    monkeypatch.setattr("matcher.core.ocr.reading._lines", lines_of)
    read_caption(*photographed("below", 0.8))
    assert asked == ["foot"]
    read_caption(*photographed("below", 0.8), head_worded=True)
    assert asked == ["foot", "foot", "head"]


@needs_reader
def test_a_line_that_runs_on_into_an_unknown_one_is_still_recognised() -> None:
    known = {"own": (NAME, CLUB, ""), "club": (NAME, "ESKDASK HARRIERS", "")}
    evidence = match_captions(read(NAME, f"{CLUB} & {ISSUER}"), known)
    assert evidence.best == "own"
    assert evidence.features["edits"] == STRAY
    assert evidence.scores["own"].features["exact"] == 1.0
    assert evidence.scores["club"].features["exact"] == 0.0


@needs_reader
def test_when_enough_has_been_read() -> None:
    known = [(NAME, CLUB, ""), ("J. Kelvick", CLUB, "")]
    assert all_read(read("J. Kelwik", "harle wheelers").lines, known)
    assert not all_read(read(NAME).lines, known)  # the club is lacking
    assert not all_read(read(NAME, CLUB, certainty=0.6).lines, known)  # the reader was not sure
    assert not all_read(read(NAME, CLUB).lines, [(NAME, CLUB, ISSUER)])
    assert not all_read(read(NAME).lines, [("", "", "")])  # nothing is known: all is read


@needs_reader
def test_the_largest_lines_are_read_first_and_no_more_than_needed() -> None:
    asked: list[tuple[str, ...]] = []

    def enough(lines: Sequence[OcrLine]) -> bool:
        asked.append(tuple(plain(line.words) for line in lines))
        return bool(lines)

    found = read_caption(*photographed("below", 0.8), enough=enough)
    assert [plain(line.words) for line in found.lines] == [plain(NAME)]
    assert len(read_caption(*photographed("below", 0.8)).lines) > 1
    assert asked[0] == (plain(NAME),)


@needs_reader
def test_the_words_for_people() -> None:
    assert match_captions(read(NAME), {"V1": (NAME, "")}).words == "read as 'J. Kelwick': nearest to 'J. Kelwick'"
    assert match_captions(read("J. Kelvick"), {"V1": (NAME,)}).words.endswith("nearest to 'J. Kelwick', 1 letter off")
    level = match_captions(read("J. Kelxick"), {"V1": (NAME,), "V2": ("J. Kelvick",)})
    assert level.words == "read as 'J. Kelxick': as near to one known caption as to another"


@needs_reader
def test_only_records_with_words_are_compared() -> None:
    assert set(match_captions(read(NAME), {"V1": (NAME,), "V2": ("", "–")}).scores) == {"V1"}
    nothing = match_captions(read(NAME), {"V2": ("",)})
    assert not nothing
    assert nothing.words == "no known words to compare with"


@needs_reader
def test_the_shipped_coefficients_prefer_the_words_that_were_read() -> None:
    likely = {
        name: likeness.probability for name, likeness in match_captions(read(NAME, CLUB, ISSUER), KNOWN).scores.items()
    }
    assert likely["own"] > 0.8
    assert max(likely["letter"], likely["club"]) < likely["own"]
    assert likely["letters"] < likely["letter"]
    assert "pictures" in shipped_calibration().provenance


@needs_reader
def test_a_calibration_of_ones_own_is_used() -> None:
    model = RungModel(("club_unread",), (0.0,), (1.0,), (-2.0,), 1.0)
    evidence = match_captions(read(NAME), {"V1": (NAME,)}, Calibration({"reading": model}, {}))
    assert evidence.scores["V1"].probability == pytest.approx(1 / (1 + np.exp(-1.0)))


def test_a_reader_that_is_turned_off_reads_nothing() -> None:
    off = replace(SETTINGS, reader=replace(SETTINGS.reader, on=False))
    assert not can_read(off)
    assert reader_module.reader(off.reader) is None
