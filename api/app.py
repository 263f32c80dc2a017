"""Settings in, the FastAPI application out: `create_app` puts all the parts together."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import AsyncIterator, Callable
from concurrent.futures import Executor
from contextlib import asynccontextmanager, closing
from functools import partial
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from api import access, health, middleware, page, problems, session
from api.board import Board
from api.catalogue import records, scarcity, subjects
from api.curation import decisions, finds
from api.exchange import routes as exchange
from api.identify import comparisons
from api.identify import routes as identify
from api.listings import routes as listings
from api.lot_worker import LotWorker
from api.lots import review, scans
from api.lots import routes as lots
from api.problems import ProblemDetails
from api.service import Service
from api.settings import ServiceSettings
from api.sightings import routes as sightings
from api.threads import Threads
from api.work_queue import Work, WorkQueue
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.zipped import Limits
from matcher.catalogue.records.name_search import Names
from matcher.catalogue.records.scratch import clear_scratch
from matcher.core.answer_json import CAUTIONS
from matcher.core.errors import PlatekinError
from matcher.core.parallel.elsewhere import Apart
from matcher.core.parallel.limits import WorkLimits
from matcher.core.settings import Settings
from matcher.core.versions import versions
from matcher.jobs import workers
from matcher.jobs.listing.assess import Assessors
from matcher.jobs.lot.cleaning import DAY_S, clear_old
from matcher.jobs.lot.job_queue import LotQueue

log = logging.getLogger("platekin")

DRAWN_AT_ONCE = 2
"""Faces and negatives drawn at once, on threads that all addresses share."""

SUBJECTS = (
    identify, comparisons, records, subjects, scarcity, finds, decisions, sightings, exchange, lots, review, scans,
    listings, session, health,
)  # fmt: skip
"""Modules whose `router` answers the addresses of one subject."""

MakePool = Callable[[Path, Settings, int, WorkLimits], Executor]
MakePictures = Callable[[WorkLimits], Executor]


def create_app(
    settings: ServiceSettings | None = None, *, work: Work = workers.run, make_pool: MakePool = workers.pool,
    make_pictures: MakePictures = workers.picture_pool,
) -> FastAPI:  # fmt: skip
    """The service; without settings, they are read from PLATEKIN_... variables.

    work, make_pool: what is done with a photo, and the processes it is done in; see `matcher.jobs.workers`.
    make_pictures: the processes in which pictures are decoded that are shown or kept.
    The catalogue and the processes are opened when the application starts and closed when it stops.
    """
    chosen = settings or ServiceSettings()
    made_with = versions()
    app = FastAPI(
        title="platekin",
        version=made_with["platekin"],
        description="\n\n".join(CAUTIONS),
        lifespan=_lifespan(chosen, made_with, work, make_pool, make_pictures),
        docs_url=None,  # these pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
    )
    for subject in SUBJECTS:
        app.include_router(subject.router)
    page.install(app, chosen)
    problems.install(app)
    # The one added last stands outermost.
    app.add_middleware(middleware.UploadRoom, most=chosen.uploads_at_once, apiece=chosen.uploads_apiece)
    app.add_middleware(middleware.KnownMethod, described=lambda: app.openapi()["paths"])
    app.add_middleware(middleware.BodyLimit, most=chosen.max_body_bytes, imports=chosen.max_import_bytes)
    app.add_middleware(middleware.TokenFirst, held=access.held, at_once=access.held_at_once)
    app.add_middleware(middleware.SameSite)
    app.add_middleware(middleware.KnownHost, hosts=frozenset(name.lower() for name in chosen.allowed_hosts))
    if chosen.tokens_needed:
        app.add_middleware(middleware.SlowRefusals)
    app.add_middleware(middleware.LastResort)
    app.add_middleware(middleware.Headers)
    app.openapi = partial(_openapi, app)  # type: ignore[method-assign]
    return app


def _lifespan(
    settings: ServiceSettings, made_with: dict[str, str], work: Work, make_pool: MakePool, make_pictures: MakePictures
) -> Callable[[FastAPI], Any]:
    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        matching, processes = settings.matching, settings.processes
        with (
            closing(Apart(make_pictures(settings.work_limits))) as pictures,
            Catalogue.open(settings.catalogue, settings=matching, elsewhere=pictures) as catalogue,
        ):
            start = partial(make_pool, settings.catalogue, matching, processes, settings.work_limits)
            queue = WorkQueue(start, work, processes, settings.queue_limit)
            threads = Threads()
            lot_worker = LotWorker(LotQueue(catalogue, matching), queue, threads, processes, settings.request_timeout_s)
            board = Board(catalogue, access.look_up)
            await board.look()
            app.state.service = Service(
                catalogue,
                queue,
                settings.request_timeout_s,
                made_with,
                pictures,
                threading.Semaphore(DRAWN_AT_ONCE),
                Names(catalogue),
                Assessors(catalogue),
                lot_worker,
                board,
                settings.tokens_needed,
                unpacking=Limits(most_bytes=settings.max_unpacked_bytes),
                share=settings.share_a_person,
            )
            app.state.scans = settings.scans and settings.scans.resolve()
            looking = asyncio.create_task(board.run())
            working = asyncio.create_task(lot_worker.run())
            clearing = asyncio.create_task(_clear_each_day(catalogue, threads, settings.lots_kept_days))
            try:
                yield
            finally:
                lot_worker.stop()
                tasks = (looking, working, clearing)
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                await threads.ended()
                await board.close()
                queue.close()

    return lifespan


async def _clear_each_day(catalogue: Catalogue, threads: Threads, kept_days: float) -> None:
    """At the start and each day: what killed processes have left, and lots that nobody wants any more."""
    while True:
        for clear in (partial(clear_scratch, catalogue.folder), partial(clear_old, catalogue, kept_days)):
            try:
                await threads.run(clear)
            except (PlatekinError, OSError) as error:
                log.warning("clearing: %s", error)
        await asyncio.sleep(DAY_S)


def _openapi(app: FastAPI) -> dict[str, Any]:
    """FastAPI's description, with the problem details that all addresses share."""
    if not app.openapi_schema:
        described = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        shared = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}", by_alias=True)
        schemas = described["components"]["schemas"]
        schemas.update(shared.pop("$defs", {}), ProblemDetails=shared)
        app.openapi_schema = described
    return app.openapi_schema
