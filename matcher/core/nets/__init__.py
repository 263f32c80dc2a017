"""Everything that was trained or fitted, in one folder, and the one runtime that computes it.

Each file in `weights/` has its provenance in it, or in the JSON file of the same name beside it; the two networks of
the change detector share one. `weights/SHA256SUMS` tells what each file must hold: one flipped bit in a network would
change answers, and nobody would notice. `python -m matcher.core.nets` writes it anew after training.
"""

import hashlib
from functools import lru_cache
from pathlib import Path

from matcher.core.errors import PlatekinError

WEIGHTS = Path(__file__).parent / "weights"
SUMS = "SHA256SUMS"
"""As `sha256sum` (GNU coreutils) writes and checks it."""


def weight_file(name: str) -> Path:
    """Where a shipped file of weights or coefficients lies; name: as `orientation.onnx`."""
    return WEIGHTS / name


@lru_cache
def check_weights(path: Path) -> None:
    """Look, once a process, whether a file of weights is what was shipped; one that lies elsewhere is somebody's own.

    Raises PlatekinError damaged_part.
    """
    if path.parent == WEIGHTS and sums().get(path.name) != digest(path):
        raise PlatekinError(
            "damaged_part",
            f"{path} is not what was shipped",
            "install platekin again; after training: python -m matcher.core.nets",
        )


def sums() -> dict[str, str]:
    """Name -> SHA-256 of every file of weights, as shipped."""
    lines = (WEIGHTS / SUMS).read_text().splitlines()
    return {name: told for told, name in (line.split("  ", 1) for line in lines)}


def write_sums() -> None:
    """Take the files for what is to be shipped."""
    names = sorted(path.name for path in WEIGHTS.iterdir() if path.name != SUMS)
    (WEIGHTS / SUMS).write_text("".join(f"{digest(WEIGHTS / name)}  {name}\n" for name in names))


def digest(path: Path) -> str:
    """SHA-256 of a file, "" where it is not there."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""
