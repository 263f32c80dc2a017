"""Files of several pages over HTTP: each page can be asked about, and how many there are is told.

A TIFF's pages are its image file directories, one after the other (TIFF 6.0, section 2); Pillow writes them.
"""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from api.app import create_app
from api.settings import ServiceSettings
from matcher.core.answer import PhotoAnswer
from matcher.core.identify import Identification
from matcher.core.photo import read_photo
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot.pictures import PagePicture, alone, bring_page
from tests.support import fake_work
from tests.support.cards import card
from tests.support.service import check_problem


@pytest.fixture(scope="module")
def two_pages() -> bytes:
    out = io.BytesIO()
    first, second = (Image.new("RGB", (300, 400), color) for color in ("white", "black"))
    first.save(out, "TIFF", save_all=True, append_images=[second])
    return out.getvalue()


def ask(client: TestClient, address: str, data: bytes, **more: Any) -> Any:
    return client.post(address, files={"photo": ("two.tif", data)}, **more)


def test_each_page_of_a_file_can_be_identified(client: TestClient, two_pages: bytes) -> None:
    first = ask(client, "/v1/identify", two_pages).json()
    second = ask(client, "/v1/identify?page=2", two_pages).json()
    assert [(one["photo"], one["pages"]) for one in (first, second)] == [("two.tif#page=1", 2), ("two.tif#page=2", 2)]
    problem = check_problem(ask(client, "/v1/identify?page=3", two_pages), 422, "validation")
    assert problem["errors"] == [{"in": "query", "name": "page", "detail": "the file has 2: say a number up to that"}]
    assert "pages" not in ask(client, "/v1/identify", b"one picture").json()


def test_a_comparison_tells_how_many_pages_there_are(client: TestClient, two_pages: bytes) -> None:
    made = ask(client, "/v1/comparisons?page=2", two_pages)
    assert made.status_code == 201, made.text
    assert made.json()["identification"]["pages"] == 2


@pytest.mark.parametrize("address", ["finds", "sightings"])
def test_a_page_that_something_is_decided_of_is_stored_as_a_picture(
    folder: Path, two_pages: bytes, address: str
) -> None:
    outcome = "new_crop" if address == "finds" else "known"

    def work(job: Job) -> JobResult:
        photo = read_photo(job.source, name=job.name, page=job.page)
        assert job.preparation is alone
        photo = alone(photo, None)  # type: ignore[arg-type]
        crop = {"crop": "A", "record_id": "V000"} if outcome == "known" else {}
        shown = card(outcome, 100, 170, pose="P000", **crop)
        answer = PhotoAnswer(job.name, photo.sha256, 300, 400, None, (shown,), versions())
        return JobResult(answer, (bring_page(job.name, Identification(photo, ()), None),))  # type: ignore[arg-type]

    app = create_app(ServiceSettings(catalogue=folder, workers=1), work=work, **fake_work.QUICK)
    with TestClient(app) as client:
        made = ask(client, f"/v1/{address}?page=2", two_pages, headers={"Idempotency-Key": "k"})
        assert (made.status_code, made.json()["pages"]) == (201, 2), made.text
        picture = client.get("/v1/finds/F00001/image" if address == "finds" else "/v1/sightings/1/image")
        assert Image.open(io.BytesIO(picture.content)).convert("L").getextrema()[1] < 10  # the black one


def test_every_page_of_a_listings_pictures_is_looked_at(client: TestClient, two_pages: bytes) -> None:
    found = client.post("/v1/listings", data={"text": "Sitter 1"}, files=[("photo", ("two.tif", two_pages))]).json()
    assert [photo["photo"] for photo in found["photos"]] == ["two.tif#page=1", "two.tif#page=2"]


def test_a_page_that_is_kept_is_a_picture_of_its_own(two_pages: bytes) -> None:
    """The answer holds for the very bytes that are kept: their SHA-256 is the answer's."""
    photo = alone(read_photo(two_pages, name="two.tif", page=1), None)  # type: ignore[arg-type]
    found = Identification(photo, ())
    brought = bring_page("two.tif#page=2", found, None)  # type: ignore[arg-type]
    assert isinstance(brought, PagePicture)
    assert hashlib.sha256(brought.data).hexdigest() == photo.sha256
    assert Image.open(io.BytesIO(brought.data)).getpixel((5, 5)) == (0, 0, 0)
