"""What an answer was made with: the versions of the program, of the libraries that count, and of the description."""

from __future__ import annotations

import sys
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version

from matcher.core.describe import fingerprint
from matcher.core.nets import SUMS, WEIGHTS, digest


def versions() -> dict[str, str]:
    """What the answer was made with. rapidocr: "" where the extra `reading` is not installed."""
    parts = ("platekin", "opencv-python", "faiss-cpu", "imagehash", "numpy", "pillow", "onnxruntime", "rapidocr")
    named = {part: _version(part) for part in parts}
    return {**named, "python": sys.version.split()[0], "description": fingerprint(), "weights": _weights()}


@lru_cache
def _version(part: str) -> str:
    """Looked up once: it reads the distribution's whole metadata file."""
    try:
        return version(part)
    except PackageNotFoundError:
        return ""


@lru_cache
def _weights() -> str:
    """Sixteen hexadecimal digits of everything that was trained or fitted."""
    return digest(WEIGHTS / SUMS)[:16]
