"""What every address works with, and how a photo is answered: `Service` is made once, when the application starts."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from typing import Annotated, cast

from fastapi import Depends, Request

from api.board import Board
from api.comparison_cache import ComparisonCache
from api.lot_worker import LotWorker
from api.problems import PROBLEMS, Problem
from api.upload import Upload
from api.work_queue import WorkQueue
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.zipped import Limits
from matcher.catalogue.records.name_search import Names
from matcher.core.parallel.elsewhere import Apart
from matcher.core.strip import stripped
from matcher.jobs.job import Job, JobResult
from matcher.jobs.listing.assess import Assessors


@dataclass(frozen=True)
class Service:
    """What the addresses work with.

    timeout: seconds to wait for one answer. names, assessors: kept ready for searching and for listings.
    pictures: where pictures that somebody gave are decoded, apart from the service. drawing: how many of our own, faces
    and negatives, may be drawn at once. tokens_needed: whether requests have to come with a token, see
    `access`. lots: works on what was sent together. board: what
    health says. comparisons: those whose pictures are still asked for.
    importing: one import at a time; unpacking: how much its zip may hold. share: of the disk, for one person's lots.
    writers: how many may decide at once.
    """

    catalogue: Catalogue
    queue: WorkQueue
    timeout: float
    versions: dict[str, str]
    pictures: Apart
    drawing: threading.Semaphore
    names: Names
    assessors: Assessors
    lots: LotWorker
    board: Board
    tokens_needed: bool = False
    comparisons: ComparisonCache = field(default_factory=ComparisonCache)
    importing: threading.Semaphore = field(default_factory=threading.Semaphore)
    unpacking: Limits = field(default_factory=Limits)
    share: float = 0.5
    writers: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(WRITERS))


async def the_service(request: Request) -> Service:
    """The running service that a request came to; on the loop, since a plain function would wait for a thread."""
    return cast(Service, request.app.state.service)


ServiceNow = Annotated[Service, Depends(the_service)]


WRITERS = 8
"""Decisions that may wait for the database's writer at once: each keeps one of the threads that all addresses share."""

TURN_S = 20.0


async def writers_turn(service: ServiceNow) -> AsyncIterator[None]:
    """Wait, without keeping a thread, until few enough others are deciding. Raises Problem locked."""
    try:
        async with asyncio.timeout(TURN_S):
            await service.writers.acquire()
    except TimeoutError:
        raise Problem("locked") from None
    try:
        yield
    finally:
        service.writers.release()


async def as_kept(service: Service, photo: Upload, strip: bool) -> Upload:
    """A photo that came, as it is to be kept: byte for byte, or without what its file says of itself.

    Raises UnreadablePhoto, and PlatekinError timeout, worker_lost, too_much_memory.
    """
    if not strip:
        return photo
    bare = await service.pictures.answer(stripped, photo.data, service.catalogue.settings.photo, photo.name)
    return replace(photo, data=bare)


Turn = Depends(writers_turn)
"""Of an address that decides: so that many who wait for a busy catalogue leave threads to those who only read."""


async def answered(service: Service, job: Job) -> JobResult:
    """What a worker says of a photo; that it shows no card is an answer. Raises Problem for what is wrong with it."""
    result = await service.queue.answer(job, service.timeout)
    error = result.answer.error
    if error and error.code != "no_card":
        raise Problem(error.code, error.message if error.code in PROBLEMS else "")
    return result
