"""Cards found on real photographs: sheets, books, covers on desks, whose corners a person has marked.

`real_photos.json` lists them: repository, commit, path, licence, SHA-256, corners in pixels of the upright picture, and
the nominal size where it is known. The pictures themselves are not kept here: a folder is searched for files of these
digests (a checkout of each repository in it will do). They are in two halves, told apart by source, so that no camera
is in both: what `EdgeSettings` says was set by hand on `bounds`; nothing may be set on `report`, whose figures alone
tell what will be found elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.card_sizes import as_portrait
from matcher.core.detect.detection import detect
from matcher.core.detect.geometry import clockwise_portrait, true_ratio
from matcher.core.detect.quad_search import overlap
from matcher.core.errors import BadTable
from matcher.core.formats import COMMON, PRESETS, face_of, parse_format
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.offered import offered_bare
from matcher.lab.manifests import SUFFIXES

LISTED = Path(__file__).with_name("real_photos.json")
Half = Literal["bounds", "report"]
HALVES: tuple[Half, ...] = ("bounds", "report")

FOUND = 0.8
"""Jaccard index from which a card counts as found here: corners were marked by eye, to a few thousandths of a side."""


@dataclass(frozen=True)
class RealPhoto:
    """One photograph of the list.

    half: `bounds` or `report`. corners: (4, 2) pixels, one after the other round the card.
    """

    repository: str
    commit: str
    path: str
    licence: str
    sha256: str
    kind: str
    half: Half
    format: str
    size: tuple[int, int]
    corners: NDArray[np.float64]

    @classmethod
    def from_json(cls, told: Mapping[str, object]) -> RealPhoto:
        values = {**told, "size": tuple(told["size"]), "corners": np.array(told["corners"], np.float64)}  # type: ignore[arg-type]
        return cls(**values)  # type: ignore[arg-type]

    def nominal(self, photo: Photo) -> FaceSize:
        """What its owner would say: the size that is known, else the shape as it was marked."""
        if self.format:
            return parse_format(self.format).face
        quad = clockwise_portrait(self.corners[None])
        return face_of(100 * float(true_ratio(quad, photo.width, photo.height)[0]), 100)


def listed() -> tuple[RealPhoto, ...]:
    """All of the list."""
    return tuple(map(RealPhoto.from_json, json.loads(LISTED.read_text(encoding="utf-8"))))


def run(folder: Path, *, empty: Sequence[Path] = (), most: int = 200) -> str:
    """folder: holds the listed pictures, anywhere in it. empty: pictures without any card, at most `most` looked at.

    Raises BadTable bad_evaluation where none of the listed pictures is there.
    """
    there = {hashlib.sha256(path.read_bytes()).hexdigest(): path for path in _pictures(folder)}
    photos = [(one, read_photo(there[one.sha256])) for one in listed() if one.sha256 in there]
    if not photos:
        why = f"{folder}: none of the {len(listed())} listed pictures is there"
        raise BadTable("bad_evaluation", why, "check the repositories out into it that real_photos.json names")
    presets = tuple(one.face for one in PRESETS.values())
    lines = [line for half in HALVES for line in _of_half(half, photos, presets)]
    if empty:
        lines.append(_without(empty[:most], presets))
    return "\n".join(filter(None, lines))


def _of_half(half: Half, photos: Sequence[tuple[RealPhoto, Photo]], presets: Sequence[FaceSize]) -> list[str]:
    """What is told of one half: found with each choice of formats, and what was not called a card."""
    photos = [(one, photo) for one, photo in photos if one.half == half]
    if not photos:
        return []
    lines = [f"{half}: {len(photos)} of {sum(one.half == half for one in listed())} listed pictures"]
    told = [_judged(one, photo, (one.nominal(photo),)) for one, photo in photos]
    lines.append(_line("its format known", told))
    for name, sizes in (("all presets", presets), ("the common format", (COMMON,))):
        lines.append(_line(name, [_judged(one, photo, sizes) for one, photo in photos]))
    return lines + [_missed(one, judged) for (one, _), judged in zip(photos, told, strict=True)]


def _pictures(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.suffix.lower() in SUFFIXES and path.is_file())


@dataclass(frozen=True)
class Judged:
    """The best outline's Jaccard index, how many outlines hit nothing, and whether the hit was offered as of no known
    format, or as bare, rather than called a card."""

    jaccard: float
    false: int
    odd: bool
    bare: bool

    @property
    def found(self) -> bool:
        return self.jaccard >= FOUND

    @property
    def called(self) -> bool:
        return self.found and not (self.odd or self.bare)


def _judged(one: RealPhoto, photo: Photo, sizes: Sequence[FaceSize]) -> Judged:
    true = clockwise_portrait(one.corners[None])[0]
    outlines: list[CardQuad] = list(detect(photo, sizes))
    shares = [overlap(clockwise_portrait(outline.corners[None])[0], true) for outline in outlines]
    best = max(shares, default=0.0)
    hits = [outline for outline, share in zip(outlines, shares, strict=True) if share == best >= FOUND]
    odd, bare = any(one.odd for one in hits), any(offered_bare(photo, one, sizes) for one in hits)
    return Judged(best, sum(share < FOUND for share in shares), odd, bare)


def _line(name: str, rows: Sequence[Judged]) -> str:
    found, called = ([getattr(row, what) for row in rows] for what in ("found", "called"))
    mean = float(np.mean([row.jaccard for row in rows if row.found] or [0.0]))
    return (
        f"{name:20} found {sum(found)} of {len(rows)} ({100 * np.mean(found):.1f} %), Jaccard of these {mean:.3f}, "
        f"called cards {sum(called)} ({100 * np.mean(called):.1f} %), offered as of no known format "
        f"{sum(row.odd for row in rows)}, as bare {sum(row.bare for row in rows)}; false cards a photo "
        f"{sum(row.false for row in rows) / len(rows):.2f}"
    )


def _missed(one: RealPhoto, judged: Judged) -> str:
    if judged.called:
        return ""
    how = "missed" if not judged.found else "offered as bare" if judged.bare else "offered as of no known format"
    return f"  {how}: {one.repository} {one.path} ({one.kind}, {judged.jaccard:.2f})"


def _without(paths: Sequence[Path], sizes: Sequence[FaceSize]) -> str:
    """Photographs of other things: how many cards are seen in them."""
    known = {as_portrait(size) for size in sizes}
    told = []
    for name, looked_for in (("all presets", tuple(known)), ("the common format", (COMMON,))):
        offered = [one for path in paths for one in _offered(read_photo(path), looked_for)]
        sure = offered.count(False) / len(paths)
        told.append(f"{name}: {sure:.3f} cards a photo, {offered.count(True) / len(paths):.3f} more offered")
    return f"{len(paths)} photographs without a card: " + "; ".join(told)


def _offered(photo: Photo, sizes: Sequence[FaceSize]) -> list[bool]:
    """Of each thing outlined, whether it is offered alone, not called a card."""
    return [outline.odd or offered_bare(photo, outline, sizes) for outline in detect(photo, sizes)]
