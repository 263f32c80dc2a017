"""Cards of every format found: drawn scenes of each preset, both ways up, and scanned pages of several formats.

A folder of photographs in, a table out. Scenes are those of `evaluation.detection`, with cards of another shape;
corners are told in shares of the card's longer side, so that formats can be compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from matcher.core.detect.card_sizes import as_portrait
from matcher.core.detect.detection import detect
from matcher.core.formats import PRESETS, CardFormat
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.detection import GROUPS, props_from
from matcher.lab.evaluation.detection_measures import compare
from matcher.lab.evaluation.offered import offered_bare
from matcher.lab.manifests import Role
from matcher.lab.synthesis.pages import mixed_page
from matcher.lab.synthesis.staging import SINGLE, Props, Staged, stage

ON_A_PAGE = ("cabinet", "carte de visite", "insert")


@dataclass(frozen=True)
class FormatHits:
    """What became of the true cards of one format. corners: distances in shares of the card's longer side."""

    name: str
    jaccard: tuple[float, ...]
    corners: tuple[float, ...]
    found: tuple[bool, ...]
    right_format: tuple[bool, ...]
    upright: tuple[bool, ...]
    false: int

    @property
    def line(self) -> str:
        away = np.percentile(self.corners, 95) if self.corners else float("nan")
        shares = (100 * float(np.mean(one)) for one in (self.found, self.right_format, self.upright))
        found, right, upright = shares
        return (
            f"{self.name:28} {len(self.found):5} {np.mean(self.jaccard):8.4f} {found:6.1f}% {100 * away:9.2f}% "
            f"{right:8.1f}% {upright:8.1f}% {self.false:6}"
        )


HEAD = (
    f"{'format':28} {'n':>5} {'Jaccard':>8} {'found':>7} {'corners 95':>10} {'format':>9} {'upright':>9} {'false':>6}"
)


def run(
    folder: Path, *, scenes: int, pages: int, seed: int, role: Role = "report", manifests: Sequence[Path] = ()
) -> str:
    """scenes: of each preset each way up; pages: with cards of three formats. The catalogue knows all presets."""
    props = props_from(folder, role, manifests)
    known = [one.face for usual in PRESETS.values() for one in (usual, usual.turned())]
    rows, of_kind = [], []
    for index, one in enumerate(_both_ways()):
        hits = [_of_scene(one, number, index * scenes + number, props, known, seed) for number in range(scenes)]
        rows.append(_together(f"{one.name} {one.way_up}", [row for _, row in hits]))
        of_kind += hits
    told = [HEAD, *(row.line for row in rows)]
    for name, kinds in GROUPS.items():
        some = [row for kind, row in of_kind if kind in kinds]
        told += [_together(f"all {name}", some).line] if some else []
    told.append(_together("all", rows).line)
    if pages:
        told.append(_pages(pages, props, known, seed).line)
    return "\n".join(told)


def _both_ways() -> Iterator[CardFormat]:
    for usual in PRESETS.values():
        yield from (usual, usual.turned())


def _of_scene(
    one: CardFormat, number: int, turn: int, props: Props, known: Sequence[FaceSize], seed: int
) -> tuple[str, FormatHits]:
    """turn: counts through all formats, so that in a small run too all kinds of scenes take part."""
    kind = SINGLE[turn % len(SINGLE)]
    rng = np.random.default_rng([seed, number, sum(map(ord, one.text + one.way_up))])
    own = replace(props, size=one.face)
    return kind, _looked_at(stage(kind, own, rng), [as_portrait(one.face)], known)


def _pages(pages: int, props: Props, known: Sequence[FaceSize], seed: int) -> FormatHits:
    sizes = [PRESETS[name].face for name in ON_A_PAGE]
    hits = []
    for number in range(pages):
        scene = mixed_page(props, sizes, np.random.default_rng([seed, 77, number]))
        true = [_nearest(sizes, max(card.size_mm)) for card in scene.cards]
        hits.append(_looked_at(scene, true, known))
    return _together(f"pages of three formats ({pages})", hits)


def _looked_at(scene: Staged, true: Sequence[FaceSize], known: Sequence[FaceSize]) -> FormatHits:
    photo = Photo.from_pixels(scene.pixels, dpi=scene.dpi)
    outlines = [one for one in detect(photo, known) if not offered_bare(photo, one, known)]
    hits, false = compare(scene, outlines)
    of_one = list(true) * len(hits) if len(true) == 1 else list(true)
    pairs = zip(hits, of_one, strict=True)
    right = [hit.found and _has(outlines[hit.outline].sizes, size) for hit, size in pairs]
    longest = [max(card.size_mm) for card in scene.cards]
    corners = [mm / long for hit, long in zip(hits, longest, strict=True) if hit.found for mm in hit.corners_mm]
    return FormatHits(
        "", tuple(hit.jaccard for hit in hits), tuple(corners), tuple(hit.found for hit in hits), tuple(right),
        tuple(hit.found and hit.upright for hit in hits), false,
    )  # fmt: skip


def _nearest(sizes: Sequence[FaceSize], long_mm: float) -> FaceSize:
    return min(sizes, key=lambda size: abs(max(size.card_mm) - long_mm))


def _has(sizes: Sequence[FaceSize], true: FaceSize) -> bool:
    """Whether the first of the formats that an outline may have is the right one, either way up."""
    return bool(sizes) and as_portrait(sizes[0]).same_card(as_portrait(true))


def _together(name: str, rows: Sequence[FormatHits]) -> FormatHits:
    def joined(field: str) -> tuple[object, ...]:
        return tuple(value for row in rows for value in getattr(row, field))

    fields = ("jaccard", "corners", "found", "right_format", "upright")
    return FormatHits(name=name, false=sum(row.false for row in rows), **{one: joined(one) for one in fields})  # type: ignore[arg-type]
