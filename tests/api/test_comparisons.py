"""Comparing over HTTP: outlines given by hand, layers kept a while, small pictures, subjects, signing in, guards."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from api.app import create_app
from api.comparison_cache import LONGEST_S, MOST, ComparisonCache
from api.problems import Problem
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tokens import make_token
from matcher.core.detect.given_outline import given_quads
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.render.closer import Closer, LookCloser
from matcher.jobs.render.overlays import DrawLayers, Layers, clearest_of
from matcher.jobs.workers import Worker
from tests.support import fake_work
from tests.support.cards import a_find
from tests.support.service import check_problem

SCAN = "scan0.png"


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    app = create_app(
        ServiceSettings(catalogue=folder, workers=1),
        work=fake_work.obey,
        make_pool=fake_work.threads,
        make_pictures=fake_work.decoders,
    )
    with TestClient(app) as client:
        yield client


def compare(client: TestClient, data: bytes = b"a card", **query: Any) -> Any:
    return client.post("/v1/comparisons", files={"photo": ("a.jpg", data, "image/jpeg")}, params=query)


# Outlines given by hand


def photo(width: int = 400, height: int = 600) -> Photo:
    out = io.BytesIO()
    Image.new("RGB", (width, height), (120, 90, 60)).save(out, "PNG")
    return read_photo(out.getvalue())


def test_a_drawn_outline_is_taken_as_it_is_whatever_its_order() -> None:
    corners = np.array([[300.0, 50], [300, 500], [50, 500], [50, 50]])  # from the top right, clockwise
    for order in (corners, corners[::-1], np.roll(corners, 2, axis=0)):
        (outline,) = given_quads(photo(), order)
        assert outline.corners.tolist() == [[50, 50], [300, 50], [300, 500], [50, 500]]


@pytest.mark.parametrize("quarters", range(4))
def test_the_way_up_that_a_person_gives_stands(quarters: int) -> None:
    corners = np.roll(np.array([[50.0, 50], [300, 50], [300, 500], [50, 500]]), quarters, axis=0)
    (outline,) = given_quads(photo(), corners, upright=True)
    assert outline.corners.tolist() == corners.tolist()
    assert outline.by_hand
    with pytest.raises(UnreadablePhoto, match="mirror"):
        given_quads(photo(), corners[::-1], upright=True)


def test_a_card_turned_by_hand_is_compared_as_it_was_turned(stock: Path) -> None:
    """Left to itself the matcher turns the scan back, since it knows it; a person's word it takes."""
    upside_down = ((276.0, 480.0), (0.0, 480.0), (0.0, 0.0), (276.0, 0.0))
    bench = Worker(stock / "catalogue", Settings())
    data = (stock / SCAN).read_bytes()
    found, said = (
        bench.run(Job(SCAN, data, quad=upside_down, upright=upright)).answer.cards[0] for upright in (False, True)
    )
    bench.references.catalogue.close()
    assert found.quad[0] == (0.0, 0.0)
    assert (found.pose, found.face.by_hand) == ("P000", False)
    assert (said.quad, said.face.by_hand, said.face.turned) == (upside_down, True, 180)


@pytest.mark.parametrize(
    ("corners", "why"),
    [
        ([[50, 50], [300, 500], [300, 50], [50, 500]], "four-sided"),  # crossed
        ([[50, 50], [60, 50], [60, 500], [50, 500]], "24 pixels"),  # a strip
        ([[50, 50], [5000, 50], [5000, 500], [50, 500]], "outside"),
        ([[50, 50], [300, 50], [300, float("nan")], [50, 500]], "outside"),
    ],
)
def test_an_outline_that_is_no_cards_is_refused(corners: list[list[float]], why: str) -> None:
    with pytest.raises(UnreadablePhoto, match=why) as told:
        given_quads(photo(), np.array(corners))
    assert told.value.code == "bad_outline"


