"""A lot's cards in; one row a card out, as CSV, JSON Lines or a spreadsheet, and the flattened faces as files.

Failed items have a row too, with the reason. A person's decision stands beside what the machine has found, never in
its place.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from matcher.catalogue import Catalogue
from matcher.catalogue.records.csv_text import csv_bytes
from matcher.catalogue.records.files import ANYBODYS, picture_of_face, write_whole
from matcher.catalogue.tables.models import RecordRow
from matcher.catalogue.tables.targets import writing_out
from matcher.core.answer_json import to_json
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.discovery import shown
from matcher.jobs.lot.faces import LOST, mend_faces
from matcher.jobs.lot.review_queue import Settled, settled
from matcher.jobs.lot.store import ItemRow, LotRow
from matcher.jobs.lot.workbook import workbook

Kind = Literal["csv", "jsonl", "xlsx"]

RUNGS = ("pose", "crop", "caption", "mark", "record", "copy")
COLUMNS = (
    "lot", "card", "file", "folder", "page", "position", "side", "other_side", "outcome", "tag", "subject", "pose",
    "crop", "caption", "club", *(f"confidence_{rung}" for rung in RUNGS), "closest", "decided", "decided_record",
    "find", "same_scan", "same_card", "same_record", "like", "residual_contrast", "glare", "sharpness", "width_mm",
    "height_mm", "turned", "quad", "sha256", "reasons", "error",
)  # fmt: skip
"""tag: the record, by a person's decision, else as found. like: the card that stands for all of one variation."""


def rows_of(catalogue: Catalogue, lot: LotRow) -> list[dict[str, Any]]:
    """All cards in order, then the items that failed."""
    cards = cards_of(catalogue, lot)
    done = settled(catalogue, cards)
    named = {found.record_id for found in done.values() if found.record_id}
    named |= {card.found.record_id for card in cards if card.found.record_id}
    records = {record.record_id: record for record in catalogue.records_among(named)}
    rows = [card_row(card, done.get(card.card), records) for card in cards]
    failed = store.items(catalogue, lot.lot_id, "failed")
    return rows + [_failed_row(item) for item in failed]


def card_row(
    card: Card, decided: Settled | None = None, records: Mapping[str, RecordRow] | None = None
) -> dict[str, Any]:
    """One card as a row; columns that say nothing are None. Of a card that was decided on, what its record says."""
    found, face, sure = card.found, card.found.face, card.found.confidence
    back = card.side == "back"
    record = (decided.record_id if decided else None) or (None if back else found.record_id)
    its = (records or {}).get(record or "")
    size = face.size_mm or (None, None)
    row: dict[str, Any] = {**_item_columns(card.item), "card": card.card, "position": card.position}
    row |= {"side": card.side or None, "other_side": card.other or None, "outcome": None if back else found.outcome}
    row |= {"tag": record, "subject": its.subject if its else None, "club": its.club if its else None}
    row |= {name: None if back else getattr(found, name) for name in ("pose", "crop", "caption")}
    if its and decided and decided.record_id:  # as subject and club: what was found there was another
        row["caption"] = its.caption
    row |= {f"confidence_{rung}": None if back else getattr(sure, rung) for rung in RUNGS}
    row["closest"] = found.closest.record_id if found.closest and not back else None
    row |= {"decided": decided.state if decided and decided.state != "open" else None}
    row |= {"decided_record": decided.record_id if decided else None, "find": decided.find_id if decided else None}
    row |= {name: " ".join(getattr(card, name)) or None for name in ("same_scan", "same_card", "same_record")}
    row["like"] = card.family if card.family != card.card else None
    row |= {name: getattr(face, name) for name in ("residual_contrast", "glare", "sharpness", "turned")}
    row |= {"width_mm": size[0], "height_mm": size[1]}
    row["quad"] = " ".join(f"{x:g},{y:g}" for x, y in found.quad)
    row["reasons"] = None if back else "; ".join(found.reasons) or None
    return {name: row.get(name) for name in COLUMNS}


def as_bytes(catalogue: Catalogue, lot: LotRow, kind: Kind, folders: bool = True) -> bytes:
    """The lot's results as a file. folders: whether it may say in which folders of this machine the files are."""
    rows = rows_of(catalogue, lot)
    if not folders:
        rows = [{**row, "folder": None, "error": row["error"] and row["error"].partition(":")[0]} for row in rows]
    return _encoded(catalogue, lot, rows, kind)


