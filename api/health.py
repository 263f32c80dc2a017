"""`GET /v1/health`: how the service is: its catalogue, its queue, its stored index, its versions."""

from __future__ import annotations

from dataclasses import asdict
from typing import Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api.access import allow
from api.board import Facts
from api.problems import ACCESS, STORAGE, documented
from api.work_queue import Load

router = APIRouter(prefix="/v1")


class CatalogueHealth(BaseModel):
    records: int
    references: int
    copies: int
    poses: int
    subjects: int


class QueueHealth(BaseModel):
    workers: int
    limit: int = Field(description="Photos that may wait beyond those being worked on.")
    working: int
    waiting: int
    state: Literal["starting", "ready", "failing"]


class IndexHealth(BaseModel):
    references: int = Field(description="References in the stored index.")
    kind: str | None
    current: bool = Field(description="False: each worker makes the index anew when it starts; enrol to store it.")


class Health(BaseModel):
    status: Literal["ok", "starting", "failing"]
    versions: dict[str, str]
    catalogue: CatalogueHealth
    queue: QueueHealth
    index: IndexHealth


@router.get("/health", operation_id="health", summary="Say how the service is",
            responses=documented(*ACCESS, *STORAGE))  # fmt: skip
async def health(request: Request) -> Health:
    """At once, from what was looked up within the last second: neither a thread nor the database is waited for."""
    allow(request, "read")
    service = request.app.state.service
    return health_of(service.board.facts(), service.queue.load(), service.versions)


def health_of(facts: Facts, load: Load, versions: dict[str, str]) -> Health:
    """How the service is; an empty catalogue is healthy too."""
    return Health(
        status="ok" if load.state == "ready" else load.state,
        versions=versions,
        catalogue=CatalogueHealth(**asdict(facts.counts)),
        queue=QueueHealth(**asdict(load)),
        index=IndexHealth(**asdict(facts.index)),
    )
