"""A lot's rows in; a workbook out: a picture of each card beside its row, a sheet of counts, a sheet of notes."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xlsxwriter
from PIL import Image

from matcher.catalogue.records.csv_text import guard
from matcher.core.answer_json import CAUTIONS
from matcher.jobs.lot.store import LotRow

SHOWN = (
    "card", "file", "page", "outcome", "tag", "subject", "caption", "club", "pose", "crop", "confidence_record",
    "confidence_pose", "confidence_crop", "confidence_caption", "confidence_mark", "confidence_copy", "closest",
    "decided", "same_card", "same_record", "like", "side", "other_side", "find", "residual_contrast", "width_mm",
    "height_mm", "reasons", "error",
)  # fmt: skip
"""Columns for people, those first that are looked at; the others are in the CSV and JSON Lines."""

WIDE = {"file": 22, "subject": 22, "caption": 26, "club": 24, "reasons": 60, "error": 50}
NUMBERS = frozenset(
    {"page", "residual_contrast", "width_mm", "height_mm"}
    | {f"confidence_{rung}" for rung in ("pose", "crop", "caption", "mark", "record", "copy")}
)
PICTURE = (60, 104)
"""Pixels of a card's picture, at most."""

AS_TEXT = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
"""Text stays text, whatever it looks like: nothing in it is run, linked or made a number."""

COUNTED = (
    ("known", "known"), ("new_mark", "new mark"), ("new_caption", "new caption"), ("new_crop", "new crop"),
    ("new_pose", "new pose"), ("undecided", "undecided"), ("unreadable", "unreadable"),
)  # fmt: skip


def workbook(lot: LotRow, rows: Sequence[Mapping[str, Any]], pictures: Mapping[str, Path]) -> bytes:
    """The workbook's bytes. pictures: the flattened front by card; one that is gone is left out."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, **AS_TEXT}) as book:
        book.set_properties({"title": f"lot {lot.lot_id}: {lot.name}", "comments": CAUTIONS[0]})
        _cards(book, rows, pictures)
        _counts(book, rows)
        notes = book.add_worksheet("notes")
        notes.set_column(0, 0, 120)
        for line, text in enumerate((f"lot {lot.lot_id}: {guard(lot.name)}", *CAUTIONS)):
            notes.write_string(line, 0, text)
    return out.getvalue()


def _cards(book: Any, rows: Sequence[Mapping[str, Any]], pictures: Mapping[str, Path]) -> None:
    bold, share = book.add_format({"bold": True, "bottom": 1}), book.add_format({"num_format": "0 %"})
    plain = book.add_format({"num_format": "0.00"})
    sheet = book.add_worksheet("cards")
    sheet.write_string(0, 0, "picture", bold)
    sheet.set_column(0, 0, 9)
    for column, name in enumerate(SHOWN, start=1):
        sheet.write_string(0, column, name, bold)
        sheet.set_column(column, column, WIDE.get(name, max(8, len(name) + 1)))
    for line, row in enumerate(rows, start=1):
        _insert(sheet, line, pictures.get(row["card"] or ""))
        for column, name in enumerate(SHOWN, start=1):
            value = row[name]
            if name in NUMBERS and value is not None:
                form = share if name.startswith("confidence") or name == "residual_contrast" else plain
                sheet.write_number(line, column, value, None if name == "page" else form)
            elif value is not None:
                sheet.write_string(line, column, guard(str(value))[:32767])
    sheet.freeze_panes(1, 3)
    sheet.autofilter(0, 1, max(1, len(rows)), len(SHOWN))


def _insert(sheet: Any, line: int, path: Path | None) -> None:
    if path is None:
        return
    try:
        with Image.open(path, formats=("JPEG",)) as stored:
            picture = stored.convert("RGB")
    except OSError:  # taken away: the row is still worth having
        return
    picture.thumbnail(PICTURE, Image.Resampling.LANCZOS)
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=85)
    sheet.set_row_pixels(line, PICTURE[1] + 4)
    sheet.insert_image(line, 0, "card.jpg", {"image_data": data, "x_offset": 2, "y_offset": 2, "object_position": 1})


def _counts(book: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    """How many cards of each outcome, how many records, and how many cards of each record."""
    bold = book.add_format({"bold": True, "bottom": 1})
    sheet = book.add_worksheet("counts")
    sheet.set_column(0, 0, 34)
    found = Counter(row["outcome"] for row in rows if row["outcome"])
    tags = Counter(row["tag"] for row in rows if row["tag"])
    names = {row["tag"]: row for row in rows if row["tag"]}
    lines: list[tuple[str, int, bool]] = [("cards", sum(found.values()), True)]
    lines += [(words, found[outcome], False) for outcome, words in COUNTED if found[outcome]]
    lines += [("records", len(tags), True)]
    for tag, count in sorted(tags.items()):
        about = ", ".join(filter(None, (names[tag]["caption"], names[tag]["club"])))
        lines.append((f"{tag}  {about}", count, False))
    for line, (words, number, heading) in enumerate(lines):
        sheet.write_string(line, 0, guard(words), bold if heading else None)
        sheet.write_number(line, 1, number, bold if heading else None)
