"""Records and images over HTTP: pages, filters, and pictures without their metadata."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from matcher.catalogue import Catalogue
from tests.support.enrolling import run
from tests.support.service import check_problem, service


def test_lists_records(client: TestClient) -> None:
    body = client.get("/v1/records").json()
    assert body["total"] == 4
    assert [item["record_id"] for item in body["items"]] == ["V000", "V001", "V002", "V003/b"]
    assert body["items"][0] == {
        "record_id": "V000",
        "subject": "Sitter 0",
        "pose": "P000",
        "crop": "A",
        "caption": "SITTER 0, Oakmere",
        "club": "Oakmere",
        "issuer": "",
        "year": "",
        "note": "",
        "extra": {"references": "7"},
        "series": "",
        "mark": "",
        "caption_place": "",
        "format": "",
    }


@pytest.mark.parametrize(
    ("query", "total", "ids"),
    [
        ({"limit": 1, "offset": 1}, 4, ["V001"]),
        ({"offset": 9}, 4, []),
        ({"subject": "sitter 1"}, 2, ["V002", "V003/b"]),
        ({"pose": "P000"}, 2, ["V000", "V001"]),
        ({"pose": "p000"}, 0, []),
        ({"q": "STAINED"}, 1, ["V001"]),
        ({"q": "sitter", "pose": "P001", "limit": 1}, 2, ["V002"]),
    ],
)
def test_finds_records(client: TestClient, query: dict[str, Any], total: int, ids: list[str]) -> None:
    body = client.get("/v1/records", params=query).json()
    assert (body["total"], [item["record_id"] for item in body["items"]]) == (total, ids)


@pytest.mark.parametrize(
    ("query", "name"),
    [
        ({"limit": 0}, "limit"),
        ({"limit": 501}, "limit"),
        ({"offset": -1}, "offset"),
        ({"q": "x" * 201}, "q"),
        ({"q": "\x00"}, "q"),
        ({"sitter": "x"}, "sitter"),
    ],
)
def test_tells_what_is_wrong_with_a_query(client: TestClient, query: dict[str, Any], name: str) -> None:
    body = check_problem(client.get("/v1/records", params=query), 422, "validation")
    assert [(error["in"], error["name"]) for error in body["errors"]] == [("query", name)]


def test_shows_a_record_with_its_references(client: TestClient) -> None:
    body = client.get("/v1/records/V000").json()
    assert body["caption"] == "SITTER 0, Oakmere"
    first, second = body["references"]
    assert (first["id"], first["name"], first["copy"]) == (1, "scan0.png", "first")
    assert (second["id"], second["copy"]) == (2, None)
    assert first["quad"] == [[0, 0], [276, 0], [276, 480], [0, 480]]
    assert first["image"] == "/v1/references/1/image"
    assert client.get("/v1/records/V003%2Fb").json()["record_id"] == "V003/b"


@pytest.mark.parametrize("address", ["/v1/records/V999", "/v1/references/999/image"])
def test_what_is_not_in_the_catalogue(client: TestClient, library: Path, address: str) -> None:
    response = client.get(address)
    check_problem(response, 404, "no_such_record" if "records" in address else "no_such_reference")
    assert str(library) not in response.text


@pytest.mark.parametrize("number", ["0", "-1", "x", str(2**63)])
def test_no_such_number_of_a_reference(client: TestClient, number: str) -> None:
    check_problem(client.get(f"/v1/references/{number}/image"), 422, "validation")


def test_an_image_comes_upright_small_and_without_its_metadata(client: TestClient, library: Path) -> None:
    reference = client.get("/v1/records/V003%2Fb").json()["references"][0]
    with Catalogue.open(library) as catalogue:
        stored = catalogue.image_path(catalogue.reference(reference["id"])).read_bytes()
    assert b"SECRET-SERIAL" in stored
    assert Image.open(io.BytesIO(stored)).getexif().get_ifd(0x8825)
    response = client.get(reference["image"])
    assert response.headers["content-type"] == "image/jpeg"
    assert response.headers["x-content-type-options"] == "nosniff"
    assert b"SECRET" not in response.content
    assert b"Exif" not in response.content
    image = Image.open(io.BytesIO(response.content))
    assert (image.format, image.size) == ("JPEG", (960, 1600))
    assert not image.getexif()
    assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_an_image_is_sent_once(client: TestClient) -> None:
    first = client.get("/v1/references/1/image")
    tag = first.headers["etag"]
    assert client.get("/v1/records/V000").json()["references"][0]["sha256"] in tag
    for named in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get("/v1/references/1/image", headers={"If-None-Match": named})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get("/v1/references/1/image", headers={"If-None-Match": '"other"'}).content == first.content


def test_a_lost_or_changed_image_is_told_without_its_place(scans: Path, caplog: pytest.LogCaptureFixture) -> None:
    run(scans / "RECORDS.csv", scans / "catalogue")
    with Catalogue.open(scans / "catalogue") as catalogue:
        paths = [catalogue.image_path(reference) for reference in catalogue.references()]
    paths[0].unlink()
    paths[1].write_bytes(paths[2].read_bytes())
    with service(scans / "catalogue") as client:
        for number in (1, 2):
            response = client.get(f"/v1/references/{number}/image")
            check_problem(response, 500, "damaged")
            assert "catalogue/" not in response.text
    assert "there is no such file" in caplog.text
