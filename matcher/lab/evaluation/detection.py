"""Detection measured on staged scenes by type: a folder of photographs in, a table, rows and a contact sheet out.

The search was fitted on every second photograph of a folder (by name), or on those that a manifest lists to fit; the
others are reported on here. Half of those are printed as cards, the other half lie under them, so that no card meets
itself.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.detection import detect
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Thresholds
from matcher.lab.evaluation.detection_cost import costs
from matcher.lab.evaluation.detection_cost import summary as cost_summary
from matcher.lab.evaluation.detection_measures import CardHit, compare
from matcher.lab.evaluation.detection_sheet import contact_sheet
from matcher.lab.manifests import Role, take
from matcher.lab.synthesis.pages import flatbed_page
from matcher.lab.synthesis.staging import (
    CLUTTER,
    EMPTY,
    FADED,
    FRAMED,
    HELD,
    PLAIN,
    SINGLE,
    TAKEN,
    Props,
    Staged,
    stage,
)

EMPTY_PER_SCENE, PAGES_PER_SCENE = 0.5, 0.15
"""Scenes without a card and flatbed pages, for each scene with one."""

BACK = Thresholds().back

GROUPS = {"plain": PLAIN, "clutter": CLUTTER, "faded": FADED, "holder": HELD, "taken": TAKEN, "framed": FRAMED}


@dataclass(frozen=True)
class SceneResult:
    """One scene measured. hits: one a true card; false: outlines that hit none; seconds: locate alone.
    odd: things offered as of no known format, or as bare; they are no part of the others.
    by_sight: of each hit, whether it stood upright before words were read where that was in doubt."""

    kind: str
    seed: tuple[int, ...]
    hits: tuple[CardHit, ...]
    false: int
    seconds: float
    in_order: bool = True
    odd: int = 0
    by_sight: tuple[bool, ...] = ()

    @property
    def worst(self) -> float:
        return min((hit.jaccard for hit in self.hits), default=1.0) - self.false


def run(
    folder: Path,
    output: Path,
    *,
    scenes: int = 400,
    empty: int | None = None,
    seed: int = 1,
    role: Role = "report",
    manifests: Sequence[Path] = (),
    kinds: Sequence[str] | None = None,
    timed: int = 12,
) -> str:
    """Measure and return the table; writes `locate.json`, `locate.txt` and `locate-worst.jpg` into `output`.

    scenes:    with one card; half as many without any and a seventh as many pages come on top.
    empty:     scenes without a card, where it shall be another number of them.
    role, manifests: which pictures are taken, see `props_from`.
    timed:     photos of 12 megapixels whose cost is measured.
    """
    props = props_from(folder, role, manifests)
    rows = [measure(kind, number, props, seed) for kind, number in plan(scenes, kinds, empty)]
    output.mkdir(parents=True, exist_ok=True)
    text = "\n".join([summary(rows), *([cost_summary(costs(props, timed, seed))] if timed else [])])
    (output / "locate.txt").write_text(text + "\n", encoding="utf-8")
    (output / "locate.json").write_text(json.dumps([asdict(row) for row in rows]), encoding="utf-8")
    worst = sorted(rows, key=lambda row: row.worst)[:20]
    contact_sheet([(draw(row.kind, row.seed, props), row) for row in worst]).save(output / "locate-worst.jpg")
    return text


def plan(scenes: int, kinds: Sequence[str] | None = None, empty: int | None = None) -> Iterator[tuple[str, int]]:
    """Kind and running number of every scene."""
    without = round(scenes * EMPTY_PER_SCENE) if empty is None else empty
    groups = ((SINGLE, scenes), (EMPTY, without), (("page",), round(scenes * PAGES_PER_SCENE)))
    for members, count in groups:
        for number in range(count):
            kind = members[number % len(members)]
            if kinds is None or kind in kinds:
                yield kind, number


def measure(kind: str, number: int, props: Props, seed: int) -> SceneResult:
    """Draw one scene, look for its cards, compare."""
    key = (seed, number, sum(map(ord, kind)))
    scene = draw(kind, key, props)
    photo = Photo.from_pixels(scene.pixels, dpi=scene.dpi)
    started = perf_counter()
    seen = list(detect(photo))
    seconds = perf_counter() - started
    found = [outline for outline in seen if not outline.odd]
    by_sight = tuple(hit.upright for hit in compare(scene, found)[0])
    called = [one for one in (as_words_stand(photo, outline) for outline in found) if not one.odd]
    hits, false = compare(scene, called)
    odd = len(seen) - len(called)
    return SceneResult(kind, key, tuple(hits), false, seconds, _in_order(scene, hits), odd, by_sight)


def draw(kind: str, key: tuple[int, ...], props: Props) -> Staged:
    rng = np.random.default_rng(key)
    return flatbed_page(props, rng) if kind == "page" else stage(kind, props, rng)


def props_from(folder: Path, role: Role, manifests: Sequence[Path] = ()) -> Props:
    """The pictures of a folder that serve for a role, alternately a negative and a background.

    Of a folder that no manifest lists every second picture serves to fit, and the others for all else.
    """
    taken = take(role, [folder], manifests)
    if not any(one.listed for one in taken):
        taken = taken[0 if role == "fit" else 1 :: 2]
    prints = [read_photo(one.path).grey for one in taken[::2]]
    return Props([portrait_of(grey) for grey in prints], [read_photo(one.path).pixels for one in taken[1::2]])


def portrait_of(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The middle of a picture, at the proportions of a print."""
    width = min(grey.shape[1], round(grey.shape[0] * 0.65))
    left = (grey.shape[1] - width) // 2
    return np.ascontiguousarray(grey[:, left : left + width])


