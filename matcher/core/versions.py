"""What an answer was made with: the versions of the program, of the libraries that count, and of the description."""

from __future__ import annotations

import sys
from functools import lru_cache
from importlib.metadata import version

from matcher.core.describe import fingerprint


def versions() -> dict[str, str]:
    """What the answer was made with."""
    parts = ("platekin", "opencv-python", "faiss-cpu", "imagehash", "numpy", "pillow")
    named = {part: _version(part) for part in parts}
    return {**named, "python": sys.version.split()[0], "description": fingerprint()}


@lru_cache
def _version(part: str) -> str:
    """Looked up once: it reads the distribution's whole metadata file."""
    return version(part)
