"""The tables of lots in, frozen rows out, and the few ways to change them. Each change is one short transaction.

An item's state is bound to its content and to the fingerprint of the program: a file that was changed, or another
version, is asked again; what was answered is never asked twice.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, delete, func, insert, select, update

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import only_writer
from matcher.catalogue.tables.lots import Lot, LotAnswer, LotItem, LotPair, LotSkip
from matcher.catalogue.tables.service import RequestKey
from matcher.core.answer import PhotoAnswer
from matcher.core.answer_json import from_json, to_json
from matcher.core.errors import CatalogueError
from matcher.core.settings import Settings
from matcher.core.versions import versions

State = Literal["queued", "done", "failed"]
FOLDER = "lots"
"""In a catalogue's folder: faces of lots, and photos that came over HTTP."""


BUSY_TRIES, BUSY_WAIT = 12, 5.0
"""How often, and after how many seconds, a catalogue that somebody else writes to is tried again."""


@dataclass(frozen=True)
class LotRow:
    """One lot. sources: what was given; who: whose it is; served: whether the service works on it."""

    lot_id: str
    key: str
    name: str
    who: str
    made_at: datetime
    state: Literal["open", "cancelled"]
    served: bool
    compared: str
    sources: tuple[str, ...]
    options: Mapping[str, Any]

    @property
    def strips_scans(self) -> bool:
        """Whether what is kept of scans that lie elsewhere is stripped; photos that were sent came to be so before."""
        return bool(self.sources) and bool(self.options.get("strip"))


@dataclass(frozen=True)
class ItemRow:
    """One page of one file. name: for people. page: from 0. code, message: why it failed."""

    lot_id: str
    number: int
    path: Path
    name: str
    page: int
    pages: int
    size: int
    mtime_ns: int
    sha256: str
    state: State
    code: str = ""
    message: str = ""

    @property
    def content(self) -> tuple[str, int]:
        return self.sha256, self.page

    @property
    def called(self) -> Path:
        """The file by the name that people know: one that came over HTTP is kept under another."""
        return self.path.parent / self.name

    @property
    def label(self) -> str:
        """The file's name, with the page where it has several."""
        return self.name if self.pages == 1 else f"{self.name}, page {self.page + 1}"


@dataclass(frozen=True)
class PairRow:
    """Two cards of a lot laid over each other; None where a rung was not reached."""

    first: str
    second: str
    pose: float | None
    crop: float | None
    caption: float | None
    copy: float | None


def made_with(settings: Settings) -> str:
    """Sixteen hexadecimal digits that differ whenever answers could: versions and settings."""
    facts = {"versions": versions(), "settings": asdict(settings)}
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:16]


def key_of_card(sha256: str, page: int, position: int | str) -> str:
    """What a lot's card is kept by: its content and its place on it."""
    return f"{sha256[:16]}-{page}.{position}"


def options_of(rule: str, strip: bool = False) -> dict[str, Any]:
    """How a lot is worked on. rule: how its sides are told; strip: pictures are kept without what their files say of
    place, device and owner."""
    return {"sides": rule, **({"strip": True} if strip else {})}


def key_of(sources: Sequence[Path], options: Mapping[str, Any]) -> str:
    """What a lot is known by: where it comes from, and how it is worked on."""
    where = sorted(str(source.resolve()) for source in sources)
    return hashlib.sha256(json.dumps([where, dict(options)], sort_keys=True).encode()).hexdigest()


def lots(catalogue: Catalogue, **where: Any) -> tuple[LotRow, ...]:
    """Lots by id. where: columns and their values."""
    query = select(*Lot.__table__.columns).order_by(Lot.lot_id)
    for name, value in where.items():
        query = query.where(getattr(Lot, name) == value)
    with catalogue.reading() as connection:
        rows = [dict(row._mapping) for row in connection.execute(query)]
    return tuple(LotRow(**{**row, "sources": tuple(row["sources"])}) for row in rows)


