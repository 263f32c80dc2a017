"""The HTTP service as a whole: its limits, how it says it is; and its description, tried by schemathesis."""

from __future__ import annotations

import asyncio
import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from PIL import Image
from pydantic import BaseModel
from schemathesis.checks import CHECKS
from schemathesis.generation import GenerationMode
from schemathesis.python.asgi import shutdown_lifespans

from api.app import create_app
from api.identify.shapes import Identification
from api.middleware import BodyLimit
from api.problems import Problem
from api.settings import ServiceSettings
from matcher.core.errors import CatalogueError
from tests.support import fake_work
from tests.support.service import check_problem, picture, queue_of, send, service, wait_until

# Limits


def test_refuses_a_large_body_by_what_it_says_of_itself(library: Path) -> None:
    with service(library, max_body_bytes=1000) as client:
        check_problem(send(client, b"x" * 1001), 413, "body_too_large")
        assert send(client, b"x" * 500).status_code == 200
        for told, status, code in (("9" * 5000, 413, "body_too_large"), ("-1", 400, "bad_request")):
            response = client.post("/v1/identify", content=b"x", headers={"Content-Length": told})
            check_problem(response, status, code)


def test_refuses_a_large_body_that_says_nothing_of_itself(library: Path) -> None:
    begin = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
    with service(library, max_body_bytes=1000) as client:
        headers = {"Content-Type": "multipart/form-data; boundary=x"}
        response = client.post("/v1/identify", content=iter([begin, *[b"x" * 500] * 3]), headers=headers)
        assert "content-length" not in response.request.headers
        body = check_problem(response, 413, "body_too_large")
    assert "0.001 MB" in body["detail"]


def test_reads_no_further_than_the_limit() -> None:
    async def swallow(_: Any, receive: Any, __: Any) -> None:
        while (await receive())["more_body"]:
            pass

    asked = 0

    async def endless() -> dict[str, Any]:
        nonlocal asked
        asked += 1
        return {"type": "http.request", "body": b"x" * 400, "more_body": True}

    async def nobody(_: Any) -> None: ...

    with pytest.raises(Problem):
        asyncio.run(BodyLimit(swallow, 1000)({"type": "http", "path": "/v1/identify", "headers": []}, endless, nobody))
    assert asked == 3


def test_what_is_not_there(client: TestClient) -> None:
    check_problem(client.get("/v1/nothing"), 404, "not_found")
    check_problem(client.get("/docs"), 404, "not_found")
    response = client.get("/v1/identify")
    check_problem(response, 405, "method_not_allowed")
    assert response.headers["allow"] == "POST"


def test_a_lot_by_its_id_leads_to_where_it_is_shown(library: Path) -> None:
    """RFC 9110, 10.2.2: a Location may have a fragment. Anything but a lot's id leads nowhere."""
    with service(library, tokens_needed=True) as client:
        found = client.get("/lot/L00001", follow_redirects=False)
        assert (found.status_code, found.headers["location"]) == (307, "/lot#L00001")
        strange = (
            "l00001", "L1", "L00001x", "L00001%0d%0aX-Other:1", "L00001%0a", "L00001%23x", "L" + "1" * 40, "",
            "L%D9%A1%D9%A1%D9%A1%D9%A1%D9%A1", "%2f%2fother.example", "/other.example", "L00001/%2e%2e/%2e%2e/x",
        )  # fmt: skip
        for told in strange:
            answered = client.get(f"/lot/{told}", follow_redirects=False)
            assert answered.status_code == 404, told
            assert "location" not in answered.headers


def test_answers_only_to_its_own_names(library: Path) -> None:
    with service(library, allowed_hosts=("localhost", "127.0.0.1", "::1")) as client:
        for host in ("localhost:8760", "127.0.0.1", "[::1]:8760", "LOCALHOST"):
            assert client.get("/v1/health", headers={"Host": host}).status_code == 200
        for host in ("cards.example", "localhost.example:8760", "[::2]", ""):
            check_problem(client.get("/v1/health", headers={"Host": host}), 421, "unknown_host")


# The service


