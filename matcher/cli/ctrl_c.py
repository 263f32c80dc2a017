"""Ctrl-C where nothing is under way: a sentence and the exit code, at once. Loads nothing that takes time."""

from __future__ import annotations

import os

TYPE_CHECKING = False  # `typing` takes longer to load than all that stands here
if TYPE_CHECKING:
    from types import FrameType

INTERRUPTED = 130
"""As shells have it: 128 and the signal's number."""

STOPPED = "stopped; what was stored until now is kept"


def leave(number: int, frame: FrameType | None) -> None:
    """Say that it was stopped, and end the process."""
    try:
        os.write(2, f"{STOPPED}\n".encode())
    finally:
        os._exit(INTERRUPTED)
