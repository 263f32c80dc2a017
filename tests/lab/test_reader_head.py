"""The library's reader with fewer signs reads what it read, and no Chinese."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import onnxruntime
import pytest

pytest.importorskip("rapidocr")

from matcher.core.ocr.recogniser import prepared
from matcher.lab.training.reader_head import OTHER, cut_head, kept_sign, library_signs
from tests.core.ocr.test_recogniser import drawn

SOURCE = Path(find_spec("rapidocr").origin).parent / "models" / "PP-OCRv6_rec_small.onnx"  # type: ignore[union-attr, arg-type]


def read(path: Path, signs: list[str], words: str) -> str:
    shown = prepared(drawn(words), 1.2)
    likeliest = onnxruntime.InferenceSession(str(path)).run(None, {"x": shown})[0][0].argmax(axis=1)
    begins = (likeliest > 0) & (likeliest != np.append(-1, likeliest[:-1]))
    return "".join(signs[n - 1] for n in likeliest[begins])


def test_it_reads_alike_with_a_fiftieth_of_the_signs(tmp_path: Path) -> None:
    smaller = tmp_path / "smaller.onnx"
    signs, all_signs = cut_head(SOURCE, smaller), library_signs(SOURCE)
    assert len(signs) < len(all_signs) / 50
    assert signs[-1] == OTHER
    assert smaller.stat().st_size < 0.6 * SOURCE.stat().st_size
    for words in ("Ada Kelwick", "HARLE & SON, Photo.", "No. 214 Ümlaut"):
        assert read(smaller, signs, words) == read(SOURCE, all_signs, words)


@pytest.mark.parametrize(("sign", "kept"), [("a", True), ("É", True), ("7", True), ("&", True), ("Ω", True)])
def test_what_captions_say_is_kept(sign: str, kept: bool) -> None:
    assert kept_sign(sign) == kept


@pytest.mark.parametrize("sign", ["山", "ア", "Ａ", "☂", "", "→"])
def test_what_no_caption_says_is_not(sign: str) -> None:
    assert not kept_sign(sign)
