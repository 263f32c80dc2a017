"""Draw the demo set: in: a folder and a seed; out: tables, reference scans, query photos and their truth.

python -m reference_demo.make FOLDER [--seed N]

records.csv       what to enrol                  references/*.jpg   scans at 300 dpi
truth.csv         the right answer per photo     queries/*.jpg      phone photos, never references
"""

from __future__ import annotations

import argparse
import csv
import json
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.parallel.processes import process_pool
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import (
    SCAN_PX_PER_MM,
    Card,
    make_copy,
    needed_px_per_mm,
    photograph,
    scan,
    write_photo,
    write_scan,
)
from reference_demo.cast import PLATES, POSES, SITTERS, twin
from reference_demo.plan import OUTCOMES, Copy, Plan, Query, Record, make_plan

DEFAULT_SEED = 1887
RECORD_COLUMNS = (
    "record_id",
    "subject",
    "pose",
    "crop",
    "caption",
    "image",
    "club",
    "issuer",
    "mark",
    "year",
    "copy",
    "source",
    "note",
)
TRUTH_COLUMNS = (
    "photo",
    "kind",
    "outcome",
    "record_id",
    "subject",
    "pose",
    "crop",
    "caption",
    "club",
    "residual_contrast",
    "surface",
    "width",
    "height",
    "orientation",
    "upside_down",
    "sleeve",
    "glare",
    "near_twin",
    "copy",
    "beside",
    "corners",
)


@dataclass(frozen=True)
class DemoSet:
    """What was written, all paths below `folder`."""

    folder: Path
    records: int
    references: int
    queries: int
    seconds: float


