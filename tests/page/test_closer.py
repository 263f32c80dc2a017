"""Looking more closely: larger pictures once something is enlarged, other references laid over, ghosts set aside."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, Site, Stock, serving
from tests.page.test_identify import answered, give

TWO = "V00008"
"""A record with two references."""

WIDTHS = "[...document.querySelectorAll('card-compare .sheet img[data-grown]')].map((one) => one.naturalWidth)"


def faded(stock: Stock, folder: Path, *references: int) -> None:
    """A copy of the stock's catalogue in which these references are ghosts, by what is stored of them."""
    shutil.copytree(stock.catalogue, folder)
    with sqlite3.connect(folder / "catalogue.sqlite") as base:
        for number in references:
            (told,) = base.execute('select facts from "references" where id = ?', (number,)).fetchone()
            facts = json.dumps({**json.loads(told), "residual_contrast": 0.1})
            base.execute('update "references" set facts = ? where id = ?', (facts, number))


def test_the_larger_picture_is_fetched_once_it_is_enlarged_and_not_before(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url) if "/closer" in request.url else None)
    give(page, shared_site, KNOWN)
    answered(page)
    until(page, "[...document.querySelectorAll('card-compare .sheet img')].every((one) => one.naturalWidth)")
    assert asked == []
    face = page.locator("card-compare .sheet img").first
    assert face.evaluate("(one) => one.naturalWidth") == 368
    for _ in range(3):
        page.keyboard.press("+")
    until(
        page, "[...document.querySelectorAll('card-compare .sheet img')].every((one) => one.dataset.grown === 'shown')"
    )
    widths = page.evaluate(WIDTHS)
    assert len(set(widths)) == 1
    assert widths[0] > 1.3 * 368  # as many pixels as the photograph has of it
    assert len([url for url in asked if url.endswith("large=true&reference=10")]) == 1  # once for both sides
    page.keyboard.press("w")  # the same pictures, laid over each other
    until(
        page, "[...document.querySelectorAll('card-compare .sheet img')].every((one) => one.dataset.grown === 'shown')"
    )
    assert len([url for url in asked if "?" in url]) == 1


def test_a_records_reference_is_shown_larger_too(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/record?id={TWO}")
    pane = page.locator(".record-viewer .pane")
    pane.focus()
    pane.locator("img").wait_for()
    pane.dblclick()
    until(page, "document.querySelector('.record-viewer .pane img').dataset.grown === 'shown'")
    shown = pane.locator("img")
    assert "size=large" in shown.get_attribute("src")
    assert shown.evaluate("(one) => one.naturalWidth") >= 368


def test_a_key_lays_the_records_other_references_over_the_card(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    place = page.locator(".candidate b").all_inner_texts().index(TWO)
    page.keyboard.press(str(place + 1))
    caption = page.locator(".stage figcaption").nth(1)
    first = caption.inner_text()
    page.keyboard.press("]")
    until(page, f"document.querySelectorAll('.stage figcaption')[1].innerText !== {json.dumps(first)}")
    assert caption.inner_text() in (f"{TWO}, reference 6", f"{TWO}, reference 7")
    laid = page.locator(".pane").nth(1).locator("img")
    assert "/closer/" in laid.get_attribute("src")
    assert laid.get_attribute("alt").endswith("laid over the card")
    until(page, "document.querySelectorAll('.pane')[1].querySelector('img').naturalWidth > 0")
    page.get_by_role("button", name="Other reference").click()
    until(page, f"document.querySelectorAll('.stage figcaption')[1].innerText === {json.dumps(first)}")


def test_a_ghost_gives_way_to_its_records_clearer_reference(
    small_stock: Stock, tmp_path: Path, open_page: Open
) -> None:
    folder = tmp_path / "catalogue"
    faded(small_stock, folder, 6)
    with serving(small_stock, folder) as site:
        page = open_page(site.address)
        page.set_input_files("#files", [scan_of(site, 6)])
        assert TWO in answered(page).inner_text()
        until(page, "document.querySelectorAll('.stage figcaption')[1].innerText.endsWith('reference 7')")
        assert page.locator(".pane").nth(1).locator("img").get_attribute("alt").endswith("laid over the card")


def test_a_new_crop_begins_with_the_clearest_card_of_its_negative(
    small_stock: Stock, tmp_path: Path, open_page: Open
) -> None:
    """The closest is one of several that show the same of the negative: a ghost is not what an eye compares with."""
    with serving(small_stock, tmp_path / "as-it-is") as site:
        page = open_page(site.address)
        give(page, site, NEW_CROP)
        answered(page)
        first = page.locator(".candidate b").first.inner_text()
        with Catalogue.open(site.folder) as catalogue:
            ghosts = [one.id for one in catalogue.references(first)]
    faded(small_stock, tmp_path / "catalogue", *ghosts)
    with serving(small_stock, tmp_path / "catalogue") as site:
        page = open_page(site.address)
        give(page, site, NEW_CROP)
        answered(page)
        assert page.locator(".candidate b").first.inner_text() == first
        shown = page.locator('.candidate[aria-pressed="true"] b').inner_text()
        assert shown != first
        assert page.locator(".stage figcaption").nth(1).inner_text().startswith(shown)
        page.keyboard.press("1")  # the ghost can be looked at, and says what is clearer
        offer = page.get_by_role("button", name=f"Faint. Clearer: {shown}")
        shown_to = page.locator(".pane").nth(1).bounding_box()
        assert offer.bounding_box()["y"] >= shown_to["y"] + shown_to["height"] - 1  # upon it, it would hide the words
        offer.click()
        assert page.locator('.candidate[aria-pressed="true"] b').inner_text() == shown


def scan_of(site: Site, reference: int) -> dict[str, Any]:
    with Catalogue.open(site.folder) as catalogue:
        row = catalogue.reference(reference)
        return {"name": "scan.jpg", "mimeType": "image/jpeg", "buffer": catalogue.image_path(row).read_bytes()}


def test_each_record_stands_once_among_the_candidates(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    names = page.locator(".candidate b").all_inner_texts()
    assert TWO in names  # it has two references
    assert len(set(names)) == len(names)


def test_damage_that_one_of_them_shows_alone_is_ringed_on_both(shared_site: Site, open_page: Open) -> None:
    """The page alone: what the answer names, by kind and place, is ringed where it says."""
    crease = {"kind": "crease", "on": "the reference", "place": "lower left", "box_mm": [2, 40, 12, 55]}
    stain = {"kind": "stain", "on": "either", "place": "upper right", "box_mm": [25, 5, 33, 11]}
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    page.evaluate(
        """(damage) => {
            for (const one of document.querySelector("card-compare").answer.candidates) one.evidence.damage = damage;
        }""",
        [{**fact, "area_mm2": 9.0, "probability": 0.9} for fact in (crease, stain)],
    )
    page.keyboard.press("y")
    rings = page.locator(".rings")
    assert rings.count() == 2
    assert rings.first.locator("ellipse").count() == rings.last.locator("ellipse").count() == 2
    middle = rings.first.locator("ellipse").first
    assert [float(middle.get_attribute(name)) for name in ("cx", "cy")] == pytest.approx(
        [7 * 640 / 63.5, 47.5 * 640 / 63.5]
    )
    page.get_by_role("button", name="1 crease, lower left (the reference)").click()
    until(page, "document.querySelector('.pane').classList.contains('enlarged')")
    assert page.get_by_role("button", name="2 stain, upper right (one of the two)").is_visible()
