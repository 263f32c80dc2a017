"""Lines of print in a picture found and read: by a library, and by networks that were taught on from the library's.

The only file that knows the library, which makes boxes of what the network of lines sees, and cuts them out; what they
say `recogniser` sees. Lines are found in a reduced picture and read one by one at full scale, so that a caller can stop
when it has read enough. Without the extra `reading` there is no reader.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.nets import check_weights, weight_file
from matcher.core.ocr.recogniser import recognised
from matcher.core.ocr.settings import ReaderSettings
from matcher.core.ocr.spelling import Frames

Box = NDArray[np.float32]

FINDER_TABLES = ("lines_1.bin", "lines_2.bin")
"""Beside `lines.onnx`, which names them: no file that is shipped is larger than 3 MB."""


@dataclass(frozen=True)
class Reader:
    """The library, loaded."""

    engine: Any
    settings: ReaderSettings

    def find(self, strip: NDArray[np.uint8], side: int | None = None) -> list[Box]:
        """Corners of each line in a (height, width) grey strip, (4, 2) TL TR BR BL in pixels, from top to bottom.

        side: longer side, in pixels, of the picture in which lines are searched; the settings' if not given.
        """
        self.engine.text_det.limit_side_len = side or self.settings.search_side
        found = self.engine(_in_colour(strip), use_rec=False)
        return [] if found.boxes is None else [np.asarray(box, np.float32) for box in found.boxes]

    def read(self, strip: NDArray[np.uint8], box: Box, squeezed: float | None = None) -> tuple[str, float, Frames]:
        """One line, by its corners as `find` gives them, (4, 2), in the same strip: its words, how sure the network is
        of them, 0 to 1, and what was seen frame by frame.

        squeezed: share of its width at which it is read; the settings' if not given.
        """
        from rapidocr.utils.process_img import get_rotate_crop_image

        line = get_rotate_crop_image(strip, box.copy())
        return recognised(line, squeezed or self.settings.squeezed, self.settings)


def reader(settings: ReaderSettings) -> Reader | None:
    """Loaded once a process, and again for other settings; None where it is off, or the extra is missing."""
    return _loaded(settings) if settings.on else None


@lru_cache(maxsize=1)
def _loaded(settings: ReaderSettings) -> Reader | None:
    try:
        found = with_finder(settings, shipped_finder())
    except ImportError:
        return None
    recognised(_sample(), settings.squeezed, settings)
    return found


def with_finder(settings: ReaderSettings, finder: Path | None) -> Reader:
    """A reader whose lines are found by a network of this file, ONNX; by the library's own, and as the library has it,
    if none is given: to measure beside. Raises ImportError where the extra is missing."""
    from rapidocr import RapidOCR

    boxed = {"thresh": settings.core, "use_dilation": False, "unclip_ratio": settings.grown, "model_path": str(finder)}
    engine = RapidOCR(
        params={
            "Global.log_level": "error",
            "Global.use_cls": False,  # which way up the card stands is known
            "Global.use_rec": False,  # `recogniser` reads
            "Global.use_vertical_padding": False,
            "Det.limit_type": "max",
            "Det.limit_side_len": settings.search_side,
            "EngineConfig.onnxruntime.intra_op_num_threads": 1,
            "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            **({f"Det.{name}": value for name, value in boxed.items()} if finder else {}),
        }
    )
    engine(_in_colour(_sample()), use_rec=False)  # loads what finds lines
    return Reader(engine, settings)


def shipped_finder() -> Path:
    """The network that sees where lines stand, known with its tables to be what was shipped."""
    for name in ("lines.onnx", *FINDER_TABLES):
        check_weights(weight_file(name))
    return weight_file("lines.onnx")


def _sample() -> NDArray[np.uint8]:
    sample = np.full((64, 256), 255, np.uint8)
    return np.asarray(cv2.putText(sample, "Ada", (30, 48), cv2.FONT_HERSHEY_SIMPLEX, 1.5, 0, 3), np.uint8)


def _in_colour(strip: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(strip, cv2.COLOR_GRAY2RGB), np.uint8)
