"""A lot's cards in; a contact sheet out: every face under its tag, the doubtful ones first. PDF, or PNG pages."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw

from matcher.catalogue import Catalogue, RecordRow
from matcher.core.answer_json import CAUTIONS
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.discovery import shown
from matcher.jobs.lot.results import write_targets
from matcher.jobs.lot.review_queue import Settled, settled
from matcher.jobs.lot.store import LotRow
from matcher.jobs.render.evidence import INK, PAPER, QUIET_INK
from matcher.jobs.typeface import fitted, typeface, wrapped

DPI = 150
PAGE = (1240, 1754)
"""A4 (ISO 216: 210 x 297 mm) at `DPI`."""

COLUMNS, ROWS = 5, 4
MARGIN, HEAD, FOOT, GAP = 50, 70, 40, 16
LINES = 7
TEXT = 16
DOUBTFUL = (178, 58, 30)

Words = tuple[str, Any, bool]
"""A text, its colour, and whether it is bold."""

ORDER = ("undecided", "unreadable", "new_mark", "new_caption", "new_crop", "new_pose", "known")
"""The doubtful first: what stops half-way, then what is new, then what is known, the least sure first."""


def write_sheet(catalogue: Catalogue, lot: LotRow, target: Path, replace: bool = False) -> int:
    """Write the contact sheet into TARGET.pdf, or into TARGET.png (TARGET-2.png, ...); returns the number of pages.

    replace: in place of older ones. Raises CatalogueError bad_target, no_cards, target_exists.
    """
    if target.suffix.casefold() not in (".pdf", ".png"):
        raise CatalogueError(
            "bad_target", f"{shown(target)}: unsupported file type", "let the name end in .pdf or .png"
        )
    cards = in_order(cards_of(catalogue, lot))
    if not cards:
        raise CatalogueError("no_cards", f"lot {lot.lot_id} holds no cards yet", "run the lot first")
    done = settled(catalogue, cards)
    known = {record.record_id: record for record in catalogue.records_among(_records_of(cards, done))}
    pages = list(_pages(cards, done, known, lot, store.faces_of(catalogue, lot.lot_id)))
    if target.suffix.casefold() == ".pdf":
        write_targets({target: _pdf(pages)}, replace)
    else:
        names = [target, *(target.with_name(f"{target.stem}-{k}{target.suffix}") for k in range(2, len(pages) + 1))]
        write_targets(dict(zip(names, map(_png, pages), strict=True)), replace)
    return len(pages)


def _png(page: Image.Image) -> bytes:
    out = io.BytesIO()
    page.save(out, "PNG", compress_level=6, dpi=(DPI, DPI))
    return out.getvalue()


def in_order(cards: Sequence[Card]) -> list[Card]:
    """The doubtful first; backs, and scans that are there twice, are left out."""

    def doubt(card: Card) -> tuple[int, float]:
        sure = card.found.confidence
        return ORDER.index(card.outcome), sure.record or sure.pose or 0.0

    return sorted((card for card in cards if card.is_front), key=doubt)


def _records_of(cards: Sequence[Card], done: Mapping[str, Settled]) -> set[str]:
    named = {card.found.record_id for card in cards} | {one.record_id for one in done.values()}
    return {record_id for record_id in named if record_id}


def _pages(
    cards: Sequence[Card], done: Mapping[str, Settled], known: Mapping[str, RecordRow], lot: LotRow, faces: Path
) -> Iterator[Image.Image]:  # fmt: skip
    a_page = COLUMNS * ROWS
    total = -(-len(cards) // a_page)
    for number in range(total):
        page = Image.new("RGB", PAGE, PAPER)
        draw = ImageDraw.Draw(page)
        draw.text((MARGIN, 24), f"{lot.lot_id}   {lot.name}", INK, typeface(24, bold=True))
        draw.text((PAGE[0] - MARGIN, 28), f"{number + 1} / {total}", QUIET_INK, typeface(TEXT), anchor="ra")
        for place, card in enumerate(cards[number * a_page : (number + 1) * a_page]):
            row, column = divmod(place, COLUMNS)
            words = _words(card, done.get(card.card), known)
            _draw_card(page, draw, words, card.face_path(faces), row, column)
        draw.text((MARGIN, PAGE[1] - FOOT), fitted(CAUTIONS[0], PAGE[0] - 2 * MARGIN, 13), QUIET_INK, typeface(13))
        yield page


def _draw_card(
    page: Image.Image, draw: ImageDraw.ImageDraw, words: Sequence[Words], picture: Path, row: int, column: int
) -> None:  # fmt: skip
    """A card's front with its words below: a text that is too long for the room goes on in the next line."""
    width = (PAGE[0] - 2 * MARGIN - (COLUMNS - 1) * GAP) // COLUMNS
    height = (PAGE[1] - HEAD - FOOT - MARGIN) // ROWS
    left, top = MARGIN + column * (width + GAP), HEAD + row * height
    room = height - (LINES + 1) * (TEXT + 4)
    face = _face(picture, (width, room))
    page.paste(face, (left, top))
    line = top + face.height + 5
    lines = [(part, colour, bold) for text, colour, bold in words for part in wrapped(text, width, TEXT, bold)]
    for text, colour, bold in lines[:LINES]:
        draw.text((left, line), fitted(text, width, TEXT, bold), colour, typeface(TEXT, bold))
        line += TEXT + 4


def _words(card: Card, decided: Settled | None, known: Mapping[str, RecordRow]) -> list[Words]:
    """The tag first; then caption and club in full, what else is established, where the card lies, what it repeats."""
    found, sure = card.found, card.found.confidence.record
    record = (decided.record_id if decided else None) or found.record_id
    outcome = card.outcome.replace("_", " ")
    told: list[Words] = [(record or outcome, INK if record else DOUBTFUL, True)]
    closest = f"closest {found.closest.record_id}" if found.closest else "like no enrolled card"
    stated = outcome if sure is None else f"{outcome} {100 * sure:.0f} %"
    state = stated if record else closest
    told.append((decided.state if decided and decided.state != "open" else state, INK, False))
    row = known.get(record or "")
    caption, club = (row.caption, row.club) if row else (found.caption or "", "")
    told += [(text, INK, False) for text in (caption, club) if text]
    told.append((" ".join(filter(None, (found.pose, found.crop))) or "-", INK, False))
    page = f" p. {card.item.page + 1}" if card.item.pages > 1 else ""
    told.append((f"{card.card}  {card.item.name}{page}", QUIET_INK, False))
    again = f"again: {' '.join(card.same_card)}" if card.same_card else ""
    like = f"like {card.family}" if card.family != card.card and not record else ""
    told.append((again or like, QUIET_INK, False))
    return told


def _face(path: Path, room: tuple[int, int]) -> Image.Image:
    try:
        with Image.open(path, formats=("JPEG",)) as stored:
            face = stored.convert("RGB")
    except OSError:  # taken away: the tag is still worth showing
        face = Image.new("RGB", (room[1] * 23 // 40, room[1]), (225, 220, 210))
    face.thumbnail(room, Image.Resampling.LANCZOS)
    return face


def _pdf(pages: Sequence[Image.Image]) -> bytes:
    out = io.BytesIO()
    pages[0].save(out, "PDF", save_all=True, append_images=list(pages[1:]), resolution=DPI, title="contact sheet")
    return out.getvalue()