def test_the_matcher_answers_the_given_outline_with_layers(stock: Path) -> None:
    """The stock's scan shown smaller on a table: outlined by hand it is that card, and the layers show it."""
    table = Image.new("RGB", (700, 800), (40, 60, 50))
    table.paste(Image.open(stock / SCAN), (200, 150))
    out = io.BytesIO()
    table.save(out, "PNG")
    bench = Worker(stock / "catalogue", Settings())
    quad = ((200.0, 150.0), (476.0, 150.0), (476.0, 630.0), (200.0, 630.0))
    found = bench.run(Job("table.png", out.getvalue(), quad=quad, steps=(DrawLayers(3),)))
    bench.references.catalogue.close()
    (card,) = found.answer.cards
    assert (card.quad, card.pose) == (quad, "P000")
    layers = found.extra(Layers)
    assert layers is not None
    pictures = layers.pictures
    # A picture that shows something everywhere is stored without transparency.
    face, laid = (np.asarray(Image.open(io.BytesIO(pictures[name])).convert("RGBA")) for name in ("1/face", "1/1/laid"))
    assert face.shape == laid.shape == (640, 368, 4)
    shown = laid[..., 3] > 0
    assert shown.mean() > 0.9
    apart = np.abs(face[..., :3].astype(float) - laid[..., :3])[shown]
    assert np.median(apart) < 6  # the same picture in the same place
    (known,) = layers.crop_maps
    assert known["pose"] == "P000"
    assert {one["crop"] for one in known["known"]} <= {"A", "B"}
    assert Image.open(io.BytesIO(pictures["1/crops"])).size == (known["width"], known["height"])


def test_a_card_is_looked_at_more_closely(stock: Path) -> None:
    """At its photo's own size, beside the reference it was compared with and beside another; the same place in both."""
    scan = Image.open(stock / SCAN)
    wide, high = 2 * scan.width, 2 * scan.height
    table = Image.new("RGB", (wide + 200, high + 200), (40, 60, 50))
    table.paste(scan.resize((wide, high)), (100, 100))
    out = io.BytesIO()
    table.save(out, "PNG")
    quad = ((100.0, 100.0), (100.0 + wide, 100.0), (100.0 + wide, 100.0 + high), (100.0, 100.0 + high))
    bench = Worker(stock / "catalogue", Settings())
    found = bench.run(Job("table.png", out.getvalue(), quad=quad, steps=(DrawLayers(3),)))
    layers = found.extra(Layers)
    assert layers is not None
    best = found.answer.cards[0].candidates[0]
    seen = []
    for transform, large in ((layers.aids["1/1"]["transform"], True), (None, False)):
        look = LookCloser(quad, int(best.reference), transform, large)
        made = bench.run(Job("table.png", out.getvalue(), look=False, steps=(look,)))
        assert made.answer.cards == ()  # nothing was identified anew
        seen.append(made.extra(Closer))
    gone = bench.run(Job("table.png", out.getvalue(), look=False, steps=(LookCloser(quad, 9999),))).extra(Closer)
    bench.references.catalogue.close()
    closer, anew = seen
    assert closer is not None
    assert closer.scale == pytest.approx(high / 640)
    face, laid = (
        np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(float) for data in (closer.face, closer.laid)
    )
    assert face.shape == laid.shape == (round(640 * closer.scale), round(368 * closer.scale), 3)
    inner = (slice(40, -40), slice(40, -40))
    assert np.median(np.abs(face[inner] - laid[inner])) < 6  # the same picture in the same place
    assert anew is not None
    assert anew.scale == 1.0
    assert anew.transform is not None
    assert np.allclose(anew.transform, layers.aids["1/1"]["transform"], atol=0.5)  # found anew as it was found at first
    assert gone is not None
    assert gone.laid is None


def test_what_is_faint_is_shown_by_something_clearer(stock: Path) -> None:
    with CatalogueReferences.open(stock / "catalogue") as references:
        held = [one for pose in ("P000", "P001") for one in references.of_pose(pose)]
        clear = max(held, key=lambda one: one.legibility)
        same = list(references.of_pose(clear.record.pose))
        assert clearest_of(replace(clear, legibility=0.9), references) is None
        ghost = replace(same[-1], id=10_000, legibility=0.05)
        told = clearest_of(ghost, references)
        assert told is not None
        own = [one for one in same if one.record.record_id == ghost.record.record_id]
        assert told == {"reference": str((own or same)[0].id), "record_id": ghost.record.record_id}
        stranger = replace(ghost, record=replace(ghost.record, record_id="V999"))
        told = clearest_of(stranger, references)
        assert told == {"reference": str(same[0].id), "record_id": same[0].record.record_id}


