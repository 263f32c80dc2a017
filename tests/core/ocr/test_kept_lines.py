"""What was read off a reference is kept, and what is kept is the very same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.card_lines import CardLine
from matcher.core.ocr import kept_lines
from matcher.core.ocr.kept_lines import LineReading
from matcher.core.ocr.line_pairs import WrittenLine
from matcher.core.ocr.looks import Look
from matcher.core.ocr.settings import LinePairSettings, OcrSettings
from matcher.core.ocr.spelling import Frames


def line(words: str, seed: int, quarters: int = 0) -> WrittenLine:
    seen = np.random.default_rng(seed).random((7, 4)).astype(np.float32)
    box = (3.25, 55.5, 30.0, 58.13)
    return WrittenLine(CardLine(words, 0.8765432, box, quarters != 0), quarters, Look(words, 0.91, Frames("héλ", seen)))


def test_lines_come_back_as_they_were() -> None:
    reading, lines = LineReading(), (line("J. Harlé", 1), line("Ferry Hill “W.”", 2, quarters=3))
    again = reading.decode(reading.encode(lines))
    assert [one.line for one in again] == [one.line for one in lines]
    assert [(one.quarters, one.look.words, one.look.certainty) for one in again] == [
        (one.quarters, one.look.words, one.look.certainty) for one in lines
    ]
    for now, before in zip(again, lines, strict=True):
        assert now.look.frames.signs == before.look.frames.signs
        assert now.look.frames.probabilities.dtype == np.float32
        assert np.array_equal(now.look.frames.probabilities, before.look.frames.probabilities)


def test_no_line_is_an_answer_too() -> None:
    assert LineReading().decode(LineReading().encode(())) == ()


def test_what_is_read_otherwise_is_kept_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_lines, "can_read", lambda settings: True)
    usual, finer = LineReading(), LineReading(OcrSettings(pairs=LinePairSettings(px_per_mm=24.0)))
    assert usual.key == LineReading().key != finer.key
    assert usual == LineReading() != finer
    elsewhere = replace(OcrSettings(), match=replace(OcrSettings().match, firm=0.7))
    assert LineReading(elsewhere).key == usual.key  # what is not asked when a reference is read changes nothing


def test_what_another_network_reads_is_kept_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """What an old one had read of known cards was set beside what a new one read of a photo."""
    monkeypatch.setattr(kept_lines, "can_read", lambda settings: True)
    told = kept_lines.sums()
    assert {name for name in told if name.startswith(kept_lines.NETWORKS)} >= {"lines.onnx", "reader.onnx"}
    keys = {name: _key_with(monkeypatch, {**told, name: "0" * 64}) for name in ("", "reader_1.bin", "lines.onnx")}
    assert len({LineReading().key, *keys.values()}) == 3
    assert keys[""] == LineReading().key == _key_with(monkeypatch, {**told, "movement.onnx": "0" * 64})


def _key_with(monkeypatch: pytest.MonkeyPatch, told: dict[str, str]) -> str:
    with monkeypatch.context() as other:
        other.setattr(kept_lines, "sums", lambda: told)
        kept_lines._key.cache_clear()
        key = LineReading().key
    kept_lines._key.cache_clear()
    return key


def test_without_the_reading_library_nothing_may_be_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Or "no lines" would be believed once it is installed."""
    monkeypatch.setattr(kept_lines, "can_read", lambda settings: False)
    assert LineReading().key == ""