def make_demo(
    folder: Path, seed: int = DEFAULT_SEED, *, processes: int = 2, say: Callable[[str], None] | None = None
) -> DemoSet:
    """Write the demo set into `folder`, made if need be; files of an earlier run are overwritten."""
    start = time.perf_counter()
    say = say or (lambda _: None)
    plan = make_plan(seed)
    for name in ("references", "queries"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    scans = [copy for record in plan.records for copy in record.copies]
    say(f"printing, ageing and scanning {len(scans)} cards, photographing {len(plan.queries)}")
    corners = _drawn(folder, scans, plan.queries, processes)
    _write_table(folder / "records.csv", RECORD_COLUMNS, _record_rows(plan))
    _write_table(folder / "truth.csv", TRUTH_COLUMNS, _truth_rows(plan, corners))
    done = DemoSet(folder, len(plan.records), len(scans), len(plan.queries), time.perf_counter() - start)
    say(f"{folder}: {done.records} records, {done.references} references, {done.queries} queries")
    return done


def _drawn(folder: Path, scans: list[Copy], queries: tuple[Query, ...], processes: int) -> dict[str, list[list[float]]]:
    """Draw every picture; the corners of each query, by its name."""
    # Large photos first, so that no process is left alone with one at the end.
    order = sorted(queries, key=lambda query: -query.scene.width * query.scene.height)
    if processes <= 1:
        found = [_draw_query(folder, query) for query in order]
        for copy in scans:
            _draw_reference(folder, copy)
        return dict(found)
    with process_pool(processes) as pool:
        photos = [pool.submit(_draw_query, folder, query) for query in order]
        cards = [pool.submit(_draw_references, folder, part) for part in _in_parts(scans, 6)]
        for card in cards:
            card.result()
        return dict(photo.result() for photo in photos)


def _in_parts(items: list[Copy], size: int) -> list[list[Copy]]:
    return [items[k : k + size] for k in range(0, len(items), size)]


def _draw_references(folder: Path, copies: Iterable[Copy]) -> None:
    for copy in copies:
        _draw_reference(folder, copy)


def _draw_reference(folder: Path, copy: Copy) -> None:
    rng = np.random.default_rng([copy.seed, 3])
    shot = scan(draw_card(copy, SCAN_PX_PER_MM), rng, lid="black" if rng.random() < 0.3 else "white")
    (folder / _image_name(copy)).write_bytes(write_scan(shot))


def _draw_query(folder: Path, query: Query) -> tuple[str, list[list[float]]]:
    size = FaceSize()
    scale = needed_px_per_mm(query.scene, (size.width_mm, size.height_mm))
    beside = draw_card(query.beside, min(scale, 16.0)) if query.beside else None
    rng = np.random.default_rng([query.seed, 4])
    shot = photograph(draw_card(query.copy, scale), query.scene, rng, beside=beside)
    (folder / query.photo).write_bytes(write_photo(shot, query.scene))
    return query.photo, [[round(float(x), 2), round(float(y), 2)] for x, y in shot.corners]


def draw_card(copy: Copy, px_per_mm: float, size: FaceSize | None = None) -> Card:
    """One card, printed and aged; size: of another format's face than the common one's."""
    shows = copy.shows
    plate = list(PLATES).index(shows.plate)
    return make_copy(
        _negative(shows.plate),
        shows.window,
        shows.caption,
        copy.age,
        seed=copy.seed,
        plate=plate,
        px_per_mm=px_per_mm,
        size=size,
    )


@lru_cache(maxsize=4)
def _negative(plate: str) -> NDArray[np.uint8]:
    found = cv2.imread(str(PLATES[plate].path), cv2.IMREAD_GRAYSCALE)
    if found is None:
        raise FileNotFoundError(f"{PLATES[plate].path}: the demo's negative is missing: reinstall the package")
    return np.asarray(found, np.uint8)


def _image_name(copy: Copy) -> str:
    return f"references/{copy.copy_id}.jpg"


def _record_rows(plan: Plan) -> Iterable[dict[str, Any]]:
    for record in plan.records:
        for copy in record.copies:
            yield _record_row(record, copy)


def _record_row(record: Record, copy: Copy) -> dict[str, Any]:
    shows = record.shows
    return {
        "record_id": record.record_id,
        "subject": _subject(shows.plate),
        "pose": POSES[shows.plate],
        "crop": shows.crop,
        "caption": shows.name,
        "image": _image_name(copy),
        "club": shows.club,
        "issuer": shows.issuer.name,
        "mark": shows.issuer.name,
        "year": record.year,
        "copy": copy.copy_id,
        "source": "invented",
        "note": f"residual contrast {copy.age.residual_contrast:.2f}",
    }


def _truth_rows(plan: Plan, corners: dict[str, list[list[float]]]) -> Iterable[dict[str, Any]]:
    for query in plan.queries:
        shows, scene = query.copy.shows, query.scene
        pose = POSES.get(shows.plate, "")
        yield {
            "photo": query.photo,
            "kind": query.kind,
            "outcome": OUTCOMES[query.kind],
            "record_id": query.record_id,
            "subject": _subject(shows.plate),
            "pose": pose,
            "crop": shows.crop if pose and query.kind != "new_crop" else "",
            "caption": shows.name,
            "club": shows.club,
            "residual_contrast": f"{query.copy.age.residual_contrast:.2f}",
            "surface": "beside" if query.beside else scene.surface,
            "width": scene.width,
            "height": scene.height,
            "orientation": scene.orientation,
            "upside_down": int(scene.upside_down),
            "sleeve": int(scene.sleeve),
            "glare": f"{scene.glare:.2f}",
            "near_twin": POSES.get(twin(shows.plate), ""),
            "copy": query.copy.copy_id if query.is_reference_copy else "",
            "beside": _subject(query.beside.shows.plate) if query.beside else "",
            "corners": json.dumps(corners[query.photo]),
        }


def _subject(plate: str) -> str:
    return SITTERS[PLATES[plate].sitter].names[0]


def _write_table(path: Path, columns: tuple[str, ...], rows: Iterable[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m reference_demo.make", description="Draw the demo set.")
    parser.add_argument("folder", type=Path, help="where to write it; made if need be")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="another seed gives another set")
    chosen = parser.parse_args()
    done = make_demo(chosen.folder, chosen.seed, say=print)
    print(f"done in {done.seconds:.0f} s")


if __name__ == "__main__":
    main()