def test_a_closer_look_is_kept_with_its_comparison(client: TestClient) -> None:
    name = compare(client).json()["name"]
    made = client.post(f"/v1/comparisons/{name}/1/closer", params={"reference": 3, "large": True})
    assert made.status_code == 201
    body = made.json()
    assert body["scale"] == 2.0
    for layer, kind in (("face", "image/jpeg"), ("laid", "image/webp")):
        assert body[layer] == f"/v1/comparisons/{name}/1/closer/3-large/{layer}"
        assert client.get(body[layer]).headers["content-type"] == kind
    assert client.get(f"/v1/comparisons/{name}/1/face").status_code == 200  # what was there stays
    check_problem(client.post(f"/v1/comparisons/{name}/2/closer"), 404, "no_such_comparison")
    check_problem(client.post("/v1/comparisons/unknown/1/closer"), 404, "no_such_comparison")
    check_problem(client.post(f"/v1/comparisons/{name}/1/closer?reference=0"), 422, "validation")


# Kept for a while


def test_a_comparison_tells_where_its_pictures_lie(client: TestClient) -> None:
    made = compare(client, top=3)
    assert made.status_code == 201
    body = made.json()
    assert body["identification"] == {
        **fake_work.answer("a.jpg"),
        "cards": body["identification"]["cards"],
        "pages": None,
    }
    assert len(body["identification"]["cards"][0]["candidates"]) == 3
    (card,) = body["cards"]
    assert client.get(card["face"]).content == b"\xff\xd8 face"
    assert client.get(card["face"]).headers["content-type"] == "image/jpeg"
    assert client.get(card["candidates"][0]["laid"]).headers["content-type"] == "image/webp"
    nothing = {
        "laid": None,
        "agreement": None,
        "clearest": None,
        "references": 1,
        "tones": None,
        "moved": [],
        "lines": [],
    }
    assert card["candidates"][1] == nothing
    assert client.get(card["crops"]["picture"]).content == b"\xff\xd8 crops"
    assert client.get(body["photo"]).headers["x-content-type-options"] == "nosniff"
    assert client.get(f"/v1/comparisons/{body['name']}").json() == body


def test_what_is_not_kept(client: TestClient) -> None:
    name = compare(client).json()["name"]
    for address in ("unknown", f"{name}/2/face", f"{name}/1/2/laid", "unknown/photo"):
        check_problem(client.get(f"/v1/comparisons/{address}"), 404, "no_such_comparison")
    check_problem(client.get(f"/v1/comparisons/{name}/1/secret"), 422, "validation")


def test_a_photo_without_a_card_can_be_looked_at(client: TestClient) -> None:
    body = compare(client, b"blank").json()
    assert body["cards"] == []
    assert body["identification"]["error"]["code"] == "no_card"
    assert client.get(body["photo"]).status_code == 200


@pytest.mark.parametrize("quad", ["1,2,3", "a,b,c,d,e,f,g,h", "1,2,3,4,5,6,7,8,9", "1e9,0,0,0,0,0,0,0"])
def test_an_outline_that_cannot_be_read(client: TestClient, quad: str) -> None:
    check_problem(compare(client, quad=quad), 422, "validation")


def test_the_oldest_and_the_largest_go_first() -> None:
    now = [0.0]
    cache = ComparisonCache(lambda: now[0], most_bytes=100)
    cache.keep("a", {}, {"x": bytes(60)})
    cache.keep("b", {}, {"x": bytes(60)})
    with pytest.raises(Problem):
        cache.get("a")
    assert cache.get("b").pictures
    now[0] = LONGEST_S + 1
    with pytest.raises(Problem):
        cache.get("b")
    for number in range(MOST + 5):
        cache.keep(str(number), {}, {})
    with pytest.raises(Problem):
        cache.get("4")
    assert cache.get("5").answer == {}
    cache.keep("too large", {}, {"x": bytes(101)})  # is not kept, and costs the others nothing
    with pytest.raises(Problem):
        cache.get("too large")
    assert cache.get("5").answer == {}


