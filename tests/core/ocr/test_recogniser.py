"""What a line says: the network that is shipped, on lines drawn in clear type, and how a line is given to it."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from matcher.core.errors import PlatekinError
from matcher.core.nets import WEIGHTS
from matcher.core.ocr import recogniser
from matcher.core.ocr.recogniser import ROWS, TABLES, prepared, recognised
from matcher.core.ocr.settings import ReaderSettings
from matcher.core.ocr.spelling import misfits, plain

SETTINGS = ReaderSettings()


def drawn(words: str, pixels: int = 40) -> np.ndarray:
    """Black on white, in Pillow's own type."""
    face = ImageFont.load_default(pixels)
    wide = round(face.getlength(words))
    image = Image.new("L", (wide + 16, round(1.3 * pixels)), 255)
    ImageDraw.Draw(image).text((8, pixels), words, fill=0, font=face, anchor="ls")
    return np.asarray(image, np.uint8)


@pytest.mark.parametrize("words", ["Ada Kelwick", "J. Oldcott", "HARTLEY ROWING CLUB", "No. 214", "Wm. O'Hara"])
def test_clear_type_is_read_to_the_letter(words: str) -> None:
    read, certainty, frames = recognised(drawn(words), 1.2, SETTINGS)
    assert read == words
    assert certainty > 0.8
    assert frames.named == plain(words)


def test_what_stands_there_fits_and_another_letter_does_not() -> None:
    frames = recognised(drawn("Jonas Fenbury"), 1.2, SETTINGS)[2]
    (same,), (other,) = misfits(frames, [plain("Jonas Fenbury")]), misfits(frames, [plain("Jones Fenbury")])
    assert same == 0
    assert other > 4


def test_nothing_is_read_where_nothing_stands() -> None:
    words, certainty, frames = recognised(np.full((40, 200), 230, np.uint8), 1.2, SETTINGS)
    assert plain(words) == ""
    assert frames.named == ""
    assert 0 <= certainty <= 1


@pytest.mark.parametrize(("share", "columns", "filled"), [(1.0, 240, 240), (1.5, 360, 240), (0.75, 180, 180)])
def test_a_line_is_given_as_high_as_the_network_sees_it(share: float, columns: int, filled: int) -> None:
    """As the reading library gives it: squeezed below its width, with blank beside it above."""
    picture = prepared(np.full((20, 100), 255, np.uint8), share)
    assert picture.shape == (1, 3, ROWS, columns)
    assert (picture[..., :filled] == 1).all()
    assert not picture[..., filled:].any()


def test_tables_that_are_not_what_was_shipped_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recogniser, "TABLES", (*TABLES[:1], "reader_9.bin"))
    recogniser._network.cache_clear()
    with pytest.raises(PlatekinError, match="not what was shipped"):
        recognised(drawn("Ada"), 1.2, SETTINGS)
    recogniser._network.cache_clear()


def test_no_shipped_file_is_larger_than_three_million_bytes() -> None:
    assert max(path.stat().st_size for path in WEIGHTS.iterdir()) <= 3_000_000
