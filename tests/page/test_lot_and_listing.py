"""The listing form and the lot page: a text claim by claim, scans sent, watched, decided, fetched as tables."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, Site, Stock, serving
from tests.page.test_looks import findings
from tests.page.test_review import said

TEXT = "Oskar Dunelby <b>bold</b> of the Gannock Bar R. C., 1884. Never rebacked, a few stains. See https://elsewhere.example/x"


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_listing_claim_by_claim(shared_site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{shared_site.address}/listing", size=size, bypass_csp=True)
    hosts: list[str] = []
    page.on("request", lambda request: hosts.append(request.url))
    page.get_by_label("Title and description").fill(TEXT)
    page.get_by_role("button", name="Compare", exact=True).click()
    page.get_by_text("There is no picture").wait_for()
    page.set_input_files("#files", [shared_site.stock.photo(KNOWN)])
    page.locator("#pictures li").wait_for()
    page.get_by_role("button", name="Compare", exact=True).click()
    page.locator("card-compare .candidate").first.wait_for()
    assert page.locator(".outcome b").inner_text() in ("Partly confirmed", "Does not match", "Open")
    assert page.locator(".claims li").count() >= 3
    shown = page.locator(".listing-text").inner_text()
    assert "<b>bold</b>" in shown  # text stays text
    assert page.locator("button.claim-words").count() >= 3
    assert page.locator(".listing-text .unread").count() >= 1  # what was not understood is no silent yes
    assert not [url for url in hosts if "elsewhere" in url]
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    assert findings(page) == []
    page.locator(".claims li", has_text="club:").get_by_role("button").click()
    page.locator(".lines .line svg").first.wait_for()  # the claim leads to its proof
    page.reload()
    page.locator(".claims li").first.wait_for()  # words, pictures and answer are there again
    assert page.get_by_label("Title and description").input_value() == TEXT
    assert page.locator("#pictures li").count() == 1


def test_two_sitters_in_one_listing_are_the_headline(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/listing")
    page.get_by_label("Title and description").fill("A rowing card, Oskar Dunelby of the Gannock Bar R. C.")
    page.set_input_files("#files", [shared_site.stock.photo(name) for name in (KNOWN, NEW_CROP)])
    page.locator("#pictures li").nth(1).wait_for()
    page.get_by_role("button", name="Compare", exact=True).click()
    told = page.locator(".outcome", has_text="Two cards")
    told.wait_for()
    assert "T. Varrowick" in told.inner_text()


def lot_of(page: Any, site: Site, *names: str) -> None:
    page.get_by_label("What to call it").fill("Album 3")
    page.set_input_files("#files", [site.stock.photo(name) for name in names])
    page.get_by_role("button", name="Send them").click()
    page.get_by_text("All sent").wait_for()
    page.locator(".lot-far", has_text=f"{len(names)} scan{'s' if len(names) > 1 else ''} done").wait_for()


def decided(page: Any, count: int) -> None:
    page.locator(".filters button", has_text="All").click()
    until(page, f"document.querySelectorAll('.wall-card.decided').length === {count}")


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_lot_from_scans_to_tables_and_decisions(site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{site.address}/lot", size=size, bypass_csp=True)
    lot_of(page, site, KNOWN, NEW_CROP)
    page.locator(".filters button", has_text="All 2").click()
    assert page.locator(".wall-card").count() == 2
    until(page, "document.querySelector('.wall-card img').naturalWidth > 0")
    with page.expect_download() as saved:
        page.get_by_role("link", name="CSV").click()
    table = saved.value.path().read_text(encoding="utf-8-sig")
    assert "V00013" in table
    assert findings(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    page.get_by_role("button", name="Confirm 1 known").click()
    page.locator(".pair").wait_for()  # nothing is noted without a look at both
    assert page.locator(".pair img").count() == 2
    assert findings(page) == []
    page.get_by_role("button", name="Confirm this 1").click()
    decided(page, 1)
    page.locator(".toast").get_by_role("button", name="Undo").click()
    decided(page, 0)
    page.reload()
    page.locator(".wall-card").first.wait_for()  # the address names the lot


def test_a_pair_that_is_tapped_stays_to_be_decided(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    page.get_by_role("button", name="Confirm 1 known").click()
    page.locator(".pair").click()
    assert page.get_by_role("button", name="Confirm these 0").is_disabled()


def test_a_new_card_of_a_lot_is_accepted(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, NEW_CROP)
    page.get_by_role("button", name="Work through 1 card").click()
    page.locator("card-compare .candidate").first.wait_for()
    page.keyboard.press("ArrowRight")
    page.locator(".wrong .problem", has_text="Caption, as printed?").wait_for()  # nothing is taken from another record
    said(page)
    page.get_by_role("button", name="New record").click()
    page.get_by_text("All of these are decided").wait_for()
    page.get_by_role("button", name="Back to the wall").click()
    decided(page, 1)
    with Catalogue.open(site.folder) as catalogue:
        (made,) = [one for one in catalogue.records() if one.caption == "W. Invented"]
    assert made.club == "Pellow Sound R. C."


def test_a_known_card_is_opened_and_overruled(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    page.locator(".wall-card").click()
    page.get_by_role("button", name="It is V00013").wait_for()
    page.locator("card-compare .candidate").nth(1).wait_for()
    other = page.locator(".candidate b").nth(1).inner_text()
    page.keyboard.press("2")
    page.get_by_role("button", name=f"It is {other}").wait_for()
    page.keyboard.press("ArrowRight")
    page.locator(".toast", has_text=other).wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert [one.record_id for one in sightings.sightings(catalogue)] == [other]


def test_a_lots_outline_is_corrected(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, NEW_CROP)
    page.get_by_role("button", name="Work through 1 card").click()
    page.locator(".mode .corner").nth(2).wait_for()
    page.locator(".mode .corner").nth(2).press("Shift+ArrowLeft")
    page.locator(".mode .stale").wait_for()  # the old verdict is no verdict on this outline
    page.get_by_role("button", name="Keep this outline").click()
    page.locator(".toast", has_text="has its new outline").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert any(row.action == "outline" for row in catalogue.decisions())


def test_a_failed_decision_is_told_beside_its_button(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, KNOWN)
    page.locator(".wall-card").click()
    page.locator("card-compare .candidate").first.wait_for()
    page.context.set_offline(True)
    page.keyboard.press("ArrowRight")
    told = page.locator(".wrong .problem")
    told.wait_for()
    assert told.evaluate("(node) => node.getBoundingClientRect().bottom <= innerHeight")
    page.context.set_offline(False)
    page.keyboard.press("ArrowRight")
    page.locator(".toast", has_text="V00013").wait_for()


@pytest.mark.parametrize(("name", "data", "why"), [
    ("box.zip", b"PK\x03\x04rest", "is a zip"), ("letter.jpg", b"no picture at all", "its content is text"),
    ("a.jpg", b"", "is empty"),
])  # fmt: skip
def test_what_is_no_picture_makes_no_lot(site: Site, open_page: Open, name: str, data: bytes, why: str) -> None:
    page = open_page(f"{site.address}/lot")
    page.locator("#lots li").wait_for()
    page.set_input_files("#files", [{"name": name, "mimeType": "image/jpeg", "buffer": data}])
    page.locator("#wrong .problem", has_text=why).wait_for()
    assert page.get_by_role("button", name="Send them").is_disabled()
    assert page.request.get(f"{site.address}/v1/lots").json()["total"] == 0


def test_a_folder_on_the_services_machine_becomes_a_lot_once(
    small_stock: Stock, tmp_path: Path, open_page: Open
) -> None:
    scans = tmp_path / "scans" / "box 7"
    scans.mkdir(parents=True)
    shutil.copy(small_stock.photo(KNOWN), scans)
    with serving(small_stock, tmp_path / "catalogue", scans=tmp_path / "scans") as site:
        page = open_page(f"{site.address}/lot")
        page.get_by_label("Or a folder of scans").select_option("box 7, 1 picture")
        page.get_by_role("button", name="Take this folder").click()
        page.locator(".wall-card", has_text="V00013").wait_for()
        page.get_by_role("link", name="Lots", exact=True).click()
        page.get_by_role("button", name="Take this folder").click()
        page.get_by_text("L00001 has this name already").wait_for()
        assert page.request.get(f"{site.address}/v1/lots").json()["total"] == 1


def test_a_lot_may_be_stopped_and_removed(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    page.get_by_label("What to call it").fill("Album 4")
    page.set_input_files("#files", [site.stock.photo(name) for name in (KNOWN, NEW_CROP)])
    page.get_by_role("button", name="Send them").click()
    page.get_by_role("button", name="Stop here").click()
    page.locator(".lot-far", has_text="Stopped").wait_for()
    page.get_by_role("button", name="Remove this lot").click()
    page.get_by_role("button", name="Remove it").click()
    page.locator("#lots", has_text="No lot yet").wait_for()


def test_loaded_again_a_lot_stands_at_the_card_it_stood_at(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN, NEW_CROP)
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card", has_text=f"{NEW_CROP}.jpg").click()
    page.get_by_label("Caption, as printed").fill("Half typed")
    page.locator("dialog.mode card-compare .candidate").first.wait_for()
    page.reload()
    page.locator("dialog.mode .small", has_text=f"{NEW_CROP}.jpg").wait_for()
    field = page.get_by_label("Caption, as printed")
    field.wait_for()
    assert field.input_value() == "Half typed"
    page.keyboard.press("Escape")
    page.reload()
    page.locator(".wall-card").first.wait_for()
    page.wait_for_timeout(500)
    assert page.locator("dialog.mode").count() == 0  # closed by hand, it stays closed


def test_on_a_slow_network_a_lots_card_stays_until_its_larger_picture_is_there(site: Site, open_page: Open) -> None:
    held: list[Any] = []
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    page.route("**/v1/comparisons/**/face", lambda route: held.append(route))
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card").click()
    page.get_by_role("button", name="It is V00013").wait_for()
    while not held:
        page.wait_for_timeout(50)
    page.wait_for_timeout(300)
    assert page.locator("dialog.mode .pane img").first.evaluate("(image) => image.naturalWidth") > 0
    while held:
        held.pop().continue_()
    page.locator("dialog.mode card-compare .candidate").first.wait_for()
