"""Lots that came to the service: which photo is next, fair between the people who sent them; what became of it, kept.

The queue is in the store, so it outlives the service. People take turns: whoever was served longest ago comes next,
however many photos the others have sent. Within one person's lots the oldest comes first.
"""

from __future__ import annotations

import hashlib
import logging
import os
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from sqlalchemy import func, select

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import suffix_of, write_whole
from matcher.catalogue.tables.database import guarded
from matcher.catalogue.tables.lots import Lot, LotItem
from matcher.core.answer import PhotoAnswer
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.settings import Settings
from matcher.core.strip import stripped
from matcher.jobs.job import Job
from matcher.jobs.lot import review, store
from matcher.jobs.lot.discovery import Content, count_pages, gather, read_content
from matcher.jobs.lot.faces import LOST, mend_faces
from matcher.jobs.lot.pairwise import compare_lot
from matcher.jobs.lot.run import AT_ONCE, content_or_error, item_of, job_of, keep
from matcher.jobs.lot.store import ItemRow, LotRow

log = logging.getLogger("platekin")


@dataclass(frozen=True)
class Sent:
    """One photo as it was sent: the sender's name for it, and its bytes."""

    name: str
    data: bytes


def receive(catalogue: Catalogue, lot: LotRow, photos: Sequence[Sent], settings: Settings) -> int:
    """Keep photos in the lot's own folder and queue them; those that it has already are left out. Returns how many.

    Files are named by what they hold, and numbered where they are stored: any number may come at the same moment. A lot
    that strips photos keeps none as it came: each page becomes a photo of its own, and one that cannot be read a failed
    item without a file.
    Raises CatalogueError disk_full, ...; then none of them is kept.
    """
    folder = store.folder_of(catalogue, lot.lot_id) / "photos"
    kept: list[Path] = []
    try:
        with guarded(catalogue.folder):
            read = partial(read_content, limits=settings.photo, elsewhere=catalogue.elsewhere)
            if lot.options.get("strip"):
                bare = [page for sent in photos for page in _bare(catalogue, sent, settings)]
            else:
                bare = [*photos]
            new = [_kept(lot, sent, folder, read, kept) for sent in bare]
        added = store.queue_new(catalogue, lot.lot_id, [item for items in new for item in items])
    except BaseException:
        with suppress(CatalogueError):
            _take_away(catalogue, lot, kept)
        raise
    return added


@dataclass(frozen=True)
class Refused:
    """A photo that is not kept. digest: of its name and bytes."""

    name: str
    digest: str
    error: PlatekinError


def _bare(catalogue: Catalogue, sent: Sent, settings: Settings) -> list[Sent | Refused]:
    """Each page of a photo without what its file says of itself."""
    pages = count_pages(sent.data, settings.photo, catalogue.elsewhere)
    bare: list[Sent | Refused] = []
    for page in range(pages):
        name = sent.name if pages == 1 else f"{sent.name}, page {page + 1}"
        try:
            bare.append(Sent(name, catalogue.elsewhere(stripped, sent.data, settings.photo, name, page)))
        except PlatekinError as error:
            bare.append(Refused(name, hashlib.sha256(f"{name}\n".encode() + sent.data).hexdigest(), error))
    return bare


def _kept(
    lot: LotRow, sent: Sent | Refused, folder: Path, read: Callable[[Path], Content], kept: list[Path]
) -> list[ItemRow]:
    """The photo written into the folder, and an item for each of its pages."""
    if isinstance(sent, Refused):
        path, told = folder / f"{sent.digest}.refused", sent.error
        return [ItemRow(lot.lot_id, 0, path, sent.name, 0, 1, 0, 0, sent.digest, "failed", told.code, str(told))]
    named = hashlib.sha256(f"{sent.name}\n".encode() + sent.data).hexdigest()
    path = folder / f"{named}{suffix_of(sent.data)}"
    write_whole(path, sent.data)
    kept.append(path)
    content = read(path)
    facts = (content.pages, content.size, content.mtime_ns, content.sha256)
    return [ItemRow(lot.lot_id, 0, path, sent.name, page, *facts, "queued") for page in range(content.pages)]


def _take_away(catalogue: Catalogue, lot: LotRow, paths: Sequence[Path]) -> None:
    """Remove files of which nothing was queued; another request may have brought the same."""
    known = {row.path for row in store.items(catalogue, lot.lot_id)}
    for path in paths:
        if path not in known:
            path.unlink(missing_ok=True)


