"""`POST /v1/listings`: what it answers, and what it refuses."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.listings.shapes import Listing
from matcher.jobs.listing.batch import MOST_PHOTOS
from tests.support.service import check_problem, service

PHOTO = ("photo", ("C:\\a.jpg", b"a photo", "text/html"))


def send(client: TestClient, text: str | None, *photos: Any) -> Any:
    return client.post("/v1/listings", data={} if text is None else {"text": text}, files=list(photos))


def test_a_listing_is_weighed(client: TestClient) -> None:
    answer = send(client, "Sitter 1, faded <script>x</script> https://example.org", PHOTO, PHOTO)
    assert answer.status_code == 200, answer.text
    found = Listing.model_validate(answer.json())
    assert [claim.kind for claim in found.claims] == ["subject", "condition"]
    assert found.claims[0].status == "agrees"
    assert [photo.photo for photo in found.photos] == ["a.jpg", "a.jpg"]
    assert found.text.startswith("Sitter 1")
    assert answer.headers["content-type"] == "application/json"


def test_a_photo_that_cannot_be_read_is_told_and_the_others_go_on(client: TestClient) -> None:
    bad = ("photo", ("b.jpg", b"fail truncated", "image/jpeg"))
    found = send(client, "Sitter 1", bad, PHOTO).json()
    assert found["photos"][0]["error"]["code"] == "truncated"
    assert found["verdict"]["step"] == "in accord"
    assert "b.jpg: it fails" in found["notes"]


@pytest.mark.parametrize(
    ("text", "photos", "status", "code"),
    [
        ("", [PHOTO], 422, "empty_text"),
        (None, [PHOTO], 422, "validation"),
        ("x" * 1_000_002, [PHOTO], 413, "text_too_large"),
        ("Sitter 1", [("photo", ("a.jpg", b"x"))] * (MOST_PHOTOS + 1), 422, "too_many_photos"),
        ("Sitter 1", [("picture", ("a.jpg", b"x"))], 422, "validation"),
        ("Sitter 1", [("photo", ("a.jpg", b"fail worker_lost"))], 503, "worker_lost"),
    ],
)
def test_what_is_refused(client: TestClient, text: str | None, photos: list[Any], status: int, code: str) -> None:
    check_problem(send(client, text, *photos), status, code)


def test_no_photo_and_no_form(client: TestClient) -> None:
    body = b'--b\r\nContent-Disposition: form-data; name="text"\r\n\r\nSitter 1\r\n--b--\r\n'
    sent = client.post("/v1/listings", content=body, headers={"Content-Type": "multipart/form-data; boundary=b"})
    check_problem(sent, 422, "no_photo")
    check_problem(client.post("/v1/listings", json={"text": "x"}), 415, "not_multipart")


def test_a_vocabulary_that_is_bad_is_the_owners_affair(library: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(library, tmp_path / "catalogue")
    with service(folder) as client:
        (folder / "vocabulary.json").write_text("{")
        check_problem(send(client, "Sitter 1", PHOTO), 500, "bad_vocabulary")
        (folder / "vocabulary.json").unlink()
        assert send(client, "Sitter 1", PHOTO).status_code == 200