def test_a_find_is_compared_as_its_outline_says(client: TestClient, folder: Path, scans: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        found = a_find(catalogue, scans, 70)
    body = client.post(f"/v1/finds/{found.find_id}/comparison").json()
    assert body["identification"]["photo"] == "photo70.png"
    check_problem(client.post("/v1/finds/F99999/comparison"), 404, "no_such_find")


# Looking through


def test_subjects_with_their_poses(client: TestClient) -> None:
    body = client.get("/v1/subjects").json()
    assert (body["total"], body["letters"]) == (2, {"S": 0})
    first = body["items"][0]
    assert (first["subject"], first["records"]) == ("Sitter 0", 2)
    assert [[r["record_id"] for r in pose["records"]] for pose in first["poses"]] == [["V000", "V001"]]
    assert [one["subject"] for one in client.get("/v1/subjects?offset=1").json()["items"]] == ["Sitter 1"]


def test_records_stand_together_by_what_is_asked(client: TestClient) -> None:
    by_pose = client.get("/v1/subjects?by=pose").json()
    assert [one["subject"] for one in by_pose["items"]] == sorted(one["subject"] for one in by_pose["items"])
    assert {one["also"] for one in by_pose["items"]} == {"Sitter 0", "Sitter 1"}
    assert client.get("/v1/subjects?by=club").json()["items"][0]["records"] >= 1
    check_problem(client.get("/v1/subjects?by=colour"), 422, "validation")


def test_a_wrong_address_is_a_page_for_a_browser_and_a_problem_for_a_program(client: TestClient) -> None:
    shown = client.get("/recrod", headers={"Accept": "text/html"})
    assert (shown.status_code, shown.headers["content-type"].split(";")[0]) == (404, "text/html")
    assert "Nothing is at this address" in shown.text
    check_problem(client.get("/recrod"), 404, "not_found")
    check_problem(client.get("/v1/recrod", headers={"Accept": "text/html"}), 404, "not_found")


def test_thumbnails_of_records_references_and_finds(client: TestClient, folder: Path, scans: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        found = a_find(catalogue, scans, 70)
    for query, size in (
        ("record=V000", (184, 320)),
        ("reference=1&size=whole", (368, 640)),
        (f"find={found.find_id}", (184, 320)),
    ):
        answer = client.get(f"/v1/thumbnail?{query}")
        assert Image.open(io.BytesIO(answer.content)).size == size
        again = client.get(f"/v1/thumbnail?{query}", headers={"If-None-Match": answer.headers["etag"]})
        assert again.status_code == 304
    check_problem(client.get("/v1/thumbnail?record=V999"), 404, "no_such_record")
    check_problem(client.get("/v1/thumbnail"), 404, "no_such_reference")


def test_the_crops_of_a_pose_once_they_are_measured(client: TestClient) -> None:
    assert client.get("/v1/crops?pose=P000").json()["crops"] == []
    tag = client.get("/v1/decisions").headers["etag"]
    wish = {"action": "map_crops", "pose": "P000"}
    made = client.post("/v1/decisions", json=wish, headers={"Idempotency-Key": "k", "If-Match": tag})
    assert made.status_code == 201
    body = client.get("/v1/crops?pose=P000").json()
    framed = [one for one in body["crops"] if one["window_mm"] == [0, 0, 36.5, 63.5]]
    assert len(framed) == 1
    assert body["frame"] in (1, 2, 3)


# Who asks, from where


def test_a_cookie_stands_for_a_token(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        token = make_token(catalogue, "Ada Quill", "decide")
    app = create_app(
        ServiceSettings(catalogue=folder, workers=1, tokens_needed=True),
        work=fake_work.obey, **fake_work.QUICK,
    )  # fmt: skip
    with TestClient(app) as client:
        check_problem(client.get("/v1/session"), 401, "no_token")
        check_problem(client.post("/v1/session", json={"token": "pk_wrong"}), 401, "no_token")
        assert client.post("/v1/session", json={"token": token}).json()["name"] == "Ada Quill"
        body = client.get("/v1/session").json()
        assert (body["name"], body["scope"], body["tokens_needed"]) == ("Ada Quill", "decide", True)
        assert client.get("/v1/records").status_code == 200
        assert client.get("/").status_code == 200
        client.delete("/v1/session")
        check_problem(client.get("/v1/records"), 401, "no_token")


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 201),
        ({"Origin": "http://testserver"}, 201),
        ({"Sec-Fetch-Site": "same-origin"}, 201),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)
def test_other_sites_may_not_write(client: TestClient, headers: dict[str, str], status: int) -> None:
    answer = client.post("/v1/comparisons", files={"photo": ("a.jpg", b"a card", "image/jpeg")}, headers=headers)
    assert answer.status_code == status
