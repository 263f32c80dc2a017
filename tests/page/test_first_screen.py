"""The evidence first: card, reference and verdict wholly on the first screen of an answer, a find and a lot's card."""

from __future__ import annotations

from typing import Any

import pytest

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE, Site

SIZES = ("desk", "laptop", "phone")
SHOWN = """() => {
    const wholly = (node) => {
        const box = node.getBoundingClientRect();
        const bar = document.querySelector(".head nav");  // at the foot of a phone's screen
        const foot = getComputedStyle(bar).position === "fixed" ? bar.getBoundingClientRect().top : innerHeight;
        return box.width > 0 && box.top >= 0 && box.bottom <= foot && box.left >= 0 && box.right <= innerWidth;
    };
    const panes = [...document.querySelectorAll("card-compare .pane")];
    const images = panes.map((pane) => pane.querySelector("img"));
    return {
        scrolled: scrollY, panes: panes.map(wholly), painted: images.map((one) => one.naturalWidth > 0),
        verdict: wholly(document.querySelector(".verdict .outcome")),
        high: Math.min(...images.map((one) => one.getBoundingClientRect().height)),
    };
}"""


def on_the_first_screen(page: Any) -> None:
    page.locator("card-compare .candidate").first.wait_for(state="attached")
    until(page, "[...document.querySelectorAll('card-compare .pane img')].every((one) => one.naturalWidth > 0)")
    shown = page.evaluate(SHOWN)
    assert shown.pop("high") >= 280, "too small to be compared by eye"
    assert shown == {"scrolled": 0, "panes": [True, True], "painted": [True, True], "verdict": True}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", [KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE])
def test_of_an_answer(shared_site: Site, open_page: Open, size: str, name: str) -> None:
    page = open_page(shared_site.address, size=size)
    page.set_input_files("#files", [shared_site.stock.photo(name)])
    on_the_first_screen(page)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("find", ["F00001", "F00002", "F00004"])
def test_of_a_find(shared_site: Site, open_page: Open, size: str, find: str) -> None:
    on_the_first_screen(open_page(f"{shared_site.address}/review#{find}", size=size))


@pytest.mark.parametrize("size", SIZES)
def test_of_a_lots_card(site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{site.address}/lot", size=size)
    page.set_input_files("#files", [site.stock.photo(NEW_CROP)])
    page.get_by_role("button", name="Send them").click()
    page.locator(".lot-far", has_text="1 scan done").wait_for()
    page.get_by_role("button", name="Work through 1 card").click()
    on_the_first_screen(page)


@pytest.mark.parametrize(("wide", "high"), [(640, 360), (720, 450), (844, 390)])
def test_enlarged_twice_or_on_its_side_the_pictures_stay_large(
    shared_site: Site, open_page: Open, wide: int, high: int
) -> None:
    """A laptop's page at 200 %, and a phone on its side: the pictures were 24 px high."""
    page = open_page(shared_site.address)
    page.set_viewport_size({"width": wide, "height": high})
    page.set_input_files("#files", [shared_site.stock.photo(KNOWN)])
    page.locator("card-compare .candidate").first.wait_for(state="attached")
    until(page, "[...document.querySelectorAll('card-compare .pane img')].every((one) => one.naturalWidth > 0)")
    assert page.evaluate(SHOWN)["high"] >= 240
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
