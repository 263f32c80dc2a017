"""The folder that the README speaks of: a table, scans, photos and a box of scans, drawn as the demo's cards are."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from matcher.core.formats import PRESETS
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import needed_px_per_mm, photograph, scan
from reference_demo.make import DEFAULT_SEED, SCAN_PX_PER_MM, draw_card, write_photo, write_scan
from reference_demo.plan import Copy, Scene, make_plan

INSERT, CABINET = FaceSize(), PRESETS["cabinet"].face
PLAN = make_plan(DEFAULT_SEED)
COPIES = {copy.copy_id: copy for record in PLAN.records for copy in record.copies}
SCENE = next(query.scene for query in PLAN.queries if query.photo == "queries/q055.jpg")
"""An upright card on wood, without glare."""

SCANS = {
    "scans/dunnelby-1.jpg": "K00008-2",
    "scans/dunnelby-1b.jpg": "K00008-1",
    "scans/dunelby.jpg": "K00009-1",
    "box/1.jpg": "K00008-2",
    "box/2.jpg": "K00005-1",
}
CABINETS = {"cabinet-1.jpg": "K00008-2", "cabinet-2.jpg": "K00010-1"}
"""The same cards' negatives on cabinets: photos, since a scan's resolution would have to be theirs."""

PHOTOS = {"photo.jpg": "K00008-2", "more/front.jpg": "K00009-1", "find.jpg": "K00010-1"}


def draw_folder(folder: Path, table: str, listing: str) -> None:
    """Write everything that the README's commands name; `table` and `listing` are what it shows of two of the files."""
    for number, (name, copy_id) in enumerate(SCANS.items()):
        _write(folder / name, _scanned(COPIES[copy_id], number))
    for number, (name, copy_id) in enumerate(PHOTOS.items()):
        _write(folder / name, _photographed(COPIES[copy_id], SCENE, number))
    _draw_sizes(folder)
    (folder / "cards.csv").write_text(table, encoding="utf-8")
    (folder / "listing.txt").write_text(listing, encoding="utf-8")


def _draw_sizes(folder: Path) -> None:
    """Cabinets and inserts, the table that tells them apart, a photo and a box of both."""
    rows = ["record_id,subject,pose,crop,caption,image,format,series"]
    for number, (name, copy_id) in enumerate(CABINETS.items(), start=1):
        _write(folder / name, _photographed(COPIES[copy_id], SCENE, 10 + number, CABINET))
        rows.append(f"V0010{number},Sitter {number},P010{number},A,words {number},{name},cabinet,S2")
    rows.append("V00100,Oscar Dunnelby,P0100,A,Oscar Dunnelby,scans/dunelby.jpg,,S1")
    (folder / "sizes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    _write(folder / "cabinet.jpg", _photographed(COPIES["K00008-2"], SCENE, 20, CABINET))
    _write(folder / "sizes-box" / "1.jpg", _photographed(COPIES["K00010-1"], SCENE, 21, CABINET))
    _write(folder / "sizes-box" / "2.jpg", _scanned(COPIES["K00009-1"], 22))


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def _scanned(copy: Copy, number: int) -> bytes:
    return write_scan(scan(draw_card(copy, SCAN_PX_PER_MM), np.random.default_rng([number, 3]), lid="white"))


def _photographed(copy: Copy, scene: Scene, number: int, size: FaceSize = INSERT) -> bytes:
    scale = needed_px_per_mm(scene, (size.width_mm, size.height_mm))
    shot = photograph(draw_card(copy, scale, size), scene, np.random.default_rng([number, 4]))
    return write_photo(shot, scene)