def write_results(catalogue: Catalogue, lot: LotRow, target: Path, replace: bool = False) -> int:
    """Write the results into a file, by its suffix; returns how many rows it holds. replace: in place of an older one.

    Raises CatalogueError bad_target, target_exists.
    """
    kinds: dict[str, Kind] = {".csv": "csv", ".jsonl": "jsonl", ".xlsx": "xlsx"}
    kind = kinds.get(target.suffix.casefold())
    if kind is None:
        told = f"{shown(target)}: unsupported file type"
        raise CatalogueError("bad_target", told, "let the name end in .csv, .jsonl or .xlsx")
    rows = rows_of(catalogue, lot)
    write_targets({target: _encoded(catalogue, lot, rows, kind)}, replace)
    return len(rows)


def write_faces(catalogue: Catalogue, lot: LotRow, folder: Path, replace: bool = False) -> int:
    """Copy every card's flattened face into a folder, named by file and card; returns how many.

    Raises CatalogueError missing_file, target_exists before anything is written; disk_full, bad_target.
    """
    faces, lost = store.faces_of(catalogue, lot.lot_id), mend_faces(catalogue, lot, catalogue.settings)
    if lost:
        why = f"card {lost[0].card} of {lost[0].item.name}: {LOST}"
        raise CatalogueError("missing_file", why, "put the scan back, then run the same command")
    named = {folder / f"{Path(card.item.name).stem}-{card.card}.jpg": card for card in cards_of(catalogue, lot)}
    must_be_free(named, replace)
    with writing_out(folder):
        folder.mkdir(parents=True, exist_ok=True)
    for target, card in named.items():
        _write(target, picture_of_face(card.face_path(faces).read_bytes()))
    return len(named)


def write_targets(files: Mapping[Path, bytes], replace: bool = False) -> None:
    """Write files that a person asked for, each whole or not at all. replace: over what is there already.

    Raises CatalogueError target_exists before anything is written; disk_full, bad_target.
    """
    must_be_free(files, replace)
    for target, data in files.items():
        _write(target, data)


def must_be_free(targets: Iterable[Path], replace: bool) -> None:
    """Raises CatalogueError target_exists where one of the files is there already, and is not to be replaced."""
    there = [target for target in targets if target.exists()]
    if there and not replace:
        raise CatalogueError(
            "target_exists", f"{shown(there[0])} is there already, and may hold what you wrote into it",
            "name a file that is not there yet, or add --replace",
        )  # fmt: skip


def _write(target: Path, data: bytes) -> None:
    with writing_out(target):
        write_whole(target, data, mode=ANYBODYS)


def _encoded(catalogue: Catalogue, lot: LotRow, rows: Sequence[Mapping[str, Any]], kind: Kind) -> bytes:
    if kind == "csv":
        return csv_bytes(COLUMNS, [[row[name] for name in COLUMNS] for row in rows])
    if kind == "xlsx":
        return workbook(lot, rows, _pictures(catalogue, lot))
    found = {card.card: card for card in cards_of(catalogue, lot)}
    return b"".join(_json_line(row, found.get(row["card"] or "")) for row in rows)


def _pictures(catalogue: Catalogue, lot: LotRow) -> dict[str, Path]:
    """Where the flattened front of each card is kept."""
    faces = store.faces_of(catalogue, lot.lot_id)
    return {card.card: card.face_path(faces) for card in cards_of(catalogue, lot)}


def _item_columns(item: ItemRow) -> dict[str, Any]:
    page = {"page": item.page + 1 if item.pages > 1 else None}
    where = {"file": item.name, "folder": shown(item.path.parent)}
    return {"lot": item.lot_id, **where, **page, "sha256": item.sha256 or None}


def _failed_row(item: ItemRow) -> dict[str, Any]:
    row = {**_item_columns(item), "error": f"{item.code}: {item.message}"}
    return {name: row.get(name) for name in COLUMNS}


def _json_line(row: Mapping[str, Any], card: Card | None) -> bytes:
    """The row without its empty cells, and with the published answer about the card."""
    told = {name: value for name, value in row.items() if value is not None}
    if card is not None:
        told["found"] = to_json(card.found)
        told["versions"] = dict(card.photo.versions)
    return (json.dumps(told, ensure_ascii=False) + "\n").encode("utf-8")
