"""Which confidence a catalogue is judged with: its folder in; its own calibration, or else the shipped one, out.

`platekin rehearse` writes `calibration.json` into the folder. One that another version has fitted, on other features,
is left aside; a damaged one is an error, since answers must not change their meaning unnoticed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matcher.core.calibration import Calibration
from matcher.core.errors import CatalogueError

NAME = "calibration.json"


@dataclass(frozen=True)
class InUse:
    """calibration: the one to use. own: whether it is the catalogue's own. outdated: whether its own is left aside."""

    calibration: Calibration
    own: bool
    outdated: bool = False


def confidence_in_use(folder: Path) -> InUse:
    """The calibration for a catalogue. Raises CatalogueError damaged where the catalogue's own cannot be read."""
    shipped, path = Calibration.load(), folder / NAME
    if not path.exists():
        return InUse(shipped, False)
    try:
        _check_whole(path)
        own = Calibration.load(path)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise CatalogueError(
            "damaged",
            f"{path}: the catalogue's own confidence cannot be read ({type(error).__name__}: {error})",
            f"fit it again: platekin rehearse --catalogue {folder}; or delete the file, and the shipped one is used",
        ) from None
    return InUse(own, True) if _features(own) == _features(shipped) else InUse(shipped, False, True)


def written(calibration: Mapping[str, Any]) -> bytes:
    """A calibration as the catalogue's folder keeps it, with a digest: other numbers would mean other answers."""
    return (json.dumps({**calibration, "digest": _digest(calibration)}, indent=1) + "\n").encode()


def _check_whole(path: Path) -> None:
    """Raises ValueError for what is not what was written; one of an earlier version has no digest."""
    stored = json.loads(path.read_text())
    if "digest" in stored and stored.pop("digest") != _digest(stored):
        raise ValueError("it is not what was written")


def _digest(calibration: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(calibration, sort_keys=True).encode()).hexdigest()


def _features(calibration: Calibration) -> dict[str, tuple[str, ...]]:
    return {rung: tuple(model.names) for rung, model in calibration.rungs.items()}
