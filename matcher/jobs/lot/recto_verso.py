"""Which file shows fronts, and which the backs of the same cards: file names or their order in, pairs out.

By name, a folder's files that differ in nothing but a mark of the side are a pair: `12_front` and `12_back`,
`12 (front)` and `12 (back)`, `12a` and `12b`, `12r` and `12v` (recto, verso). A lone mark means nothing: only where
both are there is either believed.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Side = Literal["", "front", "back"]
Rule = Literal["names", "order", "none"]
"""How sides are told: by file names; by order (front, back, front, back); or not at all."""

MARKS = (
    ("front", "back"), ("recto", "verso"), ("obverse", "reverse"), ("obv", "rev"), ("f", "b"), ("r", "v"), ("a", "b"),
)  # fmt: skip
_MARKED = re.compile(r"^(?P<stem>.*?)(?P<gap>[\s._(\[-]*)(?P<mark>[a-z]+)[)\]]?$", re.IGNORECASE)


@dataclass(frozen=True)
class RectoVerso:
    """side: of each path that was told. other: the path of the other side."""

    side: Mapping[Path, Side] = field(default_factory=dict)
    other: Mapping[Path, Path] = field(default_factory=dict)

    def of(self, path: Path) -> Side:
        return self.side.get(path, "")


def tell_sides(paths: Sequence[Path], rule: Rule = "names") -> RectoVerso:
    """Sides of files, in their order.

    >>> told = tell_sides([Path("1_front.jpg"), Path("1_back.jpg"), Path("2_back.jpg")])
    >>> told.of(Path("1_back.jpg")), told.of(Path("2_back.jpg"))
    ('back', '')
    >>> tell_sides([Path("x (front).jpg"), Path("x (back).jpg")]).of(Path("x (back).jpg"))
    'back'
    """
    if rule == "none":
        return RectoVerso()
    pairs = _by_order(paths) if rule == "order" else _by_names(paths)
    side: dict[Path, Side] = {}
    other: dict[Path, Path] = {}
    for front, back in pairs:
        side |= {front: "front", back: "back"}
        other |= {front: back, back: front}
    return RectoVerso(side, other)


def _by_order(paths: Sequence[Path]) -> list[tuple[Path, Path]]:
    """In each folder, every second file is the back of the one before."""
    folders: dict[Path, list[Path]] = defaultdict(list)
    for path in paths:
        folders[path.parent].append(path)
    return [pair for inside in folders.values() for pair in zip(inside[::2], inside[1::2], strict=False)]


def _by_names(paths: Sequence[Path]) -> list[tuple[Path, Path]]:
    marked: dict[tuple[Path, str], dict[str, Path]] = defaultdict(dict)
    for path in paths:
        found = _MARKED.match(path.stem)
        if found and found["stem"]:
            marked[path.parent, found["stem"].casefold()].setdefault(found["mark"].casefold(), path)
    pairs = []
    for marks in marked.values():
        pair = next(((front, back) for front, back in MARKS if front in marks and back in marks), None)
        if pair:
            pairs.append((marks[pair[0]], marks[pair[1]]))
    return pairs
