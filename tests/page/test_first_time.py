"""Where somebody who had never seen the page was unsure, misled or stopped: each place once."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE, Site, Stock, serving
from tests.page.test_identify import answered, give
from tests.page.test_lot_and_listing import lot_of
from tests.page.test_review import CAPTION, CROP, POSE, review, said

PAINTED = "[...document.querySelectorAll('card-compare .pane img')].every((one) => one.naturalWidth > 0)"


def test_enter_does_what_its_button_says_after_a_click_elsewhere(site: Site, open_page: Open) -> None:
    """A clicked chip keeps the focus: Enter pressed it once more, though the button beside it says Enter."""
    page = open_page(site.address)
    give(page, site, KNOWN)
    answered(page)
    page.locator(".chip[data-rung=crop]").click()
    assert page.locator("card-compare").get_attribute("data-way") == "proof-crop"
    page.keyboard.press("Enter")
    page.locator(".done", has_text="a copy was seen of V00013").wait_for()
    page.keyboard.press("Tab")
    page.locator(".chip[data-rung=caption]").focus()  # as the keyboard comes to it
    page.keyboard.press("Enter")
    assert page.locator("card-compare").get_attribute("data-way") == "proof-caption"


def test_the_strip_tells_what_was_done_and_nothing_is_typed_into_the_void(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    give(page, site, KNOWN)
    answered(page)
    under = page.locator(".strip-photo .small")
    assert under.inner_text() == f"{KNOWN}.jpg"
    page.get_by_role("button", name="Note V00013 as seen").click()
    page.locator(".strip-photo.done-with").wait_for()
    assert under.inner_text() == f"✓ noted: {KNOWN}.jpg"
    assert page.get_by_text("Where and when it was seen").is_hidden()
    page.reload()
    answered(page)
    assert under.inner_text() == f"✓ noted: {KNOWN}.jpg"


@pytest.mark.parametrize("name", [KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE])
def test_on_a_phone_an_answers_decision_is_on_the_first_screen(shared_site: Site, open_page: Open, name: str) -> None:
    page = open_page(shared_site.address, size="phone")
    give(page, shared_site, name)
    answered(page)
    assert above_the_bar(page, ".keeping .row button:not([hidden])")


@pytest.mark.parametrize("find", [CAPTION, CROP, POSE])
def test_on_a_phone_a_finds_decision_is_on_the_first_screen(shared_site: Site, open_page: Open, find: str) -> None:
    page = review(open_page, shared_site, find, size="phone")
    assert above_the_bar(page, ".decide-row button")


def above_the_bar(page: Any, buttons: str) -> Any:
    """Whether all of them are wholly seen above the bar at a phone's foot, with nothing scrolled."""
    until(page, PAINTED)
    assert page.locator(buttons).count() >= 1
    return page.evaluate(
        """(buttons) => {
            const foot = document.querySelector(".head nav").getBoundingClientRect().top;
            return scrollY === 0 && [...document.querySelectorAll(buttons)].every((one) => {
                const box = one.getBoundingClientRect();
                return box.height > 30 && box.bottom <= foot && box.left >= 0 && box.right <= innerWidth;
            });
        }""",
        buttons,
    )


def otherwise(route: Any) -> None:
    """A comparison as if all records near to the card were others today."""
    answer = route.fetch()
    told = answer.json()
    for one in told["identification"]["cards"][0]["candidates"]:
        one["record_id"] = f"{one['record_id']}-b"
    route.fulfill(response=answer, json=told)


def test_a_lots_card_whose_record_is_no_longer_among_the_nearest_can_be_decided(site: Site, open_page: Open) -> None:
    """The lot was compared with the catalogue of then. What the buttons name stays until another is asked for."""
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, NEW_POSE)
    page.route("**/cards/*/comparison", otherwise)
    page.get_by_role("button", name="Work through 1 card").click()
    look = page.get_by_role("button", name="Look at V")
    look.wait_for()
    told = page.locator(".notice").inner_text()
    assert "New negative: None of your negatives" in told
    named = page.locator(".stage figcaption").nth(1).inner_text()
    page.get_by_role("button", name=f"It is {named}").wait_for()
    look.click()
    nearest = told.split("Nearest: ")[1].split(",")[0]
    page.get_by_role("button", name=f"It is {nearest}").wait_for()
    assert f"Nearest: {nearest}," in page.locator(".mode .verdict").inner_text()


def test_the_headline_of_a_find_names_the_record_that_stands_beside_it(site: Site, open_page: Open) -> None:
    """It named the nearest of then, where today's catalogue has another."""
    page = open_page(f"{site.address}/catalogue")
    page.route("**/v1/finds/*/comparison", otherwise)
    page.goto(f"{site.address}/review#F00004")  # its negative is new
    page.get_by_text("Compared again with today's catalogue").wait_for()
    shown = page.locator(".stage figcaption").nth(1).inner_text().split(",")[0]
    assert shown.endswith("-b")
    assert f"Nearest: {shown}," in page.locator(".verdict").inner_text()


