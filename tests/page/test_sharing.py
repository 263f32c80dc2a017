"""A service that others reach: signing in, a token that is taken away, other sites' requests, a restart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.tokens import make_token, revoke_token
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, Site, Stock, serving
from tests.page.test_review import said


def token_for(folder: Path, name: str) -> str:
    with Catalogue.open(folder) as catalogue:
        return make_token(catalogue, name, "decide")


def sign_in(page: Any, token: str) -> None:
    page.get_by_label("Token").fill(token)
    page.get_by_role("button", name="Sign in").click()


def test_signing_in_and_a_token_that_is_taken_away(small_stock: Stock, tmp_path: Path, open_page: Open) -> None:
    with serving(small_stock, tmp_path / "catalogue", tokens_needed=True) as site:
        page = open_page(f"{site.address}/review#F00004")
        page.get_by_label("Token").wait_for()
        for _ in range(4):  # at the second Chromium closes a dialog, whatever the page says
            page.keyboard.press("Escape")
        sign_in(page, "pk_wrong")
        page.get_by_text("This token is not known here").wait_for()
        sign_in(page, token_for(site.folder, "Ada Quill"))
        page.locator("card-compare .candidate").first.wait_for()
        until(page, "[...document.querySelectorAll('.candidate img')].some((one) => one.naturalWidth > 0)")
        (cookie,) = page.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")

        page.get_by_label("Who is shown").fill("Somebody Invented")
        with Catalogue.open(site.folder) as catalogue:
            revoke_token(catalogue, "Ada Quill")
        page.get_by_role("button", name="Reject").click()
        sign_in(page, token_for(site.folder, "Ben Sparrow"))  # asked for over the page; then it goes on
        page.locator(".toast", has_text="F00004").wait_for()
        with Catalogue.open(site.folder) as catalogue:
            (made,) = catalogue.decisions(newest_first=True, limit=1)
        assert (made.action, made.by) == ("reject", "Ben Sparrow")


def test_another_sites_request_is_refused(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log")
    told = {"Idempotency-Key": "x", "If-Match": "*"}
    wish = {"action": "undo", "number": 1}
    for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        answer = page.request.post(f"{shared_site.address}/v1/decisions", data=wish, headers={**told, **headers})
        assert (answer.status, answer.json()["code"]) == (403, "cross_site")


def test_a_restart_loses_nothing(small_stock: Stock, tmp_path: Path, open_page: Open) -> None:
    with serving(small_stock, tmp_path / "catalogue") as site:
        port = int(site.address.rsplit(":", 1)[1])
        page = open_page(f"{site.address}/review#F00001")
        page.locator("card-compare .candidate").first.wait_for()
        said(page)
    page.get_by_role("button", name="Accept as a new record").click()
    page.get_by_text("The service does not answer").wait_for()
    with serving(small_stock, tmp_path / "catalogue", port=port) as site:
        page.get_by_role("button", name="Accept as a new record").click()
        page.locator(".toast", has_text="F00001").wait_for()
        with Catalogue.open(site.folder) as catalogue:
            assert [one.caption for one in catalogue.records() if one.caption == "W. Invented"] == ["W. Invented"]


def test_a_photo_is_answered_after_a_restart(small_stock: Stock, tmp_path: Path, open_page: Open) -> None:
    with serving(small_stock, tmp_path / "catalogue") as site:
        port = int(site.address.rsplit(":", 1)[1])
        page = open_page(site.address)
        page.locator("#choose").wait_for()
    page.set_input_files("#files", [small_stock.photo(KNOWN)])
    page.get_by_text("The service does not answer").wait_for()
    with serving(small_stock, tmp_path / "catalogue", port=port):
        page.get_by_role("button", name="Try again").click()
        page.locator(".outcome", has_text="V00013").wait_for()
