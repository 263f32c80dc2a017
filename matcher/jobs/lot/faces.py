"""A lot's flattened fronts as they are kept: whole, made anew from the scan where one is damaged or gone, or lost."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import decode_face, encode_face, write_whole
from matcher.catalogue.tables.database import guarded
from matcher.core.answer import Quad
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import UnreadablePhoto
from matcher.core.flatten import flatten
from matcher.core.formats import face_of_text
from matcher.core.photo import read_photo
from matcher.core.settings import FaceSize, Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, bare_cards
from matcher.jobs.lot.pictures import page_file
from matcher.jobs.lot.store import LotRow

LOST = "its flattened front is damaged, and cannot be made again: the scan is gone, or is another one now"


def mend_faces(
    catalogue: Catalogue, lot: LotRow, settings: Settings, cards: Iterable[Card] | None = None
) -> tuple[Card, ...]:
    """Make anew what is damaged or gone of the lot's faces, or of these cards'; returns those that are lost.

    Raises CatalogueError disk_full, and PlatekinError where reading a scan goes beyond its limits.
    """
    faces = store.faces_of(catalogue, lot.lot_id)
    lost = []
    for card in bare_cards(catalogue, lot) if cards is None else cards:
        path = card.face_path(faces)
        size = face_of_text(card.found.face.format, settings.face)
        if is_whole(path, size):
            continue
        made = catalogue.elsewhere(
            _made_again, picture_path(catalogue, card), card.sha256, card.found.quad, path.name, settings, size
        )
        if made is None:
            lost.append(card)
            continue
        with guarded(catalogue.folder):
            write_whole(path, made, keep=False)
    return tuple(lost)


def is_whole(path: Path, size: FaceSize) -> bool:
    """Whether the face is there, and what was kept. size: of the card's format."""
    try:
        return decode_face(path.read_bytes(), size, path.name) is not None
    except OSError:
        return False


def picture_path(catalogue: Catalogue, card: Card) -> Path:
    """The card's picture: the file itself; or its page, or the file without what it says of itself, by itself."""
    if card.item.pages == 1 and card.sha256 == card.item.sha256:
        return card.item.path
    return page_file(store.pages_of(catalogue, card.item.lot_id), card.sha256)


def _made_again(source: Path, sha256: str, quad: Quad, name: str, settings: Settings, size: FaceSize) -> bytes | None:
    """The same pixels as before, from the same picture and outline; None where it is another one."""
    try:
        photo = read_photo(source, settings.photo)
    except UnreadablePhoto:
        return None
    if photo.sha256 != sha256:
        return None
    return encode_face(flatten(photo, CardQuad(np.array(quad, np.float32), 1.0), size), name)
