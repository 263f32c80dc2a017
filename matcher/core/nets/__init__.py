"""Everything that was trained or fitted, in one folder, and the one runtime that computes it.

Each file in `weights/` has its provenance in it, or in the JSON file of the same name beside it; the two networks of
the change detector share one.
"""

from pathlib import Path

WEIGHTS = Path(__file__).parent / "weights"


def weight_file(name: str) -> Path:
    """Where a shipped file of weights or coefficients lies; name: as `orientation.onnx`."""
    return WEIGHTS / name
