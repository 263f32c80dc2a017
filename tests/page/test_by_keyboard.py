"""One flow from a photo to a record with the keyboard alone: no click, no mouse, no focus set by the test."""

from __future__ import annotations

from typing import Any

from matcher.catalogue import Catalogue
from tests.page.conftest import Open, until
from tests.page.site import NEW_CROP, Site

MOST_TABS = 80


def tab_to(page: Any, name: str) -> None:
    """Press Tab until what has the focus is called so: by its words, or by what a screen reader is told."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        told = page.evaluate(
            """() => {
                const held = document.activeElement;
                return held.getAttribute("aria-label") || held.labels?.[0]?.innerText || held.innerText || "";
            }"""
        )
        if told.startswith(name):
            shown = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert shown != "none", f"nobody sees that {name} has the focus"
            return
    raise AssertionError(f"{name} is not reached by Tab")


def test_from_a_photo_to_a_record(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    choosers: list[Any] = []
    page.on(
        "filechooser", lambda chooser: choosers.append(chooser)
    )  # asked for from the start: Chromium shows no window of its own
    tab_to(page, "Choose photographs")
    page.keyboard.press("Enter")
    while not choosers:
        page.wait_for_timeout(50)
    choosers[0].set_files(site.stock.photo(NEW_CROP))
    page.locator("card-compare .candidate").first.wait_for()

    tab_to(page, "Corner bottom right")
    with page.expect_response(lambda answer: "quad=" in answer.url):
        page.keyboard.press("ArrowLeft")
    page.get_by_role("button", name="Find the outline again").wait_for()
    tab_to(page, "Lay over")
    page.keyboard.press("Enter")
    tab_to(page, "How much of the reference")
    before = page.locator(".upper").evaluate("(node) => node.style.opacity")
    page.keyboard.press("ArrowLeft")
    assert page.locator(".upper").evaluate("(node) => node.style.opacity") != before
    page.keyboard.press("c")
    page.locator(".crop-map .own").wait_for()
    page.keyboard.press("2")
    until(page, "document.querySelectorAll('.candidate')[1].getAttribute('aria-pressed') === 'true'")

    tab_to(page, "Review")
    page.keyboard.press("Enter")
    page.locator("card-compare .candidate").first.wait_for()
    tab_to(page, "Caption, as printed")
    page.keyboard.type("Seen by keyboard")
    tab_to(page, "Club, as printed")
    page.keyboard.type("Pellow Sound R. C.")
    page.keyboard.press("Enter")  # the known card bears a mark and none was read on this one: it is asked for
    tab_to(page, "Issuer's mark, as printed")
    page.keyboard.type("none")
    page.keyboard.press("Enter")
    page.locator(".toast", has_text="was added").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        (made,) = catalogue.decisions(newest_first=True, limit=1)
    assert made.action == "accept"

    page.keyboard.press("Escape")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("u")
    until(page, "document.querySelector('#count').innerText.startsWith('4')")
