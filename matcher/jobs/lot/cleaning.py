"""What lots take up on the disk: how much whose, how much they may, and what is cleared away when nobody wants it."""

from __future__ import annotations

import shutil
import time
from contextlib import suppress
from datetime import UTC, datetime

from sqlalchemy import func, select

from matcher.catalogue import Catalogue
from matcher.catalogue.tables.lots import Lot, LotItem
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import store

DAY_S = 24 * 3600.0
KEPT_DAYS = 30
"""How long a lot that was ended, and photos that belong to no lot, are kept; own choice."""


def forget_lot(catalogue: Catalogue, lot_id: str) -> None:
    """Remove a lot with its photos and faces; what was decided stays. Raises CatalogueError no_such_lot, lot_busy."""
    store.lot(catalogue, lot_id)
    with store.only_run(catalogue, lot_id):
        store.forget(catalogue, lot_id)
        shutil.rmtree(store.folder_of(catalogue, lot_id), ignore_errors=True)


def clear_old(catalogue: Catalogue, days: float = KEPT_DAYS) -> int:
    """Remove lots that were sent here, ended, and not touched since, and folders of lots that are none; how many."""
    place, cleared, before = catalogue.folder / store.FOLDER, 0, time.time() - days * DAY_S
    rows = {row.lot_id: row for row in store.lots(catalogue)}
    for lot_id, row in rows.items():
        if row.served and row.state == "cancelled" and _last_touched(catalogue, row) < before:
            with suppress(CatalogueError):  # somebody is at work on it: another day
                forget_lot(catalogue, lot_id)
                cleared += 1
    for folder in sorted(place.glob("L*")) if place.is_dir() else []:
        if folder.is_dir() and folder.name not in rows and folder.stat().st_mtime < before:
            shutil.rmtree(folder, ignore_errors=True)
            cleared += 1
    return cleared


def used_by(catalogue: Catalogue, who: str | None = None) -> int:
    """Bytes of photos that one person, or everybody, has sent as lots."""
    query = select(func.max(LotItem.size)).join(Lot, Lot.lot_id == LotItem.lot_id).where(Lot.served.is_(True))
    query = query if who is None else query.where(Lot.who == who)
    with catalogue.reading() as connection:
        return sum(connection.execute(query.group_by(LotItem.lot_id, LotItem.path)).scalars())


def check_share(catalogue: Catalogue, who: str, more_bytes: int, share: float) -> None:
    """Refuse what would take more than a person's share of what is free or taken by lots. Raises CatalogueError."""
    room = used_by(catalogue) + shutil.disk_usage(catalogue.folder).free
    own = used_by(catalogue, who)
    if own + more_bytes > share * room:
        told = (
            f"{who} would take {(own + more_bytes) / 1e6:,.0f} MB for lots, and may take {share * room / 1e6:,.0f} MB"
        )
        raise CatalogueError("share_used_up", told, "take away lots that are done")


def _last_touched(catalogue: Catalogue, row: store.LotRow) -> float:
    made = row.made_at.astimezone(UTC) if row.made_at else datetime.now(UTC)
    try:
        return max(made.timestamp(), store.folder_of(catalogue, row.lot_id).stat().st_mtime)
    except OSError:
        return made.timestamp()