def test_says_how_it_is(client: TestClient) -> None:
    wait_until(lambda: client.get("/v1/health").json()["status"] == "ok")
    body = client.get("/v1/health").json()
    assert body["catalogue"] == {"records": 4, "references": 5, "copies": 1, "poses": 2, "subjects": 2}
    assert body["queue"] == {"workers": 1, "limit": 8, "working": 0, "waiting": 0, "state": "ready"}
    assert body["index"] == {"references": 5, "kind": "exact", "current": True}
    assert {"platekin", "opencv-python", "python"} <= set(body["versions"])


def test_every_answer_has_the_security_headers(client: TestClient) -> None:
    for address in ("/v1/health", "/v1/records", "/v1/nothing", "/v1/references/1/image", "/openapi.json"):
        headers = client.get(address).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["content-security-policy"].startswith("default-src 'none'")
        if "json" in headers["content-type"]:
            assert headers["cache-control"] == "no-store"


def test_a_folder_that_is_no_catalogue_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(CatalogueError, match="not a catalogue"), service(tmp_path):
        pass


def test_settings_come_from_the_environment(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLATEKIN_CATALOGUE", str(library))
    monkeypatch.setenv("PLATEKIN_QUEUE_LIMIT", "3")
    monkeypatch.setenv("PLATEKIN_WORKERS", "1")
    with TestClient(create_app(work=fake_work.obey, **fake_work.QUICK)) as client:
        assert queue_of(client)["limit"] == 3


@pytest.mark.slow
def test_the_matcher_itself_answers(library: Path) -> None:
    """From the bytes to the answer: the matcher's own workers, and shapes without a surplus or a gap."""
    photo = io.BytesIO()
    Image.new("RGB", (1200, 900), (90, 70, 50)).save(photo, "PNG")
    with TestClient(create_app(ServiceSettings(catalogue=library, workers=1))) as client:
        response = send(client, photo.getvalue(), "table.png")
        assert response.status_code == 200, response.text
        assert response.json()["error"]["code"] == "no_card"
        check_problem(send(client, b"no picture"), 415, "not_an_image")
        check_problem(send(client, b""), 422, "empty_file")
        card = Image.open(io.BytesIO(photo.getvalue()))
        card.paste(picture(3, (365, 635)), (300, 120))
        card.save(photo := io.BytesIO(), "PNG")
        response = send(client, photo.getvalue(), "card.png")
        assert response.status_code == 200, response.text
        assert_nothing_extra(Identification.model_validate(response.json()))


def assert_nothing_extra(value: object) -> None:
    if isinstance(value, BaseModel):
        assert not value.model_extra, f"{type(value).__name__} does not document {value.model_extra}"
        for name in type(value).model_fields:
            assert_nothing_extra(getattr(value, name))
    elif isinstance(value, list):
        for item in value:
            assert_nothing_extra(item)


# The description, tried out (schemathesis 4)


@pytest.fixture(scope="session")
def described(library: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    own = shutil.copytree(
        library, tmp_path_factory.mktemp("described") / "catalogue"
    )  # requests that are made up add lots
    settings = ServiceSettings(catalogue=Path(own), workers=1)
    app = create_app(settings, work=fake_work.obey, **fake_work.QUICK)
    yield schemathesis.openapi.from_asgi("/openapi.json", app)
    shutdown_lifespans()


ADDRESSES = {
    ("GET", "/v1/records"),
    ("GET", "/v1/records/{record_id}"),
    ("GET", "/v1/references/{reference_id}/image"),
    ("GET", "/v1/health"),
    ("POST", "/v1/identify"),
    ("POST", "/v1/listings"),
    ("GET", "/v1/finds"),
    ("POST", "/v1/finds"),
    ("GET", "/v1/finds/{find_id}"),
    ("GET", "/v1/finds/{find_id}/image"),
    ("GET", "/v1/decisions"),
    ("POST", "/v1/decisions"),
    ("DELETE", "/v1/lots/{lot_id}"),
    ("GET", "/v1/decisions/{number}"),
    ("GET", "/v1/search"),
    ("GET", "/v1/series"),
    ("GET", "/v1/formats"),
    ("GET", "/v1/scarcity"),
    ("GET", "/v1/gaps"),
    ("GET", "/v1/exports/{name}"),
    ("GET", "/v1/check"),
    ("GET", "/v1/exports/catalogue.zip"),
    ("GET", "/v1/backup.zip"),
    ("POST", "/v1/imports/bag"),
    ("POST", "/v1/imports/log"),
    ("POST", "/v1/imports/table"),
    ("POST", "/v1/imports/table/preview"),
    ("POST", "/v1/sightings"),
    ("GET", "/v1/sightings/{number}/image"),
    ("GET", "/v1/scarcity.svg"),
    ("POST", "/v1/comparisons"),
    ("POST", "/v1/finds/{find_id}/comparison"),
    ("POST", "/v1/lots/{lot_id}/cards/{card}/comparison"),
    ("GET", "/v1/comparisons/{name}"),
    ("GET", "/v1/comparisons/{name}/photo"),
    ("GET", "/v1/comparisons/{name}/{card}/{layer}"),
    ("POST", "/v1/comparisons/{name}/{card}/closer"),
    ("GET", "/v1/comparisons/{name}/{card}/closer/{look}/{layer}"),
    ("GET", "/v1/comparisons/{name}/{card}/{place}/{layer}"),
    ("GET", "/v1/subjects"),
    ("GET", "/v1/thumbnail"),
    ("GET", "/v1/crops"),
    ("GET", "/v1/sightings"),
    ("GET", "/v1/session"),
    ("POST", "/v1/session"),
    ("DELETE", "/v1/session"),
    ("GET", "/v1/lots"),
    ("POST", "/v1/lots"),
    ("GET", "/v1/scans"),
    ("POST", "/v1/lots/folder"),
    ("GET", "/v1/lots/{lot_id}"),
    ("POST", "/v1/lots/{lot_id}/photos"),
    ("GET", "/v1/lots/{lot_id}/items"),
    ("GET", "/v1/lots/{lot_id}/cards"),
    ("GET", "/v1/lots/{lot_id}/cards/{card}/face"),
    ("GET", "/v1/lots/{lot_id}/{name}"),
    ("POST", "/v1/lots/{lot_id}/cancel"),
    ("POST", "/v1/lots/{lot_id}/retry"),
    ("GET", "/v1/lots/{lot_id}/review/queue"),
    ("POST", "/v1/lots/{lot_id}/review"),
    ("GET", "/v1/lots/{lot_id}/cards/{card}/case"),
    ("POST", "/v1/lots/{lot_id}/cards/{card}/outline"),
    ("GET", "/v1/crops/picture"),
    ("POST", "/v1/finds/{find_id}/outline"),
}
TAKE_NOTHING = ("/v1/health", "/v1/formats", "/v1/scans", "/v1/check", "/v1/exports/catalogue.zip", "/v1/backup.zip")
TAKE_NOTHING_BY = (("GET", "/v1/session"), ("DELETE", "/v1/session"))


def test_every_address_is_tried(described: Any) -> None:
    operations = [result.ok() for result in described.get_all_operations()]
    assert {(operation.method.upper(), operation.path) for operation in operations} == ADDRESSES


@pytest.mark.parametrize("mode", GenerationMode)
@pytest.mark.parametrize(("method", "path"), sorted(ADDRESSES))
def test_keeps_to_its_description(described: Any, method: str, path: str, mode: GenerationMode) -> None:
    if (path in TAKE_NOTHING or (method, path) in TAKE_NOTHING_BY) and mode == GenerationMode.NEGATIVE:
        pytest.skip("takes nothing that could be wrong")
    # That any bytes are a photo is all that OpenAPI can say of a file: refusing some of them is no fault.
    left_out = ["positive_data_acceptance"] if method == "POST" else []
    if path == "/v1/listings":  # a form's text is text whatever was put into it: nothing in it can be of a wrong type
        left_out.append("negative_data_rejection")

    # There are few wrong ids of records, and many that turn out to be right after all.
    # A listing may have many photos, which take their time to be made up on a busy machine.
    few = [HealthCheck.filter_too_much, HealthCheck.too_slow]

    @settings(max_examples=40, deadline=None, derandomize=True, database=None, suppress_health_check=few)
    @given(case=described[path][method].as_strategy(generation_mode=mode))
    def keeps(case: Any) -> None:
        case.call_and_validate(excluded_checks=CHECKS.get_by_names(left_out))

    keeps()
