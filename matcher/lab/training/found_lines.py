"""How many of a card's lines are found, by the finder that is shipped and by the reading library's own, on the same
cards: photos, and their references' scans, on which lines are looked for more closely.

    scripts/measure_lines FOLDER... --types TYPES --manifest FILE... [--role report] [--photos 88] [--seed 2395]

A line counts as found where one box holds most of its length and little else, and as read exactly where its letters are
all right. Stray boxes are read as words where nothing was printed; these cards bear no notes and no words in the scene.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, CardLine
from matcher.core.errors import BadTable
from matcher.core.flatten import flatten
from matcher.core.ocr.every_line import Sides, find_lines, is_firm, read_found, zones
from matcher.core.ocr.reader import Reader, shipped_finder, with_finder
from matcher.core.ocr.settings import OcrSettings
from matcher.core.ocr.spelling import plain
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.lettering_set import (
    LetteredCard,
    LetteringQuery,
    draw_lettering_query,
    drawn_card,
    lettering_plan,
)
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.manifests import add_option
from matcher.lab.synthesis import scan
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.type_cases import Typeface, dealt, typefaces
from matcher.lab.synthesis.wording import SetLine, set_lines
from matcher.lab.training.fit_mark import SCAN_PX_PER_MM, seen
from matcher.lab.training.line_strips import PAD_PX, PAD_SHARE, UPRIGHT, ink_of_line
from matcher.lab.training.reader_lines import on_card

ASKED = ("same", "letter", "club", "mark")

HELD, MOSTLY, MINE = 0.85, 0.4, 0.5
"""Share of a line's length that its box must hold; how much both must have in common of what either covers (Jaccard
index); and share of a box that must lie on a line for it to be no stray one. Own choices."""


@dataclass(frozen=True)
class Told:
    """What came of one printed line. high: of its box, over what the library leaves round black type on clean paper."""

    where: str
    place: str
    lettering: str
    found: bool
    exact: bool
    high: float


@dataclass(frozen=True)
class Searched:
    """What one finder made of one picture of a card."""

    lines: tuple[Told, ...]
    stray: int
    seconds: float


@dataclass(frozen=True)
class Shown:
    """One picture of a card: where its corners lie, (4, 2) TL TR BR BL, and how closely its sides are searched."""

    where: str
    card: LetteredCard
    grey: NDArray[np.uint8]
    corners: NDArray[np.float32]
    size: FaceSize
    sides: Sides


def shown(query: LetteringQuery, types: Sequence[Typeface]) -> Iterator[Shown]:
    """A query's photo, and its record's scan as it is enrolled."""
    rng = np.random.default_rng([query.seed, 3])
    asked = replace(query, card=replace(query.card, scene=0, note=0))
    photo, corners = _seen(draw_lettering_query(asked, types)[1], rng)
    yield Shown("photo", asked.card, photo.grey, corners, FaceSize(), "glanced at")
    enrolled = replace(query.record.card, scene=0, note=0)
    photo, outline = seen(scan(drawn_card(enrolled, types, SCAN_PX_PER_MM), rng), rng)
    face = flatten(photo, outline)
    whole = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * [face.size.width, face.size.height]
    yield Shown("scan", enrolled, face.grey, whole.astype(np.float32), face.size, "looked at")


def _seen(shot: Shot, rng: np.random.Generator) -> tuple[Photo, NDArray[np.float32]]:
    photo, outline = seen(shot, rng)
    return photo, np.asarray(outline.corners, np.float32)


def searched(by: Reader, picture: Shown, settings: OcrSettings) -> Searched:
    """Find and read all lines of one picture."""
    rules = settings.every_line
    began = time.perf_counter()
    boxes = find_lines(
        by, picture.grey, picture.corners, picture.size, zones(picture.size, rules, picture.sides), rules
    )
    took = time.perf_counter() - began
    read = [read_found(by, box, rules) for box in boxes]
    move = on_card(picture.card)
    printed = [(line, _moved(line_box(line), move)) for line in set_lines(picture.card.wording)]
    stray = [one for one in read if not any(lying_on(one.box_mm, box) > MINE for _, box in printed)]
    told = tuple(_told(picture, line, box, read) for line, box in printed)
    return Searched(told, sum(is_firm(one, rules) for one in stray), took)


def line_box(line: SetLine, px_per_mm: float = 14.0) -> NDArray[np.float64]:
    """(4, 2) mm: the box that the library puts round a line printed black on clean paper; of a bent one, as if it were
    straight."""
    left, top, right, bottom = ink_of_line(line)
    pad = PAD_SHARE * (bottom - top) + PAD_PX / px_per_mm
    box = np.array(
        [[left - pad, top - pad], [right + pad, top - pad], [right + pad, bottom + pad], [left - pad, bottom + pad]]
    )
    angle = np.radians(line.turn)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(box @ turn.T + [line.x, line.y], np.float64)


def _moved(corners: NDArray[np.float64], move: Callable[[BoxMm], BoxMm]) -> BoxMm:
    placed = np.array([move((x, y, x, y))[:2] for x, y in corners])
    (x0, y0), (x1, y1) = placed.min(axis=0), placed.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _told(picture: Shown, line: SetLine, box: BoxMm, read: Sequence[CardLine]) -> Told:
    wording, upright = picture.card.wording, abs(line.turn) > UPRIGHT
    place = f"mark, {line.frame}" if line.part == "mark" else "side" if upright else wording.place
    lettering = wording.lettering if line.part == "name" else line.part
    best = max(read, key=lambda one: jaccard(one.box_mm, box), default=None)
    if best is None or jaccard(best.box_mm, box) == 0:
        return Told(picture.where, place, lettering, False, False, float("nan"))
    along, across = ((1, 3), (0, 2)) if upright else ((0, 2), (1, 3))
    (begins, ends), (first, last) = ([one[side] for side in along] for one in (best.box_mm, box))
    held = (min(ends, last) - max(begins, first)) / (last - first)
    high, wanted = (one[across[1]] - one[across[0]] for one in (best.box_mm, box))
    found = held > HELD and jaccard(best.box_mm, box) > MOSTLY
    return Told(picture.where, place, lettering, found, plain(best.words) == plain(line.words), high / wanted)


def lying_on(box: BoxMm, other: BoxMm) -> float:
    """Share of a box that lies on another."""
    return _shared(box, other) / max((box[2] - box[0]) * (box[3] - box[1]), 1e-9)


def _shared(box: BoxMm, other: BoxMm) -> float:
    wide, high = min(box[2], other[2]) - max(box[0], other[0]), min(box[3], other[3]) - max(box[1], other[1])
    return max(0.0, wide) * max(0.0, high)


def jaccard(box: BoxMm, other: BoxMm) -> float:
    """What two boxes share of what they cover together (Jaccard 1912)."""
    both = _shared(box, other)
    areas = [(one[2] - one[0]) * (one[3] - one[1]) for one in (box, other)]
    return both / max(sum(areas) - both, 1e-9)


def table(found: Mapping[str, Sequence[Searched]]) -> Iterator[str]:
    """The lines that are printed: each finder's, of photos and scans, by place and by lettering."""
    for where in ("photo", "scan"):
        lines = {
            name: [one for all_ in some for one in all_.lines if one.where == where] for name, some in found.items()
        }
        groups = {"all": lines} if any(lines.values()) else {}
        for kind in ("place", "lettering"):
            for value in sorted({getattr(one, kind) for some in lines.values() for one in some}):
                groups[value] = {n: [one for one in some if getattr(one, kind) == value] for n, some in lines.items()}
        for group, some in groups.items():
            said = "; ".join(f"{name} {_shares(of)}" for name, of in some.items())
            yield f"{where} {group:14} ({len(next(iter(some.values())))}): {said}"
    for name, pictures in found.items():
        stray = 100 * sum(one.stray for one in pictures) / max(1, len(pictures))
        took = 1000 * float(np.median([one.seconds for one in pictures]))
        yield f"{name}: {stray:.0f} stray lines of 100 pictures, {took:.0f} ms a picture, median"