def lot(catalogue: Catalogue, lot_id: str) -> LotRow:
    """One lot. Raises CatalogueError no_such_lot."""
    for row in lots(catalogue, lot_id=lot_id):
        return row
    raise CatalogueError("no_such_lot", f"no lot {lot_id}", "see their ids: platekin lot list")


def make_lot(
    catalogue: Catalogue, key: str, name: str, who: str, sources: Sequence[str], options: Mapping[str, Any],
    served: bool = False, again: bool = False,
) -> LotRow:  # fmt: skip
    """The open lot of this key, the newest; a new one where there is none, or where another is wanted (`again`)."""
    with catalogue.noting() as connection:
        same = select(func.max(Lot.lot_id)).where(Lot.key == key, Lot.state == "open", Lot.served.is_(served))
        known = None if again else connection.execute(same).scalar()
        if known is not None:
            return lot(catalogue, known)
        lot_id = f"L{_last_number(connection) + 1:05d}"
        told = {"key": key, "name": name, "who": who, "sources": list(sources), "options": dict(options)}
        new = {"made_at": datetime.now(UTC), "state": "open", "served": served, "compared": ""}
        connection.execute(insert(Lot).values(lot_id=lot_id, **told, **new))
    return lot(catalogue, lot_id)


def _last_number(connection: Connection) -> int:
    """Of the lots that there are, and of those that were forgotten while decisions on them stand in the log: what is
    undone of a lot is looked for by its id."""
    ids = [*connection.execute(select(Lot.lot_id)).scalars()]
    ids += [key.split(":")[1] for key in connection.execute(_OF_LOTS).scalars()]
    return max((int(one[1:]) for one in ids if _LOT_ID.fullmatch(one)), default=0)


_OF_LOTS = select(RequestKey.key).where(RequestKey.key.startswith("lot:"))
_LOT_ID = re.compile(r"L\d{1,9}")


def change_lot(catalogue: Catalogue, lot_id: str, **values: Any) -> None:
    with catalogue.noting() as connection:
        connection.execute(update(Lot).where(Lot.lot_id == lot_id).values(**values))


def folder_of(catalogue: Catalogue, lot_id: str) -> Path:
    """The lot's own files; made if need be by who writes there."""
    return catalogue.folder / FOLDER / lot_id


def faces_of(catalogue: Catalogue, lot_id: str) -> Path:
    return folder_of(catalogue, lot_id) / "faces"


def pages_of(catalogue: Catalogue, lot_id: str) -> Path:
    """Pages of files with several, each as a picture of its own."""
    return folder_of(catalogue, lot_id) / "pages"


def patiently(work: Callable[[], object]) -> None:
    """Do it; where somebody else writes to the catalogue, wait for them rather than lose an evening's work."""
    for attempt in range(BUSY_TRIES):
        try:
            work()
            return
        except CatalogueError as error:
            if error.code != "locked" or attempt == BUSY_TRIES - 1:
                raise
            time.sleep(BUSY_WAIT)


@contextmanager
def only_run(catalogue: Catalogue, lot_id: str) -> Iterator[None]:
    """Be the only one who works on this lot. Raises CatalogueError lot_busy, no_such_lot."""
    place = folder_of(catalogue, lot_id)
    place.mkdir(parents=True, exist_ok=True)
    try:
        lock = only_writer(place)
        lock.__enter__()
    except CatalogueError as error:
        if error.code != "locked":
            raise
        raise CatalogueError(
            "lot_busy", f"lot {lot_id} is being worked on", "wait until that run has ended; it does all of the lot"
        ) from None
    try:
        _listed_still(catalogue, lot_id, place)
        yield
    finally:
        lock.__exit__(None, None, None)


def _listed_still(catalogue: Catalogue, lot_id: str, place: Path) -> None:
    """Raises CatalogueError no_such_lot for a lot that was taken away just before; its folder must not come again."""
    try:
        lot(catalogue, lot_id)
    except CatalogueError:
        shutil.rmtree(place, ignore_errors=True)
        raise


