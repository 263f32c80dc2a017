"""Which pictures there are: folders and a file-name pattern in, `Negative`s with their sitters out.

Each file is a negative. What a manifest says of its sitter, room and pose holds. Of others, where a pattern is given
and fits, its first group names the sitter: files of one sitter are other exposures in one room. A second group, if
there is one, names the pose. Of the files of one pose (frames that hardly differ) one is taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from matcher.core.errors import BadTable
from matcher.lab.manifests import Role, Taken, take
from matcher.lab.synthesis.negatives import another_exposure
from matcher.lab.synthesis.trials import Picture


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


def read_negatives(
    folders: Sequence[Path], group: str, seed: int, role: Role = "report", manifests: Sequence[Path] = ()
) -> tuple[Negative, ...]:
    """All negatives of these folders that may serve for a role (`manifests.take`). Raises BadTable bad_evaluation."""
    rng = np.random.default_rng([seed, 31])
    pattern = _pattern(group) if group else None
    sitters: dict[str, dict[str, list[_Shown]]] = {}
    for taken in take(role, folders, manifests):
        shown = _shown(taken, pattern)
        sitters.setdefault(shown.sitter, {}).setdefault(shown.pose, []).append(shown)
    return tuple(_numbered([shown[rng.integers(len(shown))] for shown in poses.values()] for poses in sitters.values()))


@dataclass(frozen=True)
class _Shown:
    """What is known of one file."""

    path: Path
    sitter: str
    room: str
    pose: str

    @property
    def name(self) -> str:
        return _name(self.path)


def _name(path: Path) -> str:
    return f"{path.parent.name}/{path.stem}"


def _pattern(group: str) -> re.Pattern[str]:
    try:
        pattern = re.compile(group)
    except re.error as error:
        raise BadTable("bad_evaluation", f"{group!r} is no regular expression: {error}", "see --help") from None
    if not pattern.groups:
        raise BadTable("bad_evaluation", f"{group!r} has no group", "put the sitter's part in parentheses: '^([^_]+)_'")
    return pattern


def _shown(taken: Taken, pattern: re.Pattern[str] | None) -> _Shown:
    path, name = taken.path, _name(taken.path)
    if (listed := taken.listed) and listed.sitter:
        pose = f"{listed.room}/{listed.pose}" if listed.pose else name
        return _Shown(path, f"{taken.manifest}/{listed.sitter}", listed.room, pose)
    found = pattern.search(path.stem) if pattern else None
    sitter = f"{path.parent.name}/{found[1]}" if found else name
    return _Shown(path, sitter, sitter, found[2] if found and found.re.groups > 1 else name)


def _numbered(sitters: Iterable[list[_Shown]]) -> Iterator[Negative]:
    """Each sitter's exposures; near are those in the same room."""
    plate = 0
    for exposures in sitters:
        for one in exposures:
            plate += 1
            near = tuple(other.name for other in exposures if other is not one and other.room == one.room)
            yield Negative(one.name, one.path, one.sitter, plate, near)
