"""`GET /v1/health`: how the service is: its catalogue, its queue, its stored index, its versions."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from api.access import may_read
from api.problems import ACCESS, STORAGE, documented
from api.service import ServiceNow
from api.work_queue import Load
from matcher.catalogue import Catalogue
from matcher.core.describe import fingerprint

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


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
def health(service: ServiceNow) -> Health:
    return health_of(service.catalogue, service.queue.load(), service.versions)


def health_of(catalogue: Catalogue, load: Load, versions: dict[str, str]) -> Health:
    """How the service is; an empty catalogue is healthy too."""
    counts = catalogue.counts()
    return Health(
        status="ok" if load.state == "ready" else load.state,
        versions=versions,
        catalogue=CatalogueHealth(**asdict(counts)),
        queue=QueueHealth(**asdict(load)),
        index=_index(catalogue, counts.references),
    )


def _index(catalogue: Catalogue, references: int) -> IndexHealth:
    """From the stored index's own facts: loading it only to look would cost hundreds of megabytes."""
    try:
        facts = json.loads((catalogue.folder / "index" / "index.json").read_text())
        stored, kind, made_by = int(facts["references"]), str(facts["kind"]), facts["fingerprint"]
    except (OSError, ValueError, KeyError, TypeError):
        return IndexHealth(references=0, kind=None, current=references == 0)
    return IndexHealth(references=stored, kind=kind, current=made_by == fingerprint() and stored == references)
