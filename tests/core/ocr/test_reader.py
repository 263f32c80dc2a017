"""Where lines stand: the network that is shipped, beside the reading library's own, on lines in clear type."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from matcher.core.errors import PlatekinError
from matcher.core.nets import WEIGHTS
from matcher.core.ocr import reader as reader_module
from matcher.core.ocr.reader import FINDER_TABLES, Reader, reader, shipped_finder
from matcher.core.ocr.settings import ReaderSettings
from tests.core.ocr.test_recogniser import drawn

WORDS = ("Ada Kelwick", "J. Oldcott", "HARTLEY ROWING CLUB", "No. 214", "Wm. O'Hara")


def strip(words: str, pixels: int = 30, tone: int = 0, paper: int = 235) -> np.ndarray:
    """A line somewhere on a strip as cards are searched."""
    line = drawn(words, pixels).astype(np.float32) / 255
    grey = np.full((128, 560), paper, np.float32)
    grey[40 : 40 + line.shape[0], 60 : 60 + line.shape[1]] = tone + (paper - tone) * line
    return grey.astype(np.uint8)


@pytest.fixture(scope="module")
def finder() -> Reader:
    found = reader(ReaderSettings())
    assert found is not None
    return found


@pytest.fixture(scope="module")
def library() -> object:
    """RapidOCR's own finder (PP-OCRv6), with its own settings."""
    rapidocr = pytest.importorskip("rapidocr")
    return rapidocr.RapidOCR(params={"Global.log_level": "error", "Det.limit_type": "max", "Det.limit_side_len": 640})


@pytest.mark.parametrize("words", WORDS)
def test_a_line_is_found_where_it_stands_and_boxed_as_the_library_boxes_it(
    words: str, finder: Reader, library: object
) -> None:
    """Lines are read as they are cut out: a box of another height would be read otherwise."""
    grey = strip(words)
    (box,) = finder.find(grey, 640)
    (known,) = library(np.dstack([grey] * 3), use_rec=False, use_cls=False).boxes  # type: ignore[operator]
    known = np.asarray(known, np.float32)
    own, other = (np.ptp(one, axis=0) for one in (box, known))
    assert np.abs(box.mean(axis=0) - known.mean(axis=0)).max() < 0.2 * other[1]
    assert own[1] == pytest.approx(other[1], rel=0.25)
    assert own[0] == pytest.approx(other[0], rel=0.1)


@pytest.mark.parametrize(("tone", "paper"), [(120, 150), (245, 90)])
def test_faint_and_light_lines_are_found_as_well(tone: int, paper: int, finder: Reader) -> None:
    assert len(finder.find(strip(WORDS[0], tone=tone, paper=paper), 640)) == 1


def test_no_line_is_found_where_none_stands(finder: Reader) -> None:
    rng = np.random.default_rng(2)
    for grey in (np.full((128, 560), 220, np.uint8), rng.normal(128, 20, (128, 560)).clip(0, 255).astype(np.uint8)):
        assert finder.find(grey, 640) == []


def test_lines_of_two_sizes_are_two(finder: Reader) -> None:
    grey = np.minimum(strip(WORDS[0]), np.roll(strip(WORDS[2], 18), 40, axis=0))
    assert len(finder.find(grey, 640)) == 2


def test_weights_that_are_not_what_was_shipped_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader_module, "FINDER_TABLES", (*FINDER_TABLES[:1], "lines_9.bin"))
    with pytest.raises(PlatekinError) as refused:
        shipped_finder()
    assert refused.value.code == "damaged_part"


def test_what_it_learnt_from_is_told() -> None:
    told = json.loads(Path(WEIGHTS / "lines.json").read_text())
    assert told["begun"]["licence"] == "Apache-2.0"
    assert len(told["begun"]["sha256"]) == 64
    assert sum(told["manifests"].values()) > 200
