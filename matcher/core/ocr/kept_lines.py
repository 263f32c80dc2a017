"""What is written on a reference, in a form that can be kept: the lines in, bytes out, and back to the very same lines.

Every card that resembles a reference is compared with its lines, and to find and read them takes as long as all the
rest of an answer.
"""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from importlib.metadata import version
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import CardLine
from matcher.core.flatten import Face
from matcher.core.nets import sums
from matcher.core.ocr.line_pairs import WrittenLine, written_on
from matcher.core.ocr.looks import Look
from matcher.core.ocr.reading import can_read
from matcher.core.ocr.settings import OcrSettings
from matcher.core.ocr.spelling import Frames

FORM = "lines/8"
"""Raise it when other lines are found, or others read, for the same face by the same networks and settings."""

NETWORKS = ("lines", "reader", "mark_form")
"""How the names of the files begin by which lines are found and read."""


@dataclass(frozen=True)
class LineReading:
    """How lines are read off a reference and kept, a `core.reference_set.Reading`."""

    settings: OcrSettings = field(default_factory=OcrSettings)

    @property
    def key(self) -> str:
        """Sixteen hexadecimal digits that differ whenever what is read could; empty where nothing can be read now."""
        return _key(self.settings) if can_read(self.settings) else ""

    def read(self, face: Face) -> tuple[WrittenLine, ...]:
        """As `line_pairs.written_on`."""
        return written_on(face, self.settings)

    def encode(self, lines: tuple[WrittenLine, ...]) -> bytes:
        """An NPZ archive (NumPy's `savez`): what was seen frame by frame, and all else as JSON beside it."""
        told = [
            {
                "line": asdict(one.line),
                "quarters": one.quarters,
                "look": [one.look.words, one.look.certainty, one.look.frames.signs],
            }
            for one in lines
        ]
        arrays: dict[str, Any] = {f"frames_{k}": one.look.frames.probabilities for k, one in enumerate(lines)}
        out = io.BytesIO()
        np.savez_compressed(out, told=np.frombuffer(json.dumps(told).encode(), np.uint8), **arrays)
        return out.getvalue()

    def decode(self, data: bytes) -> tuple[WrittenLine, ...]:
        """The reverse of `encode`, for what is known to be whole."""
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            told = json.loads(kept["told"].tobytes())
            frames = [kept[f"frames_{number}"] for number in range(len(told))]
        return tuple(_line(one, seen) for one, seen in zip(told, frames, strict=True))


def _line(told: dict[str, Any], seen: NDArray[np.float32]) -> WrittenLine:
    line, (words, certainty, signs) = told["line"], told["look"]
    box = tuple(line.pop("box_mm"))
    return WrittenLine(CardLine(**line, box_mm=box), told["quarters"], Look(words, certainty, Frames(signs, seen)))


@lru_cache(maxsize=4)
def _key(settings: OcrSettings) -> str:
    reader = {name: value for name, value in asdict(settings.reader).items() if name != "on"}
    facts = {
        "form": FORM,
        "settings": [reader, asdict(settings.every_line), asdict(settings.pairs)],
        "reader": version("rapidocr"),
        "runtime": version("onnxruntime"),
        "networks": {name: told for name, told in sums().items() if name.startswith(NETWORKS)},
        "opencv": cv2.__version__.split(".")[0],
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:16]