def _in_order(scene: Staged, hits: Sequence[CardHit]) -> bool:
    """Whether the outlines of a page come in the order in which it was laid."""
    order = [hit.outline for hit in hits if hit.found]
    return order == sorted(order)


def summary(rows: Sequence[SceneResult]) -> str:
    """The table: one line a type, then the groups, then all."""
    lines = [_HEAD]
    kinds = list(dict.fromkeys(row.kind for row in rows if row.kind not in EMPTY))
    lines += [_line(kind, [row for row in rows if row.kind == kind]) for kind in kinds]
    lines.append("-" * len(_HEAD))
    for name, members in GROUPS.items():
        lines.append(_line(f"all {name}", [row for row in rows if row.kind in members]))
    single = [row for row in rows if row.kind in SINGLE]
    lines.append(_line("all single", single))
    lines += _others(rows)
    if single:
        seen = np.mean([hit.found and up for row in single for hit, up in zip(row.hits, row.by_sight, strict=True)])
        lines.append(f"all single found and upright by sight alone, before words were read: {100 * seen:.1f}%")
    seconds = np.array([row.seconds for row in rows] or [0.0])
    lines.append(f"locate: median {1e3 * np.median(seconds):.0f} ms, 95 % {1e3 * np.percentile(seconds, 95):.0f} ms")
    return "\n".join(line for line in lines if line)


_HEAD = (
    f"{'type':14} {'n':>5} {'Jaccard':>8} {'found':>6} {'upright':>8} "
    f"{'corner mm: median':>18} {'95 %':>6} {'false':>6}"
)


def _line(name: str, rows: Sequence[SceneResult]) -> str:
    hits = [hit for row in rows for hit in row.hits]
    if not hits:
        return ""
    away = [mm for hit in hits if hit.found for mm in hit.corners_mm] or [float("nan")]
    found = np.mean([hit.found for hit in hits])
    # A bare back has no right way up.
    upright = np.mean([float(hit.found and hit.upright) for hit in hits if not hit.back] or [float("nan")])
    index = np.mean([hit.jaccard for hit in hits])
    return (
        f"{name:14} {len(hits):5} {index:8.4f} {100 * found:5.1f}% {100 * upright:7.1f}% "
        f"{np.median(away):18.2f} {np.percentile(away, 95):6.2f} {sum(row.false for row in rows):6}"
    )


def _others(rows: Sequence[SceneResult]) -> list[str]:
    empty = [row for row in rows if row.kind in EMPTY]
    pages = [row for row in rows if row.kind == "page"]
    lines = []
    hits = [hit for row in rows for hit in row.hits if hit.found]
    backs, fronts = ([hit for hit in hits if hit.back == side] for side in (True, False))
    if backs:
        known, mistaken = (sum(hit.seen_back >= BACK for hit in side) for side in (backs, fronts))
        lines.append(f"backs: {known} of {len(backs)} known as such; fronts taken for one: {mistaken} of {len(fronts)}")
    if empty:
        wrong = [row for row in empty if row.false]
        kinds = ", ".join(sorted({row.kind.removeprefix("no_") for row in wrong}))
        lines.append(f"empty scenes: {len(wrong)} of {len(empty)} with a false card ({kinds or 'none'})")
        odd = sum(row.odd > 0 for row in empty)
        lines.append(f"empty scenes in which something is offered that is not called a card: {odd} of {len(empty)}")
    if pages:
        lines.append(f"pages: {sum(row.in_order for row in pages)} of {len(pages)} in reading order")
    return lines
