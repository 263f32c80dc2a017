"""The listing form and the lot page: a text claim by claim, scans sent, watched, decided, fetched as tables."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, Site, Stock, serving
from tests.page.test_looks import findings

TEXT = "Oskar Dunelby <b>bold</b> of the Gannock Bar R. C., 1884. Never rebacked, a few stains. See https://elsewhere.example/x"


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_listing_claim_by_claim(shared_site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{shared_site.address}/listing", size=size, bypass_csp=True)
    hosts: list[str] = []
    page.on("request", lambda request: hosts.append(request.url))
    page.get_by_label("Title and description").fill(TEXT)
    page.get_by_role("button", name="Compare").click()
    page.get_by_text("There is no picture").wait_for()
    page.set_input_files("#files", [shared_site.stock.photo(KNOWN)])
    page.get_by_role("button", name="Compare").click()
    page.locator(".verdict h2").wait_for()
    assert page.locator(".verdict h2").inner_text() in ("In accord", "At odds", "Open")
    assert page.locator(".claims li").count() >= 3
    shown = page.locator(".listing-text").inner_text()
    assert "<b>bold</b>" in shown  # text stays text
    assert page.locator(".claim-words").count() >= 3
    assert not [url for url in hosts if "elsewhere" in url]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert findings(page) == []
    page.get_by_role("button", name="Look at it").click()
    page.locator("card-compare .candidate").first.wait_for()
    page.reload()
    assert page.get_by_label("Title and description").input_value() == TEXT


def lot_of(page: Any, site: Site, *names: str) -> None:
    page.get_by_label("What you call it").fill("Album 3")
    page.set_input_files("#files", [site.stock.photo(name) for name in names])
    page.get_by_role("button", name="Send them").click()
    page.get_by_text("All sent").wait_for()
    page.locator(".sheet-cards").wait_for()


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_lot_from_scans_to_tables_and_decisions(site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{site.address}/lot", size=size, bypass_csp=True)
    lot_of(page, site, KNOWN, NEW_CROP)
    assert page.locator(".sheet-cards li").count() == 2
    page.locator("#lots", has_text="2 of 2 pages done").wait_for()
    page.locator(".sheet-cards img").first.scroll_into_view_if_needed()
    until(page, "document.querySelector('.sheet-cards img').naturalWidth > 0")
    with page.expect_download() as saved:
        page.get_by_role("link", name="CSV").click()
    table = saved.value.path().read_text(encoding="utf-8-sig")
    assert "V00013" in table
    assert findings(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.get_by_role("button", name="Note those with over").click()
    page.locator(".sheet-cards", has_text="decided").wait_for()
    page.get_by_role("button", name="Undo the last decision on this lot").click()
    until(page, "document.querySelector('.sheet-cards')?.innerText.includes('decided') === false")
    page.reload()
    page.locator(".sheet-cards").wait_for()  # the address names the lot


def test_a_new_card_of_a_lot_is_accepted(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, NEW_CROP)
    page.locator("card-compare .candidate").first.wait_for()
    page.get_by_label("The card's words").fill("W. Invented")
    page.keyboard.press("Escape")
    page.locator("h2").first.click()
    page.get_by_role("button", name="Accept as a new record").click()
    page.locator(".sheet-cards", has_text="decided: accepted").wait_for()
    page.get_by_text("No decision waits").wait_for()


def test_a_folder_on_the_services_machine_becomes_a_lot(small_stock: Stock, tmp_path: Path, open_page: Open) -> None:
    scans = tmp_path / "scans" / "box 7"
    scans.mkdir(parents=True)
    shutil.copy(small_stock.photo(KNOWN), scans)
    with serving(small_stock, tmp_path / "catalogue", scans=tmp_path / "scans") as site:
        page = open_page(f"{site.address}/lot")
        page.get_by_label("Or a folder of scans").select_option("box 7, 1 picture")
        page.get_by_role("button", name="Take this folder").click()
        page.locator(".sheet-cards", has_text="V00013").wait_for()
        page.locator("#lots", has_text="1 of 1 pages done").wait_for()


def test_a_lot_may_be_ended(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    page.get_by_label("What you call it").fill("Album 4")
    page.set_input_files("#files", [site.stock.photo(name) for name in (KNOWN, NEW_CROP)])
    page.get_by_role("button", name="Send them").click()
    page.get_by_role("button", name="End it here").click()
    page.locator("#lots", has_text="ended").wait_for()