def receive_folder(catalogue: Catalogue, lot: LotRow, folder: Path, settings: Settings) -> int:
    """Queue every picture inside a folder where it lies, `AT_ONCE` a transaction; those that are known are left.

    A file that cannot be read is a failed item, and the others go on. Returns how many files were new. Raises
    CatalogueError missing_file. Nothing in the folder is written to.
    """
    known = {row.path for row in store.items(catalogue, lot.lot_id)}
    new = [path for path in gather([folder], [catalogue.folder]).pictures if path not in known]
    for start in range(0, len(new), AT_ONCE):
        items = [item for path in new[start : start + AT_ONCE] for item in _items_of(catalogue, lot, path, settings)]
        store.queue_new(catalogue, lot.lot_id, items)
    return len(new)


def _items_of(catalogue: Catalogue, lot: LotRow, path: Path, settings: Settings) -> list[ItemRow]:
    content = content_or_error(path, settings, catalogue.elsewhere)
    pages = 1 if isinstance(content, UnreadablePhoto) else content.pages
    return [item_of(lot.lot_id, 0, path, page, content) for page in range(pages)]


class Stopped(Exception):
    """The service ends: what is left of a lot is done at its next start."""


class LotQueue:
    """Hands out the photos that wait, and keeps what is found. One a service; threads may call it."""

    def __init__(self, catalogue: Catalogue, settings: Settings) -> None:
        self.catalogue = catalogue
        self.settings = settings
        self._fingerprint = store.made_with(settings)
        self._served: list[str] = []
        self._out: set[tuple[str, str, int]] = set()
        self._lock = threading.Lock()
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Nothing long is gone on with: `finish` raises Stopped after the card that it is at."""
        self._stopping.set()

    def take(self) -> ItemRow | None:
        """The next photo, which is out until `keep` or `give_back`; None where none waits."""
        with self._lock:
            for who in self._in_turn():
                item = self._oldest(who)
                if item is not None:
                    self._out.add(_key(item))
                    self._served = [*(name for name in self._served if name != who), who]
                    return item
        return None

    def job(self, item: ItemRow) -> Job:
        return job_of(self.catalogue, store.lot(self.catalogue, item.lot_id), item)

    def keep(self, item: ItemRow, answer: PhotoAnswer) -> bool:
        """Store what was found; True where nothing of the lot is left to be asked."""
        try:
            keep(self.catalogue, item, self._fingerprint, answer)
        finally:
            self.give_back(item)
        return not store.counts(self.catalogue, item.lot_id)["queued"]

    def give_back(self, item: ItemRow) -> None:
        """It waits again, unless it was answered."""
        with self._lock:
            self._out.discard(_key(item))

    def finish(self, lot_id: str) -> None:
        """When all is asked: compare the cards with each other, and propose what is new. Raises Stopped."""
        lot = store.lot(self.catalogue, lot_id)
        if lot.state == "open":
            with store.only_run(self.catalogue, lot_id):
                lost = mend_faces(self.catalogue, lot, self.settings)
                for card in lost:
                    log.warning("lots: %s, card %s: %s", lot_id, card.card, LOST)
                compare_lot(self.catalogue, lot, self.settings, 1, self._go_on, {card.key for card in lost})
            review.propose(self.catalogue, lot)

    def _go_on(self, done: int, total: int) -> None:
        if self._stopping.is_set():
            raise Stopped

    def unfinished(self) -> tuple[str, ...]:
        """Open lots, all answered, whose cards were never compared: the service was stopped just then."""
        rows = store.lots(self.catalogue, served=True, state="open", compared="")
        counts = {row.lot_id: store.counts(self.catalogue, row.lot_id) for row in rows}
        return tuple(lot_id for lot_id, count in counts.items() if count["done"] and not count["queued"])

    def _in_turn(self) -> list[str]:
        """People with photos that wait: new ones first, then whoever was served longest ago."""
        query = select(Lot.who).join(LotItem, LotItem.lot_id == Lot.lot_id).where(*_WAITING)
        with self.catalogue.reading() as connection:
            waiting = list(connection.execute(query.group_by(Lot.who).order_by(func.min(Lot.lot_id))).scalars())
        return sorted(waiting, key=lambda who: self._served.index(who) if who in self._served else -1)

    def _oldest(self, who: str) -> ItemRow | None:
        query = select(*LotItem.__table__.columns).join(Lot, Lot.lot_id == LotItem.lot_id)
        query = query.where(*_WAITING, Lot.who == who).order_by(LotItem.lot_id, LotItem.number)
        with self.catalogue.reading() as connection, connection.execute(query.limit(len(self._out) + 1)) as found:
            for row in found:
                item = ItemRow(**{**row._mapping, "path": Path(os.fsdecode(row.path))})
                if _key(item) not in self._out:
                    return item
        return None


_WAITING = (LotItem.state == "queued", Lot.served.is_(True), Lot.state == "open")


def _key(item: ItemRow) -> tuple[str, str, int]:
    """Items of one content are asked together: while one is out, so are the others."""
    return item.lot_id, item.sha256, item.page
