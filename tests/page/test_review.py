"""The review of finds: accept, enter, reject, skip, back, undo, like ones, reload, two windows, keys alone."""

from __future__ import annotations

from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from tests.page.conftest import Open
from tests.page.site import Site

CAPTION, CROP, ALIKE, POSE = "F00001", "F00002", "F00003", "F00004"


def review(open_page: Open, site: Site, find: str = "", **more: Any) -> Any:
    page = open_page(f"{site.address}/review{'#' + find if find else ''}", **more)
    laid(page)
    return page


def laid(page: Any) -> None:
    page.locator("card-compare .candidate").first.wait_for()


def shows(page: Any, find: str) -> None:
    page.locator(f".film-frame[data-id={find}][aria-current=true]").wait_for()
    page.locator(".side a", has_text=find).wait_for()


def said(
    page: Any, caption: str = "W. Invented", club: str = "Pellow Sound R. C.", mark: str = "Quillory Works"
) -> None:
    """What a person has read off the card: the form asks for it, and takes nothing from another record.

    mark: said where it is asked for; "" to leave the question open.
    """
    page.get_by_label("Caption, as printed").fill(caption)
    page.get_by_label("Club, as printed").fill(club)
    asked = page.get_by_label("Issuer's mark, as printed")
    if mark and asked.get_attribute("aria-required"):
        asked.fill(mark)


def state_of(site: Site, find: str) -> tuple[str, str | None]:
    with Catalogue.open(site.folder) as catalogue:
        row = resolution.find(catalogue, find)
    return row.state, row.record_id


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_accept_and_next_then_undo(site: Site, open_page: Open, size: str) -> None:
    page = review(open_page, site, CAPTION, size=size)
    assert page.get_by_label("Who is shown").input_value() != ""  # the negative's: only what is new is typed
    said(page, caption="B. Invented")
    page.get_by_role("button", name="Accept as a new record").click()
    shows(page, CROP)
    state, record = state_of(site, CAPTION)
    assert (state, record is None) == ("accepted", False)
    page.locator(".toast", has_text=str(record)).get_by_role("button", name="Undo").click()
    shows(page, CAPTION)
    assert state_of(site, CAPTION) == ("open", None)


def test_a_find_is_entered_into_the_candidate_that_is_shown(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION)
    page.keyboard.press("2")
    chosen = page.locator(".candidate").nth(1).locator("b").inner_text()
    page.get_by_role("button", name=f"It is {chosen}").click()
    shows(page, CROP)
    assert state_of(site, CAPTION) == ("merged", chosen)


def test_like_ones_are_shown_and_decided_by_eye(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CROP)
    said(page)
    page.get_by_role("button", name="Accept as a new record").click()
    panel = page.locator(".likes")
    panel.wait_for()
    assert panel.locator("img").count() == 1
    assert state_of(site, ALIKE) == ("open", None)  # nothing without a look
    _, record = state_of(site, CROP)
    panel.get_by_role("checkbox").check()
    panel.get_by_role("button", name=f"Enter 1 into {record}").click()
    shows(page, POSE)
    assert state_of(site, ALIKE) == ("merged", record)
    page.locator(".toast", has_text="1 more").get_by_role("button", name="Undo").click()
    shows(page, ALIKE)
    assert state_of(site, ALIKE) == ("open", None)


def test_keys_alone(site: Site, open_page: Open) -> None:
    page = review(open_page, site)
    shows(page, CAPTION)
    page.keyboard.press("s")
    shows(page, CROP)
    page.keyboard.press("p")
    shows(page, CAPTION)
    laid(page)
    page.keyboard.press("r")
    shows(page, CROP)
    assert state_of(site, CAPTION)[0] == "rejected"
    page.keyboard.press("u")
    shows(page, CAPTION)
    assert state_of(site, CAPTION)[0] == "open"
    page.keyboard.press("?")
    assert page.get_by_role("dialog").is_visible()
    page.get_by_label("Single keys act at once").press("Space")
    page.keyboard.press("Escape")
    page.keyboard.press("r")
    page.wait_for_timeout(300)
    assert state_of(site, CAPTION)[0] == "open"  # turned off: WCAG 2.1.4


def test_every_control_is_reached_by_tab(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CROP)
    reached = set()
    for _ in range(90):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.innerText || document.activeElement.id"))
    assert {"Accept as a new record a", "Reject r", "Later s", "field-caption", "Lay over w"} <= reached


def test_what_was_typed_survives_a_reload(site: Site, open_page: Open) -> None:
    page = review(open_page, site, POSE)
    page.get_by_label("Who is shown").fill("Somebody Invented")
    page.reload()
    laid(page)
    shows(page, POSE)
    assert page.get_by_label("Who is shown").input_value() == "Somebody Invented"


def test_what_is_missing_is_said_and_nothing_is_decided(site: Site, open_page: Open) -> None:
    page = review(open_page, site, POSE)
    page.get_by_role("button", name="Accept as a new record").click()
    told = page.locator("#bench .problem")
    told.wait_for()
    assert "Who is shown?" in told.inner_text()
    assert page.get_by_label("Who is shown").evaluate("(field) => field === document.activeElement")
    assert state_of(site, POSE)[0] == "open"


def test_two_windows_do_not_overwrite_each_other(site: Site, open_page: Open) -> None:
    """Two people: two browsers that know nothing of each other."""
    first = review(open_page, site, CAPTION)
    second = review(open_page, site, CAPTION)
    said(second)
    second.get_by_text("More: negative").click()
    second.get_by_label("Note for the log").fill("a long thought")
    first.keyboard.press("r")
    shows(first, CROP)
    second.get_by_role("button", name="Accept as a new record").click()
    told = second.locator("#bench .problem")
    told.wait_for()
    assert "rejected" in second.locator("#bench").inner_text()
    assert state_of(site, CAPTION)[0] == "rejected"


def test_a_second_window_of_one_browser_is_told(site: Site, open_page: Open) -> None:
    first = review(open_page, site, CAPTION)
    second = review(open_page, site, CAPTION, context=first.context)
    first.keyboard.press("r")
    shows(first, CROP)
    second.locator("#bench .problem").wait_for()
    assert "Another window has decided" in second.locator("#bench .problem").inner_text()


def test_a_finds_own_page(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/find?id={CROP}")
    laid(page)
    told = page.locator("#find").inner_text()
    assert "album 3" in told
    assert "1987-05" in told
    assert "kept as a find" in told


def test_an_accepted_finds_page_shows_what_it_was_found_nearest_to(site: Site, open_page: Open) -> None:
    """Not the record that it became: that is the card itself, and agrees with it in everything."""
    with Catalogue.open(site.folder) as catalogue:
        from matcher.catalogue.log.decisions import person

        wanted = resolution.RecordFields(caption="W. Invented", club="Pellow Sound R. C.")
        resolution.accept(catalogue, CROP, person("Ada Quill"), wanted)
    page = open_page(f"{site.address}/find?id={CROP}")
    laid(page)
    page.get_by_text("When it was proposed:").wait_for()
    assert page.locator(".chip[data-rung=crop]").get_attribute("class") == "chip other"


def test_no_find_is_left(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CROP)
    with Catalogue.open(site.folder) as catalogue:
        from matcher.catalogue.log.decisions import person

        for name in (CAPTION, ALIKE, CROP, POSE):
            resolution.reject(catalogue, name, person("Ada Quill"))
    page.goto(f"{site.address}/review")
    page.get_by_text("No find is waiting").wait_for()
