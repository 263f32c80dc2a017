"""Which pictures there are: folders and a file-name pattern in, `Negative`s with their sitters out.

Each file is a negative. Where a pattern is given and fits, its first group names the sitter: files of one sitter are
other exposures in one room. A second group, if there is one, names the exposure, and of the files of one exposure
(frames that hardly differ) one is taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from matcher.core.errors import BadTable
from matcher.lab.synthesis.exposures import another_exposure
from matcher.lab.synthesis.trials import Picture

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp")


@dataclass(frozen=True)
class Negative:
    """One exposure.

    name:   unique, from folder and file. plate: its number, the seed of the plate's own flaws.
    near:   names of other exposures of this sitter in the same room.
    moved:  0, or the seed of an invented second exposure of this picture: a face or a hand has changed.
    """

    name: str
    path: Path
    sitter: str
    plate: int
    near: tuple[str, ...] = ()
    moved: int = 0

    def view(self, picture: Picture) -> Picture:
        """The negative, given the picture of its file."""
        return another_exposure(picture, np.random.default_rng(self.moved)) if self.moved else picture


def read_negatives(folders: Sequence[Path], group: str, seed: int) -> tuple[Negative, ...]:
    """All negatives of these folders. Raises BadTable bad_evaluation."""
    rng = np.random.default_rng([seed, 31])
    try:
        pattern = re.compile(group) if group else None
    except re.error as error:
        raise BadTable("bad_evaluation", f"{group!r} is no regular expression: {error}", "see --help") from None
    if pattern is not None and not pattern.groups:
        raise BadTable("bad_evaluation", f"{group!r} has no group", "put the sitter's part in parentheses: '^([^_]+)_'")
    sitters: dict[str, dict[str, list[Path]]] = {}
    for path in _pictures(folders):
        found = pattern.search(path.stem) if pattern else None
        own = f"{path.parent.name}/{path.stem}"
        sitter = f"{path.parent.name}/{found[1]}" if found else own
        exposure = found[2] if found and pattern and pattern.groups > 1 else own
        sitters.setdefault(sitter, {}).setdefault(exposure, []).append(path)
    return _numbered(
        (sitter, [paths[rng.integers(len(paths))] for paths in exposures.values()])
        for sitter, exposures in sitters.items()
    )


def _pictures(folders: Sequence[Path]) -> list[Path]:
    found: list[Path] = []
    for folder in folders:
        own = sorted(path for path in folder.glob("*") if path.suffix.lower() in SUFFIXES) if folder.is_dir() else []
        if not own:
            why = "no pictures in it" if folder.is_dir() else "there is no such folder"
            raise BadTable("bad_evaluation", f"{folder}: {why}", "name a folder of JPEG, PNG, TIFF or WebP files")
        found += own
    return found


def _numbered(sitters: Iterable[tuple[str, list[Path]]]) -> tuple[Negative, ...]:
    found: list[Negative] = []
    for sitter, paths in sitters:
        names = [f"{path.parent.name}/{path.stem}" for path in paths]
        for name, path in zip(names, paths, strict=True):
            near = tuple(other for other in names if other != name)
            found.append(Negative(name, path, sitter, len(found) + 1, near))
    return tuple(found)