def items(catalogue: Catalogue, lot_id: str, state: State | None = None) -> tuple[ItemRow, ...]:
    """Items by number, which is the order in which they were met."""
    query = select(*LotItem.__table__.columns).where(LotItem.lot_id == lot_id).order_by(LotItem.number)
    if state is not None:
        query = query.where(LotItem.state == state)
    with catalogue.reading() as connection:
        rows = [dict(row._mapping) for row in connection.execute(query)]
    return tuple(ItemRow(**{**row, "path": Path(os.fsdecode(row["path"]))}) for row in rows)


def add_items(catalogue: Catalogue, rows: Sequence[ItemRow]) -> None:
    """Add items, or give those of the same path and page their new content and state."""
    with catalogue.noting() as connection:
        for row in rows:
            values = {**asdict(row), "path": os.fsencode(row.path)}
            same = (LotItem.lot_id == row.lot_id) & (LotItem.number == row.number)
            if not connection.execute(update(LotItem).where(same).values(values)).rowcount:
                connection.execute(insert(LotItem).values(values))


def queue_new(catalogue: Catalogue, lot_id: str, rows: Sequence[ItemRow]) -> int:
    """Add items under the next numbers, but for those of a name and content that the lot has; how many were added.

    Numbered inside the transaction, so that two requests at the same moment never give one number.
    """
    with catalogue.noting() as connection:
        columns = (LotItem.number, LotItem.name, LotItem.sha256, LotItem.page, LotItem.path)
        held = connection.execute(select(*columns).where(LotItem.lot_id == lot_id)).all()
        known = {(row.name, row.sha256, row.page) for row in held}
        paths = {(row.path, row.page) for row in held}
        number, added = max((row.number for row in held), default=0), 0
        for row in rows:
            path, same = os.fsencode(row.path), (row.name, row.sha256, row.page)
            if (row.sha256 and same in known and row.state == "queued") or (path, row.page) in paths:
                continue
            known.add(same)
            paths.add((path, row.page))
            number, added = number + 1, added + 1
            connection.execute(insert(LotItem).values({**asdict(row), "number": number, "path": path}))
        if added:
            connection.execute(update(Lot).where(Lot.lot_id == lot_id).values(compared=""))
    return added


def counts(catalogue: Catalogue, lot_id: str) -> dict[str, int]:
    """Items by state."""
    query = select(LotItem.state, func.count()).where(LotItem.lot_id == lot_id).group_by(LotItem.state)
    with catalogue.reading() as connection:
        found = {state: int(number) for state, number in connection.execute(query)}
    return {state: found.get(state, 0) for state in ("queued", "done", "failed")}


def requeue(catalogue: Catalogue, lot_id: str, numbers: Sequence[int] | None = None) -> int:
    """Put failed items into the queue again; returns how many."""
    which = (LotItem.lot_id == lot_id) & (LotItem.state == "failed")
    if numbers is not None:
        which &= LotItem.number.in_(numbers)
    with catalogue.noting() as connection:
        return connection.execute(update(LotItem).where(which).values(state="queued", code="", message="")).rowcount


def keep_answer(catalogue: Catalogue, item: ItemRow, fingerprint: str, answer: PhotoAnswer) -> None:
    """Store what was found, and the state of every item of this content, in one transaction.

    What was found before is gone with all that rests on it: its cards may have had other outlines.
    """
    with catalogue.noting() as connection:
        told = {"lot_id": item.lot_id, "sha256": item.sha256, "page": item.page, "fingerprint": fingerprint}
        where = [getattr(LotAnswer, name) == told[name] for name in ("lot_id", "sha256", "page")]
        if connection.execute(delete(LotAnswer).where(*where)).rowcount:
            own = key_of_card(item.sha256, item.page, "")
            akin = LotPair.first.startswith(own) | LotPair.second.startswith(own)
            connection.execute(delete(LotPair).where(LotPair.lot_id == item.lot_id, akin))
            connection.execute(update(Lot).where(Lot.lot_id == item.lot_id).values(compared=""))
        connection.execute(insert(LotAnswer).values(**told, answer=to_json(answer)))
        same = (LotItem.sha256 == item.sha256) & (LotItem.page == item.page) & (LotItem.lot_id == item.lot_id)
        connection.execute(update(LotItem).where(same).values(state="done", code="", message=""))


