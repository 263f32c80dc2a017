"""Settings in, the FastAPI application out: `create_app` puts all the parts together."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from api import comparisons, guards, page, problems, scans, session, viewing
from api.exchange import router as exchange
from api.growth import router as growth
from api.listings import router as listings
from api.lot_worker import LotWorker
from api.lots import router as lots_router
from api.queue import Work, WorkQueue
from api.routes import Service, router
from api.schemas import ProblemDetails
from api.seen import router as seen
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.zipped import Limits
from matcher.catalogue.records.name_search import Names
from matcher.core.answer_json import CAUTIONS
from matcher.core.settings import Settings
from matcher.core.versions import versions
from matcher.jobs import workers
from matcher.jobs.listing.assess import Assessors
from matcher.jobs.lot.job_queue import LotQueue

IMAGES_AT_ONCE = 2
"""Reference images decoded at once: one of 200 million pixels takes almost a gigabyte."""

MakePool = Callable[[Path, Settings, int], Executor]


def create_app(
    settings: ServiceSettings | None = None, *, work: Work = workers.run, make_pool: MakePool = workers.pool
) -> FastAPI:
    """The service; without settings, they are read from PLATEKIN_... variables.

    work, make_pool: what is done with a photo, and the processes it is done in; see `matcher.jobs.workers`.
    The catalogue and the processes are opened when the application starts and closed when it stops.
    """
    chosen = settings or ServiceSettings()
    made_with = versions()
    app = FastAPI(
        title="platekin",
        version=made_with["platekin"],
        description="\n\n".join(CAUTIONS),
        lifespan=_lifespan(chosen, made_with, work, make_pool),
        docs_url=None,  # these pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
    )
    app.include_router(router)
    for more in (exchange, seen, growth, lots_router, listings):  # /v1/exports/catalogue.zip before /v1/exports/{name}
        app.include_router(more)
    for subject in (scans, comparisons, viewing, session):
        app.include_router(subject.router)
    page.install(app, chosen)
    problems.install(app)
    # The one added last stands outermost.
    app.add_middleware(guards.BodyLimit, most=chosen.max_body_bytes, imports=chosen.max_import_bytes)
    app.add_middleware(guards.SameSite)
    app.add_middleware(guards.KnownHost, hosts=frozenset(name.lower() for name in chosen.allowed_hosts))
    app.add_middleware(guards.LastResort)
    app.add_middleware(guards.Headers)
    app.openapi = partial(_openapi, app)  # type: ignore[method-assign]
    return app


def _lifespan(
    settings: ServiceSettings, made_with: dict[str, str], work: Work, make_pool: MakePool
) -> Callable[[FastAPI], Any]:
    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        matching, processes = settings.matching, settings.processes
        with Catalogue.open(settings.catalogue, settings=matching) as catalogue:
            start = partial(make_pool, settings.catalogue, matching, processes)
            queue = WorkQueue(start, work, processes, settings.queue_limit)
            decoding = threading.Semaphore(IMAGES_AT_ONCE)
            lots = LotWorker(LotQueue(catalogue, matching), queue, processes, settings.request_timeout_s)
            app.state.service = Service(
                catalogue,
                queue,
                settings.request_timeout_s,
                made_with,
                decoding,
                Names(catalogue),
                Assessors(catalogue),
                settings.tokens_needed,
                lots=lots,
                unpacking=Limits(most_bytes=settings.max_unpacked_bytes),
            )
            app.state.scans = settings.scans and settings.scans.resolve()
            working = asyncio.create_task(lots.run())
            try:
                yield
            finally:
                working.cancel()
                await asyncio.gather(working, return_exceptions=True)
                await lots.close()
                queue.close()

    return lifespan


def _openapi(app: FastAPI) -> dict[str, Any]:
    """FastAPI's description, with the problem details that all addresses share."""
    if not app.openapi_schema:
        described = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        shared = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}", by_alias=True)
        schemas = described["components"]["schemas"]
        schemas.update(shared.pop("$defs", {}), ProblemDetails=shared)
        app.openapi_schema = described
    return app.openapi_schema