def test_a_lots_pictures_are_asked_for_again_after_a_restart(
    small_stock: Stock, tmp_path: Path, open_page: Open
) -> None:
    """What was asked ahead is gone with the service: broken pictures stood beside a button that could be pressed."""
    with serving(small_stock, tmp_path / "catalogue") as site:
        port = int(site.address.rsplit(":", 1)[1])
        page = open_page(f"{site.address}/lot", size="laptop")
        lot_of(page, site, KNOWN, NEW_CROP)
        page.locator(".filters button", has_text="All").click()
        page.locator(".wall-card").first.click()
        with page.expect_response(lambda answer: answer.url.endswith("/cards/2.1/comparison")):
            page.locator("card-compare .candidate").first.wait_for()
    with serving(small_stock, tmp_path / "catalogue", port=port):
        page.keyboard.press("ArrowDown")
        page.locator(".mode-head b", has_text="2 of 2").wait_for()
        page.locator("card-compare .candidate").first.wait_for()
        until(page, PAINTED)


def test_in_a_lot_what_is_missing_is_told_under_the_buttons(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, NEW_CROP)
    page.get_by_role("button", name="Work through 1 card").click()
    page.locator("card-compare .candidate").first.wait_for()
    assert page.locator(".mode-head .small").inner_text() == "1 to decide"
    page.keyboard.press("ArrowRight")
    told = page.locator(".wrong .problem")
    told.wait_for()
    top = told.evaluate("(node) => node.getBoundingClientRect().top")
    foot = page.locator(".mode .decide-row").evaluate("(node) => node.getBoundingClientRect().bottom")
    assert 0 <= top - foot < 40