def _shares(lines: Sequence[Told]) -> str:
    found, exact = (100 * float(np.mean([getattr(one, what) for one in lines])) for what in ("found", "exact"))
    return f"found {found:.1f} %, read exactly {exact:.1f} %, {_middle([one.high for one in lines])} as high"


def _middle(heights: Sequence[float]) -> str:
    known = [one for one in heights if one == one]
    return f"{float(np.median(known)):.2f}" if known else "-"


def measured(pictures: Iterable[Shown], settings: OcrSettings) -> dict[str, list[Searched]]:
    """What either finder makes of each picture. Raises ImportError where the extra `reading` is missing."""
    finders = {"library": with_finder(settings.reader, None), "shipped": with_finder(settings.reader, shipped_finder())}
    found: dict[str, list[Searched]] = {name: [] for name in finders}
    for picture in pictures:
        for name, by in finders.items():
            found[name].append(searched(by, picture, settings))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--role", choices=["fit", "report"], default="report")
    parser.add_argument("--types", type=Path, required=True, help="where scripts/fetch_type left the typefaces")
    parser.add_argument("--photos", type=int, default=88)
    parser.add_argument("--seed", type=int, default=2395)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    try:
        negatives = read_negatives(chosen.folders, "", chosen.seed, chosen.role, chosen.manifest)
        types = typefaces(chosen.types, chosen.role)
    except BadTable as error:
        parser.error(str(error))
    types = dealt(types, 0) if chosen.role == "fit" else types
    _, asked = lettering_plan(negatives, types, chosen.photos, chosen.seed, rough=True, asked=ASKED)
    pictures = (picture for query in asked for picture in shown(query, types))
    print("\n".join(table(measured(pictures, OcrSettings()))))


if __name__ == "__main__":
    main()
