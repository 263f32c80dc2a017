"""Settings of the service: given by the caller, or read from PLATEKIN_... variables, and frozen."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict

from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.processes import usable_processors
from matcher.core.settings import PhotoLimits, Settings

MOST_CANDIDATES = 50
"""What a request may ask for with `top`; workers always rank this many, and the answer is cut to what was asked."""


class ServiceSettings(BaseSettings):
    """All settings of the service; PLATEKIN_QUEUE_LIMIT sets `queue_limit`, and so on."""

    model_config = SettingsConfigDict(env_prefix="PLATEKIN_", frozen=True)

    catalogue: Path = Field(description="The catalogue's folder.")
    workers: int | None = Field(None, ge=1, description="Processes that identify; none given: one a processor.")
    queue_limit: int = Field(8, ge=0, description="Photos that may wait beyond those being worked on.")
    max_body_bytes: int = Field(60_000_000, ge=1, description="Largest body of a request.")
    uploads_at_once: int = Field(16, ge=1, description="Most files that may be on their way here at once.")
    uploads_apiece: int = Field(8, ge=1, description="Most of them from one person, or one machine without a token.")
    max_import_bytes: int = Field(2_000_000_000, ge=1, description="Largest body of an import.")
    max_unpacked_bytes: int = Field(8_000_000_000, ge=1, description="Most that an import's zip may unpack to.")
    share_a_person: float = Field(
        0.5, gt=0, le=1, description="Of what is free or taken by lots, the part that one person's lots may take."
    )
    lots_kept_days: float = Field(30.0, ge=0, description="How long lots that were ended are kept.")
    max_pixels: int = Field(200_000_000, ge=1, description="Largest photo, checked before it is decoded.")
    request_timeout_s: float = Field(120.0, gt=0, description="Longest time that one photo may take.")
    worker_memory_bytes: int = Field(
        3_000_000_000, ge=100_000_000, description="Most memory that one photo may take in a process at work."
    )
    allowed_hosts: tuple[str, ...] = Field(
        (),
        description="Host names that the service answers to; none given: any. A service for this machine only "
        "should name them, or a web page could reach it under a name of its own (DNS rebinding).",
    )

    scans: Path | None = Field(
        None, description="A folder of scans on this machine: it and the folders inside may be taken as lots."
    )
    tokens_needed: bool = Field(False, description="Whether every request needs a token: beyond this machine it does.")

    @property
    def processes(self) -> int:
        return self.workers or usable_processors()

    @property
    def work_limits(self) -> WorkLimits:
        """Of one photo: it ends with its process when nobody would wait for it any more; it goes behind who answers."""
        return WorkLimits(self.request_timeout_s, self.worker_memory_bytes, nice=5)

    @property
    def matching(self) -> Settings:
        """What the stages are told."""
        limits = PhotoLimits(max_bytes=self.max_body_bytes, max_pixels=self.max_pixels)
        return Settings(photo=limits, top=MOST_CANDIDATES)
