"""An `EvaluationPlan` in; reference scans with their table, and query photos, out. One seed gives one set."""

from __future__ import annotations

import csv
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue.records.files import write_whole
from matcher.core.parallel.processes import process_pool
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.plan import EvaluationPlan, PlannedCopy, PlannedQuery
from matcher.lab.evaluation.windows import Placed
from matcher.lab.synthesis import Card, needed_px_per_mm, photograph, scan, write_photo, write_scan
from matcher.lab.synthesis import make_copy as print_copy
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.printing import SCAN_PX_PER_MM
from matcher.lab.synthesis.trials import Picture

COLUMNS = ("record_id", "subject", "pose", "crop", "caption", "image", "club", "issuer", "copy")
AT_ONCE = 8

_picture = lru_cache(maxsize=4)(negative_of)


def card_of(copy: PlannedCopy, px_per_mm: float = SCAN_PX_PER_MM) -> Card:
    """One physical card, printed and aged at a scale."""
    shows = copy.shows
    view = view_of(copy)
    plate = shows.negative.plate
    return print_copy(view, shows.crop, shows.caption, copy.age, seed=copy.seed, plate=plate, px_per_mm=px_per_mm)


def view_of(copy: PlannedCopy) -> Picture:
    """The negative that a card was printed from, (h, w) uint8."""
    return copy.shows.negative.view(_picture(copy.shows.negative.path))


def placed(copy: PlannedCopy) -> Placed:
    """What decides where the card's picture lies."""
    return Placed(copy.shows.crop, copy.shows.caption, copy.age, copy.seed)


def draw_references(plan: EvaluationPlan, folder: Path, workers: int) -> Path:
    """Write the references that are not there yet, and then the table; returns the table's path."""
    copies = [copy for record in plan.records for copy in record.copies]
    missing = [copy for copy in copies if not (folder / image_name(copy)).is_file()]
    parts = [(folder, missing[k : k + AT_ONCE]) for k in range(0, len(missing), AT_ONCE)]
    if workers > 1 and len(parts) > 1:
        with process_pool(workers) as pool:
            list(pool.map(_draw_some, *zip(*parts, strict=True)))
    else:
        for part in parts:
            _draw_some(*part)
    table = folder / "records.csv"
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS)
        writer.writeheader()
        writer.writerows(_row(copy, record.record_id) for record in plan.records for copy in record.copies)
    return table


def image_name(copy: PlannedCopy) -> str:
    """The reference's file, relative to the table."""
    return f"references/{copy.copy_id}.jpg"


def _draw_some(folder: Path, copies: list[PlannedCopy]) -> None:
    for copy in copies:
        rng = np.random.default_rng([copy.seed, 3])
        shot = scan(card_of(copy), rng, lid="black" if rng.random() < 0.3 else "white")
        write_whole(folder / image_name(copy), write_scan(shot), keep=False)


def _row(copy: PlannedCopy, record_id: str) -> dict[str, Any]:
    shows = copy.shows
    return {
        "record_id": record_id,
        "subject": shows.negative.sitter,
        "pose": shows.pose,
        "crop": shows.crop_name,
        "caption": shows.caption.name,
        "image": image_name(copy),
        "club": shows.caption.club,
        "issuer": shows.caption.issuer,
        "copy": copy.copy_id,
    }


def draw_query(query: PlannedQuery) -> tuple[bytes, Shot]:
    """The photo's file, and the shot with the card's true corners."""
    size = FaceSize()
    scale = needed_px_per_mm(query.scene, (size.width_mm, size.height_mm))
    shot = photograph(card_of(query.copy, scale), query.scene, np.random.default_rng([query.seed, 4]))
    return write_photo(shot, query.scene), shot
