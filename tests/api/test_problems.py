"""The table of errors is complete, and every row is told by RFC 9457."""

from __future__ import annotations

import ast
import fnmatch
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

import api
import matcher
from api.problems import MEDIA_TYPE, OF_REQUESTS, PROBLEMS, Fault, Problem, ProblemDetails, documented, respond
from matcher.core.errors import KINDS

CLASSES = {"PlatekinError", "UnreadablePhoto", "BadTable", "BadListing", "CatalogueError", "Busy"}
MAKERS = {*CLASSES, "failure", "Problem"}
TABLES = ("code", "_FAILURES", "_BY_STATUS")
"""Names that hold codes which an error's maker is then given."""


def codes_in(path: Path) -> Iterator[str]:
    """Codes that a file raises: the first argument of an error's maker, or a name that it is given."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in MAKERS and node.args:
            yield from texts(node.args[0])
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in TABLES:
            yield from texts(node.value)


def texts(node: ast.expr) -> Iterator[str]:
    """The texts that an expression may be: itself, either branch, a table's keys or values; '*' stands for anything."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from texts(node.body)
        yield from texts(node.orelse)
    elif isinstance(node, ast.Dict):
        for each in (*node.keys, *node.values):
            if each is not None:
                yield from texts(each)
    elif isinstance(node, ast.JoinedStr):
        yield "".join(part.value if isinstance(part, ast.Constant) else "*" for part in node.values)


def raised() -> dict[str, str]:
    files = [path for package in (matcher, api) for path in Path(package.__path__[0]).rglob("*.py")]
    return {code: path.name for path in files if path.name != "errors.py" for code in codes_in(path)}


def test_every_code_that_is_raised_has_a_row() -> None:
    found = raised()
    assert {"not_an_image", "truncated", "locked", "disk_full", "no_such_record", "clash", "busy"} <= set(found)
    assert {code: file for code, file in found.items() if not fnmatch.filter(PROBLEMS, code)} == {}


def test_every_row_is_of_a_code_that_is_raised() -> None:
    assert sorted(set(PROBLEMS) - set(raised())) == []


def test_each_code_stands_in_one_table() -> None:
    """What only a request can meet with is not mixed into the matcher's table, and repeats no row of it."""
    assert len(PROBLEMS) == len(KINDS) + len(OF_REQUESTS)
    raised_by_the_matcher = {code for path in Path(matcher.__path__[0]).rglob("*.py") for code in codes_in(path)}
    assert not raised_by_the_matcher & set(OF_REQUESTS)


@pytest.mark.parametrize("code", PROBLEMS)
def test_every_row_is_told_by_the_standard(code: str) -> None:
    """RFC 9457, section 3.1: members type, title, status, detail; the status repeats the answer's own."""
    kind = PROBLEMS[code]
    response = respond(Problem(code))
    told = ProblemDetails.model_validate_json(bytes(response.body))
    assert response.headers["content-type"] == MEDIA_TYPE == "application/problem+json"
    assert (told.status, told.title, told.detail) == (response.status_code, kind.title, kind.advice)
    assert told.type == f"urn:platekin:problem:{code}"
    assert 400 <= kind.status < 600
    assert kind.title[-1] not in ".!"
    assert kind.advice.endswith(".")
    assert response.headers.get("retry-after") == (str(kind.retry_after) if kind.retry_after else None)


def test_who_should_come_again_is_told_when() -> None:
    assert PROBLEMS["busy"].status == 429
    assert all(PROBLEMS[code].retry_after for code in ("busy", "locked", "worker_lost", "timeout"))


def test_an_unknown_code_tells_nothing() -> None:
    body = json.loads(bytes(respond(Problem("no row")).body))
    assert (body["code"], body["status"]) == ("unexpected", 500)


def test_faults_are_listed() -> None:
    body = json.loads(bytes(respond(Problem("validation", faults=[Fault("query", "top", "too large")])).body))
    assert body["errors"] == [{"in": "query", "name": "top", "detail": "too large"}]
    assert "errors" not in json.loads(bytes(respond(Problem("busy")).body))


def test_problems_are_documented_by_status() -> None:
    responses = documented("empty_file", "truncated", "busy")
    assert list(responses) == [422, 429]
    assert "`empty_file`" in responses[422]["description"]
    assert "`truncated`" in responses[422]["description"]
    assert "Retry-After" in responses[429]["headers"]