def set_done(catalogue: Catalogue, lot_id: str, numbers: Sequence[int]) -> None:
    """Of items whose content has been answered."""
    with catalogue.noting() as connection:
        for number in numbers:
            which = (LotItem.lot_id == lot_id) & (LotItem.number == number)
            connection.execute(update(LotItem).where(which).values(state="done", code="", message=""))


def fail(catalogue: Catalogue, item: ItemRow, code: str, message: str, whole_content: bool = True) -> None:
    """Note why an item failed; whole_content: so does every item of this content."""
    same = (LotItem.lot_id == item.lot_id) & (LotItem.number == item.number)
    if whole_content:
        same = (LotItem.lot_id == item.lot_id) & (LotItem.sha256 == item.sha256) & (LotItem.page == item.page)
    with catalogue.noting() as connection:
        connection.execute(update(LotItem).where(same).values(state="failed", code=code, message=message))


def answers(catalogue: Catalogue, lot_id: str) -> dict[tuple[str, int], PhotoAnswer]:
    """The answer about each content and page."""
    query = select(LotAnswer.sha256, LotAnswer.page, LotAnswer.answer).where(LotAnswer.lot_id == lot_id)
    with catalogue.reading() as connection:
        return {(row.sha256, row.page): from_json(row.answer) for row in connection.execute(query)}


def answered(catalogue: Catalogue, lot_id: str, fingerprint: str) -> set[tuple[str, int]]:
    """Contents and pages that this fingerprint has answered."""
    query = select(LotAnswer.sha256, LotAnswer.page).where(
        LotAnswer.lot_id == lot_id, LotAnswer.fingerprint == fingerprint
    )
    with catalogue.reading() as connection:
        return {(row.sha256, row.page) for row in connection.execute(query)}


def pairs(catalogue: Catalogue, lot_id: str) -> tuple[PairRow, ...]:
    names = [getattr(LotPair, name) for name in PairRow.__dataclass_fields__]
    query = select(*names).where(LotPair.lot_id == lot_id).order_by(LotPair.first, LotPair.second)
    with catalogue.reading() as connection:
        return tuple(PairRow(**row._mapping) for row in connection.execute(query))


def keep_pairs(catalogue: Catalogue, lot_id: str, rows: Sequence[PairRow]) -> None:
    with catalogue.noting() as connection:
        for row in rows:
            same = (LotPair.first == row.first) & (LotPair.second == row.second)
            connection.execute(delete(LotPair).where(LotPair.lot_id == lot_id, same))
            connection.execute(insert(LotPair).values(lot_id=lot_id, **asdict(row)))


def skipped(catalogue: Catalogue, lot_id: str) -> set[str]:
    """Cards that were put off."""
    with catalogue.reading() as connection:
        return set(connection.execute(select(LotSkip.card).where(LotSkip.lot_id == lot_id)).scalars())


def set_skipped(catalogue: Catalogue, lot_id: str, cards: Sequence[str], skip: bool) -> None:
    with catalogue.noting() as connection:
        connection.execute(delete(LotSkip).where(LotSkip.lot_id == lot_id, LotSkip.card.in_(cards)))
        if skip and cards:
            connection.execute(insert(LotSkip), [{"lot_id": lot_id, "card": card} for card in cards])


def forget(catalogue: Catalogue, lot_id: str) -> None:
    """Remove a lot's working state; decisions that were taken on it stay."""
    with catalogue.noting() as connection:
        _forget(connection, lot_id)


def _forget(connection: Connection, lot_id: str) -> None:
    for model in (LotSkip, LotPair, LotAnswer, LotItem, Lot):
        connection.execute(delete(model).where(model.lot_id == lot_id))
