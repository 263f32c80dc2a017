"""Photos over HTTP: what is answered, and forms that are refused."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.upload import base_name
from tests.support import fake_work
from tests.support.service import check_problem, send


def test_gives_the_contracts_object(client: TestClient) -> None:
    response = send(client, b"a card", "scan.png", params={"top": 50})
    assert response.status_code == 200
    assert response.json() == fake_work.answer("scan.png")  # the same, nulls and all


@pytest.mark.parametrize(("top", "shown"), [(None, 5), (1, 1), (50, 7)])
def test_shows_as_many_candidates_as_asked_for(client: TestClient, top: int | None, shown: int) -> None:
    response = send(client, b"a card", params={"top": top} if top else None)
    assert len(response.json()["cards"][0]["candidates"]) == shown


def test_a_photo_without_a_card_is_no_problem(client: TestClient) -> None:
    response = send(client, b"blank")
    assert response.status_code == 200
    assert response.json()["cards"] == []
    assert response.json()["error"]["code"] == "no_card"


@pytest.mark.parametrize(
    ("code", "status"),
    [
        ("empty_file", 422),
        ("not_an_image", 415),
        ("truncated", 422),
        ("too_many_pixels", 413),
        ("file_too_large", 413),
        ("too_small", 422),
        ("animated", 415),
    ],
)
def test_an_unreadable_photo_is_a_problem(client: TestClient, code: str, status: int) -> None:
    body = check_problem(send(client, f"fail {code}".encode()), status, code)
    assert body["detail"] == "a.jpg: it fails"


def test_a_code_nobody_knows_is_not_passed_on(client: TestClient) -> None:
    body = check_problem(send(client, b"fail something_new"), 500, "unexpected")
    assert "a.jpg" not in body["detail"]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("/home/someone/cards/a.jpg", "a.jpg"),
        ("..\\..\\cards\\a.jpg", "a.jpg"),
        ("a<b>\u202e\x00\ud800.jpg", "a<b>.jpg"),  # neither direction marks, nor NUL, nor half a character
        ("x" * 999, "x" * 255),
        ("..", "photo"),
        ("", "photo"),
    ],
)
def test_a_clients_file_name_loses_its_folders(given: str, told: str) -> None:
    assert base_name(given) == told


# Requests that cannot be


def form(*parts: tuple[str, str | None, bytes]) -> dict[str, Any]:
    """A multipart request, by hand: (name, file name or none, content)."""
    body = b""
    for name, filename, content in parts:
        body += f'--x\r\nContent-Disposition: form-data; name="{name}"'.encode()
        body += (f'; filename="{filename}"' if filename is not None else "").encode()
        body += b"\r\n\r\n" + content + b"\r\n"
    return {"content": body + b"--x--\r\n", "headers": {"Content-Type": "multipart/form-data; boundary=x"}}


@pytest.mark.parametrize(
    ("request_", "status", "code"),
    [
        (form(("photo", "a.jpg", b"1"), ("photo", "b.jpg", b"2")), 400, "bad_form"),  # two files
        (form(*[("photo", "a.jpg", b"")] * 5000), 400, "bad_form"),  # a bomb of parts
        (form(*[("x", None, b"")] * 5000), 400, "bad_form"),
        (form(("x" * 9000, "a.jpg", b"1")), 400, "bad_form"),  # headers without end
        (form(("picture", "a.jpg", b"1")), 422, "validation"),
        (form(("photo", "a.jpg", b"1"), ("note", None, b"2")), 422, "validation"),
        (form(("photo", None, b"text and no file")), 422, "validation"),
        (form(), 422, "validation"),
        ({**form(), "content": b"--x\r\nContent-Disposition: form-data"}, 422, "validation"),  # breaks off
        ({"content": b"x", "headers": {"Content-Type": "multipart/form-data"}}, 400, "bad_form"),  # no boundary
        ({"content": b"\xff\xd8", "headers": {"Content-Type": "image/jpeg"}}, 415, "not_multipart"),
        ({"json": {"photo": "a.jpg"}}, 415, "not_multipart"),
        ({"data": {"photo": "a.jpg"}}, 415, "not_multipart"),
        ({}, 415, "not_multipart"),
        ({**form(("photo", "a.jpg", b"1")), "params": {"top": 0}}, 422, "validation"),
        ({**form(("photo", "a.jpg", b"1")), "params": {"topp": 3}}, 422, "validation"),
    ],
)
def test_refuses_other_forms(client: TestClient, request_: dict[str, Any], status: int, code: str) -> None:
    body = check_problem(client.post("/v1/identify", **request_), status, code)
    assert ("errors" in body) == (code == "validation")


def test_a_character_set_cannot_upset_the_answer(client: TestClient) -> None:
    request = form(("photo", "\\ud800.jpg", b"1"))
    request["headers"]["Content-Type"] += "; charset=unicode_escape"
    assert client.post("/v1/identify", **request).json()["photo"] == ".jpg"
