"""Files of several pages, TIFF and PDF: which page a request is about, and how many there are."""

from __future__ import annotations

from dataclasses import dataclass, replace

from starlette.concurrency import run_in_threadpool

from api.problems import Fault, Problem
from api.service import Service
from api.upload import Upload
from matcher.core.answer import Quad
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot.discovery import count_pages
from matcher.jobs.lot.pictures import PagePicture, alone, bring_page


@dataclass(frozen=True)
class Paged:
    """A page to be identified. pages: how many its file has."""

    job: Job
    pages: int

    def of(self, photo: Upload) -> Paged:
        """The same page of the photo as it is to be kept."""
        return replace(self, job=replace(self.job, source=photo.data))

    @property
    def as_picture(self) -> Job:
        """The same; a page of several as a picture of its own, which `picture_of` hands out."""
        if self.pages == 1:
            return self.job
        return replace(self.job, preparation=alone, steps=(*self.job.steps, bring_page))


async def page_asked(
    service: Service, photo: Upload, page: int, quad: Quad | None = None, upright: bool = False
) -> Paged:
    """The page that a request names, from 1. Raises Problem validation where the file has fewer."""
    pages = await run_in_threadpool(count_pages, photo.data, service.catalogue.settings.photo, service.pictures)
    if page > pages:
        raise Problem("validation", faults=[Fault("query", "page", f"the file has {pages}: say a number up to that")])
    return Paged(Job(name_of(photo, page, pages), photo.data, page - 1, quad, upright=upright), pages)


async def every_page(service: Service, photo: Upload) -> list[Job]:
    """All pages of a file, one after the other."""
    first = await page_asked(service, photo, 1)
    numbers = range(1, first.pages + 1)
    return [replace(first.job, name=name_of(photo, number, first.pages), page=number - 1) for number in numbers]


def name_of(photo: Upload, page: int, pages: int) -> str:
    """What a page is called: as RFC 8118 names one, where there are several."""
    return photo.name if pages == 1 else f"{photo.name}#page={page}"


def picture_of(photo: Upload, result: JobResult) -> bytes:
    """The picture for which the answer holds: the file, or its page."""
    page = result.extra(PagePicture)
    return page.data if page else photo.data
