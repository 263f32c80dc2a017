"""The catalogue, records, scarcity and the log: looked through, corrected, undone."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from matcher.catalogue import Catalogue
from tests.page.conftest import Open, until
from tests.page.site import RECORDS, Site


def all_loaded(page: Any, pictures: str) -> None:
    until(page, f"[...document.querySelectorAll('{pictures}')].every((one) => one.complete && one.naturalWidth > 0)")


def undone(entry: Any) -> None:
    """Undoing asks once more: the first press asks, the second does it."""
    entry.get_by_role("button", name="Undo").click()
    entry.get_by_role("button", name="Undo").click()


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_browsing_by_subject_negative_and_crop(shared_site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{shared_site.address}/catalogue", size=size)
    page.locator("#end:not([hidden])").wait_for()
    assert page.locator(".subject").count() == 2
    assert page.locator(".cards li").count() == len(RECORDS)
    assert page.locator(".crop-name").count() > page.locator(".pose").count() > 2
    page.locator(".cards img").first.scroll_into_view_if_needed()
    until(page, "document.querySelector('.cards img').naturalWidth > 0")
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    page.locator(".letters a").last.click()
    until(page, "document.querySelectorAll('.subject').length === 1")
    page.get_by_role("button", name="Earlier ones").click()
    until(page, "document.querySelectorAll('.subject').length === 2")


def test_a_search_forgives_spelling(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/catalogue")
    page.get_by_role("searchbox").fill("oskar dunelbi")
    page.locator("#found .cards li").first.wait_for()
    assert "V00013" in page.locator("#found").inner_text()
    page.get_by_role("searchbox").fill("")
    page.locator("#browse .subject").first.wait_for()
    page.goto(f"{shared_site.address}/catalogue?name=<b>qqqq</b>")
    page.locator("#found .empty").wait_for()
    assert "<b>qqqq</b>" in page.locator("#found").inner_text()  # what somebody typed is text


def test_a_record_with_its_references_crops_and_decisions(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/record?id=V00013")
    page.get_by_role("heading", name="V00013").wait_for()
    all_loaded(page, ".references img")
    assert page.locator("dl.fields").inner_text().count("Oscar Dunnelby") == 1
    page.get_by_role("button", name="Measure the crops of this negative").click()
    page.locator(".crop-map .own").wait_for()
    assert page.locator(".crop-map .window").count() >= 1
    assert "added from a table" in page.locator(".decisions").inner_text()


def test_a_correction_is_saved_and_undone(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/record?id=V00013")
    page.get_by_text("Correct this record").click()
    page.get_by_label("Year").fill("1889")
    page.get_by_label("Why (for the log)").fill("read off the back")
    page.get_by_role("button", name="Save the corrections").click()
    page.locator("dl.fields dd", has_text="1889").wait_for()
    undone(page.locator(".decisions li", has_text="corrected"))
    page.locator("dl.fields dd", has_text="1884").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert catalogue.record("V00013").year == "1884"


def test_a_correction_meets_another_ones(site: Site, open_page: Open) -> None:
    first, second = (open_page(f"{site.address}/record?id=V00013") for _ in range(2))
    for page, year in ((first, "1889"), (second, "1890")):
        page.get_by_text("Correct this record").click()
        page.get_by_label("Year").fill(year)
        page.get_by_role("button", name="Save the corrections").click()
        page.locator("dl.fields dd", has_text="1889").or_(page.locator("form .problem")).first.wait_for()
    assert "Somebody has changed it since" in second.locator("form .problem").inner_text()
    assert second.get_by_label("Year").input_value() == "1890"  # nothing typed is lost
    second.get_by_role("button", name="Show it as it is now").click()
    second.locator("dl.fields dd", has_text="1889").wait_for()


def test_a_copy_is_named_and_a_record_taken_out(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/record?id=V00013")
    page.get_by_label("Which copy it shows: reference").fill("the one with the tear")
    page.get_by_role("button", name="Note it").click()
    page.get_by_text('copy "the one with the tear"').wait_for()
    page.get_by_text("Remove this record", exact=True).click()
    page.get_by_role("button", name="Remove the record").click()
    page.get_by_role("link", name="To the log").click()
    undone(page.locator(".decisions li", has_text="removed"))
    page.locator(".decisions li.undone", has_text="removed").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert catalogue.record("V00013")


def test_no_such_record(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/record?id=V99999")
    assert "There is no such record" in page.get_by_role("alert").inner_text()


def test_scarcity_with_its_plot_and_gaps(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/scarcity")
    page.locator(".plot figcaption").wait_for()
    assert page.locator(".plot .least").count() >= 1
    assert page.locator(".scarce li").count() == len(RECORDS)
    page.get_by_text("Records known from one copy").click()
    assert page.locator("#gaps a").first.is_visible()


def test_a_batch_longer_than_a_page_of_the_log_is_told_as_a_whole(shared_site: Site, open_page: Open) -> None:
    """It is undone as a whole: a number that counts one page of it would have somebody undo more than is said."""
    enrolled = [
        {"number": number, "action": "enrol", "about": f"V{number:05d}", "batch": "b1", "standing": True,
         "actor": "person", "by": "ada", "at": "2026-11-28T10:00:00Z", "outcome": "", "note": ""}
        for number in range(180, 0, -1)
    ]  # fmt: skip

    def answer(route: Any) -> None:
        asked = {name: int(value) for name, value in parse_qsl(urlsplit(route.request.url).query)}
        items = enrolled[asked["offset"] : asked["offset"] + asked["limit"]]
        route.fulfill(json={"total": len(enrolled), "items": items})

    page = open_page("about:blank")
    page.route("**/v1/decisions?*", answer)
    page.route("**/v1/thumbnail?*", lambda route: route.abort())
    page.goto(f"{shared_site.address}/log")
    page.get_by_role("button", name="Undo these 180").wait_for()
    assert "180 at one go" in page.locator(".batch summary").inner_text()
    assert page.get_by_role("button", name="Earlier ones").count() == 0


@pytest.mark.parametrize("size", ["desk", "phone", "narrow"])
def test_records_side_by_side_are_enlarged_by_key_and_left_again(shared_site: Site, open_page: Open, size: str) -> None:
    """On a phone the button that closes them once lay off the screen, and a phone has no Escape."""
    page = open_page(f"{shared_site.address}/catalogue", size=size)
    page.locator("#end:not([hidden])").wait_for()
    for button in page.locator(".to-tray").all()[:3]:
        button.click()
    page.get_by_role("button", name="Compare 3").click()
    box = page.locator("dialog.compare-full")
    box.locator("figcaption .printed").first.wait_for()
    wide, high = page.evaluate("[innerWidth, innerHeight]")
    assert box.evaluate("(node) => node.scrollWidth <= innerWidth")
    for pane in box.locator(".pane").all():
        place = pane.bounding_box()
        assert place is not None
        assert 0 <= place["x"] <= place["x"] + place["width"] <= wide
        assert place["width"] / place["height"] == pytest.approx(368 / 640, abs=0.02)  # no room for nothing
    sheet = box.locator(".sheet").first
    before = sheet.evaluate("(node) => node.getBoundingClientRect().width")
    page.keyboard.press("+")
    assert sheet.evaluate("(node) => node.getBoundingClientRect().width") > before
    close = box.locator("header button", has_text="Close")
    place = close.bounding_box()
    assert place is not None
    assert place["x"] + place["width"] <= wide
    assert place["y"] + place["height"] <= high
    close.click()
    box.wait_for(state="detached")


def test_a_filtered_log_does_not_say_that_nothing_was_decided(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log")
    page.locator(".decisions li").first.wait_for()
    page.get_by_label("What").select_option("rejected")
    page.locator(".decisions", has_text="Nothing of this kind was decided").wait_for()


def test_the_list_of_keys_begins_at_its_head(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/record?id=V00013")
    page.get_by_role("heading", name="V00013").wait_for()
    page.set_viewport_size({"width": 900, "height": 300})
    page.keyboard.press("?")
    page.get_by_role("heading", name="Keys").wait_for()
    assert page.locator("dialog[open]").evaluate(
        "(node) => [node.scrollTop, node.scrollHeight > node.clientHeight]"
    ) == [
        0,
        True,
    ]