def test_a_lot_without_a_name_is_called_after_all_its_scans(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    page.set_input_files("#files", [site.stock.photo(name) for name in (KNOWN, NEW_CROP, NEW_POSE)])
    page.get_by_role("button", name="Send them").click()
    page.locator("h1", has_text=f"{KNOWN}.jpg and 2 more").wait_for()


def test_another_records_words_are_offered_by_its_number(shared_site: Site, open_page: Open) -> None:
    """Offered bare they looked like what was read on this card."""
    page = review(open_page, shared_site, CROP)
    offers = [one for one in page.locator(".offers button").all_inner_texts() if "“" in one]
    assert offers
    assert all(one.startswith("As V") for one in offers)


def test_where_the_references_words_stand_elsewhere_the_cards_stand_alone(shared_site: Site, open_page: Open) -> None:
    """Of another crop the strip below showed legs, with boxes about nothing."""
    page = review(open_page, shared_site, CROP)
    alone = page.get_by_role("img", name="The caption of this card")
    alone.wait_for()
    assert page.locator(".form-lines rect").count() == 0
    words = page.locator(".chip[data-rung=caption]")
    assert "not checked" in words.inner_text()
    assert words.is_disabled()


def test_the_issuers_words_behind_a_dash_are_left_out_with_one_press(site: Site, open_page: Open) -> None:
    page = open_page("about:blank")

    def read(route: Any) -> None:
        answer = route.fetch()
        told = answer.json()
        told["evidence"]["fields"] = {
            "club": {"value": "Pellow Sound R. C. - Quillory Works, Port", "origin": "read", "confirm": True}
        }
        route.fulfill(response=answer, json=told)

    page.route(f"**/v1/finds/{CAPTION}", read)
    page.goto(f"{site.address}/review#{CAPTION}")
    page.get_by_role("button", name="Only “Pellow Sound R. C.”").click()
    assert page.get_by_label("Club, as printed").input_value() == "Pellow Sound R. C."
    assert page.locator("#from-club").inner_text() == "your word"


def test_the_message_of_what_was_done_never_lies_upon_the_next_decision(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION, size="laptop")
    said(page)
    page.get_by_role("button", name="Accept as a new record").click()
    page.locator(".toast", has_text="was added to the catalogue").wait_for()
    page.locator("card-compare .candidate").first.wait_for()
    placed = "(selector) => document.querySelector(selector)?.getBoundingClientRect() ?? {}"
    until(page, f"({placed})('.side').width > 0")  # the next one is laid out
    until(page, f"({placed})('.toast').right <= ({placed})('.side').left")


def test_what_a_crop_map_says_is_not_cut(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address, size="laptop")
    give(page, shared_site, NEW_CROP)
    answered(page)
    page.keyboard.press("c")
    said_below = page.locator(".crop-map figcaption")
    said_below.wait_for()
    assert "Drag this card's frame" in said_below.inner_text()
    assert said_below.evaluate(
        "(node) => node.scrollHeight <= node.clientHeight + 1 && node.scrollWidth <= node.clientWidth"
    )


CLOSE = [[0.0, 0.0, 36.0, 60.0], [1.0, 0.5, 30.0, 50.0], [0.5, 3.8, 36.0, 63.0], [1.2, 4.0, 36.0, 64.0]]


def test_letters_of_crops_that_begin_close_together_do_not_lie_upon_each_other(
    shared_site: Site, open_page: Open
) -> None:
    page = open_page(f"{shared_site.address}/log")
    crops = [{"crop": "ABCD"[at], "window_mm": box, "sigma_mm": 0.3} for at, box in enumerate(CLOSE)]
    places, words = page.evaluate(
        """async (mapped) => {
            const { poseCrops } = await import("/static/cropmap.js");
            const made = poseCrops(mapped, "B");
            const at = (one, name) => Number(one.getAttribute(name));
            const places = [...made.querySelectorAll("text")].map((one) => [at(one, "x"), at(one, "y")]);
            return [places, made.querySelector("ul").innerText];
        }""",
        {"pose": "P0001", "shown_mm": [0, 0, 36, 64], "crops": crops},
    )
    for at, (x, y) in enumerate(places):
        assert all(abs(x - left) >= 3.4 or abs(y - top) >= 3.4 for left, top in places[:at])
    assert "A 36.0 x 60.0 mm, the widest" in words or "D 34.8 x 60.0 mm" in words
    assert "right and 0.5 mm below crop A's corner" in words


def test_a_damaged_file_is_told_in_plain_words_and_can_be_removed(shared_site: Site, open_page: Open) -> None:
    whole = shared_site.stock.photo(KNOWN).read_bytes()
    page = open_page(shared_site.address)
    page.set_input_files("#files", [{"name": "half.jpg", "mimeType": "image/jpeg", "buffer": whole[: len(whole) // 3]}])
    told = page.locator("#bench .problem")
    told.wait_for()
    assert "incomplete" in told.inner_text()
    assert "bytes not processed" not in told.inner_text()
    page.get_by_role("button", name="Remove", exact=True).click()
    page.get_by_role("heading", name="Which card is it?").wait_for()


def test_the_log_says_nothing_twice(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    give(page, site, KNOWN)
    answered(page)
    page.keyboard.press("Enter")
    page.locator(".done").wait_for()
    page.goto(f"{site.address}/log")
    words = page.locator(".decision-words", has_text="noted as seen").first.inner_text()
    assert words.startswith("noted as seen V00013: sighting 1")
    assert page.locator(".decision-words", has_text="kept as a find").first.inner_text().count("proposed") == 0


def test_several_cards_noted_as_seen_at_one_go_are_told_whole(shared_site: Site, open_page: Open) -> None:
    """A lot's known cards are confirmed so; what stood before the first bracket and behind the last was cut off."""
    page = open_page("about:blank")
    seen = "seen: V00013 (sighting 1), V00010 (sighting 2)"

    def told(route: Any) -> None:
        answer = route.fetch()
        items = answer.json()["items"]
        items[0] |= {"action": "see", "about": "V00013 V00010", "outcome": seen, "batch": None}
        route.fulfill(response=answer, json={**answer.json(), "items": items})

    page.route("**/v1/decisions?**", told)
    page.goto(f"{shared_site.address}/log")
    assert seen.removeprefix("seen: ") in page.locator(".decision-words").first.inner_text()


def test_an_unreadable_card_is_told_why_once(shared_site: Site, open_page: Open) -> None:
    """A card too small in the photo was told to have too little of its picture left, and to resemble nothing."""
    page = open_page(shared_site.address)
    with Image.open(shared_site.stock.photo(KNOWN)) as photo:
        photo.thumbnail((160, 160))
        small = io.BytesIO()
        photo.save(small, "JPEG")
    page.set_input_files("#files", {"name": "thumb.jpg", "mimeType": "image/jpeg", "buffer": small.getvalue()})
    page.locator(".outcome-unreadable").wait_for()
    words = page.locator("main").inner_text()
    assert words.lower().count("too small in the picture") == 1
    assert "Too little of the picture" not in words
    assert "resembles" not in words


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_what_is_missing_is_told_on_the_screen_and_hides_no_button(
    shared_site: Site, open_page: Open, size: str
) -> None:
    """On a phone it stood below what was seen, and the message of what was done upon the buttons."""
    page = review(open_page, shared_site, POSE, size=size)
    page.get_by_role("button", name="Accept as a new record").click()
    page.locator(".side .wrong .problem").wait_for()
    page.wait_for_timeout(200)  # the field that is asked for is scrolled to
    boxes = page.evaluate(
        """() => [".side .wrong .problem", ".decide-row"].map((name) => {
            const { top, bottom } = document.querySelector(name).getBoundingClientRect();
            return [top, bottom];
        })"""
    )
    (top, foot), (buttons, last) = boxes
    assert 0 <= top < foot <= buttons + 1
    assert last <= page.viewport_size["height"]


def test_on_a_phone_the_message_of_what_was_done_lies_above_the_next_decision(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION, size="phone")
    page.get_by_role("button", name="Reject").click()
    page.locator(".toast", has_text="rejected").wait_for()
    page.locator(".decide-row button", has_text="Reject").wait_for()
    foot = page.locator(".toast").evaluate("(node) => node.getBoundingClientRect().bottom")
    assert foot <= page.locator(".decide-row").evaluate("(node) => node.getBoundingClientRect().top") + 1
