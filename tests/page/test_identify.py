"""The identify page: photos in by several ways, answers, corners put right, ways of comparing, what goes wrong."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, NEW_POSE, Site

WAYS = {
    "w": "over", "d": "difference", "m": "proof-pose", "c": "proof-crop", "t": "proof-caption", "y": "proof-copy",
    "o": "photos",
}  # fmt: skip


def give(page: Any, site: Site, *names: str) -> None:
    page.set_input_files("#files", [site.stock.photo(name) for name in names])


def answered(page: Any) -> Any:
    """Its verdict, once what is decided can be pressed: not before both pictures are painted."""
    page.locator("card-compare .candidate").first.wait_for()
    until(page, "!document.querySelector('.keeping button:disabled:not([hidden])')")
    return page.locator(".outcome").first


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_photo_is_answered_with_its_evidence(shared_site: Site, open_page: Open, size: str) -> None:
    page = open_page(shared_site.address, size=size)
    give(page, shared_site, KNOWN)
    assert "V00013" in answered(page).inner_text()
    others = [chip for chip in page.locator(".chip").all_inner_texts() if "mark" not in chip.lower()]
    assert len(others) == 4, others  # the issuer's mark has a fifth only where it was read on both cards
    assert "the same, all but certain" in page.locator(".chip").first.inner_text()
    assert page.locator(".corner").count() == 4
    shown = page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    assert shown, "the page is wider than the window"
    assert page.locator("#told").inner_text().startswith(f"{KNOWN}.jpg: Known V00013")


def test_every_way_of_comparing_by_its_key(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    pictures = "card-compare .stage img"
    assert page.locator("card-compare .pane").count() == 2
    for key, way in WAYS.items():
        page.keyboard.press(key)
        assert page.locator("card-compare").get_attribute("data-way") == way
        if way not in ("proof-crop", "proof-caption"):
            loaded = f"[...document.querySelectorAll('{pictures}')].every((one) => one.complete && one.naturalWidth)"
            until(page, loaded)
    page.keyboard.press("c")
    assert page.locator(".crop-map .own").count() == 1
    assert page.locator(".crop-map .window").count() >= 2
    page.keyboard.press("t")
    assert page.locator(".lines .line svg").count() >= 1
    page.keyboard.press("w")
    page.locator(".fade input").fill("30")
    assert page.locator(".upper").evaluate("(node) => node.style.opacity") == "0.3"
    page.keyboard.press("2")
    assert page.locator(".candidate").nth(1).get_attribute("aria-pressed") == "true"


def test_zoom_and_pan_are_the_same_on_both_sides(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    before = page.locator(".mm-words").inner_text()
    pane = page.locator(".pane").first
    pane.focus()
    for _ in range(4):
        page.keyboard.press("+")
    page.keyboard.press("ArrowLeft")
    first, second = (page.locator(".sheet").nth(n).evaluate("(node) => node.style.transform") for n in (0, 1))
    assert first == second
    assert "scale(1)" not in first
    assert page.locator(".mm-words").inner_text() != before
    page.keyboard.press("0")
    assert page.locator(".mm-words").inner_text() == before


def test_corners_that_are_dragged_are_answered_again(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    corner = page.locator(".corner").nth(2)
    before = corner.get_attribute("aria-label")
    corner.scroll_into_view_if_needed()
    place = corner.bounding_box()
    with page.expect_response(lambda answer: "quad=" in answer.url) as told:
        page.mouse.move(place["x"] + place["width"] / 2, place["y"] + place["height"] / 2)
        page.mouse.down()
        page.mouse.move(place["x"] + place["width"] / 2 - 6, place["y"] + place["height"] / 2 - 4, steps=3)
        page.mouse.up()
    asked = [float(value) for value in re.findall(r"-?\d+\.\d", told.value.url.split("quad=")[1])]
    page.get_by_role("button", name="Find the outline again").wait_for()
    quad = told.value.json()["identification"]["cards"][0]["quad"]
    assert [value for corner in quad for value in corner] == pytest.approx(
        asked, abs=0.11
    )  # answered as it was drawn, not found anew
    assert page.locator(".corner").nth(2).get_attribute("aria-label") != before
    until(page, "!document.querySelector('.bench.stale, .bench[aria-busy]')")  # the new answer is not shown as the old


def test_who_is_nearest_to_a_new_negative_is_not_said_to_be_shown(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, NEW_POSE)
    assert "New negative" in answered(page).inner_text()
    heads = page.locator(".tile-group h3").all_inner_texts()
    assert heads[0].startswith("Nearest: ")
    assert "The same sitter" not in heads


def test_a_file_that_is_no_picture_leaves_no_broken_picture(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    page.set_input_files("#files", {"name": "words.jpg", "mimeType": "image/jpeg", "buffer": b"only words " * 50})
    page.locator(".problem").wait_for()
    until(page, "[...document.querySelectorAll('.stage img, .strip-photo img[src]')].every((one) => one.naturalWidth)")
    assert not page.locator("card-compare").is_visible()  # nor two empty frames beside its reason


@pytest.mark.parametrize("behind", ["", ": nearest 'Sallow Bowling Green'"])
def test_words_read_are_told_letter_by_letter(shared_site: Site, open_page: Open, behind: str) -> None:
    page = open_page(shared_site.address)
    read = page.evaluate(
        "(reason) => import('/static/words.js').then(({ readLines }) => readLines({ reasons: [reason] }))",
        f"read as 'K. O'Dell', 'Sallow Wheelers'{behind}",
    )
    assert read == ["K. O'Dell", "Sallow Wheelers"]


def test_several_photos_wait_for_their_turn(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN, NEW_CROP)
    page.locator(".strip-verdict", has_text="New crop").wait_for()
    told = page.locator(".strip-photo").all_inner_texts()  # in the order that they were given
    assert told[0].startswith("Known: V00013")
    assert told[1].startswith("New crop")
    page.keyboard.press("n")
    page.locator(".outcome", has_text="New crop").wait_for()
    assert page.locator("card-compare").count() == 1  # one open answer, which all keys act on


def test_a_photo_may_be_dropped(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    data = shared_site.stock.photo(KNOWN).read_bytes()
    handle = page.evaluate_handle(
        """(bytes) => {
            const held = new DataTransfer();
            held.items.add(new File([new Uint8Array(bytes)], "dropped.jpg", { type: "image/jpeg" }));
            return held;
        }""",
        list(data),
    )
    page.dispatch_event("#take", "drop", {"dataTransfer": handle})
    assert "V00013" in answered(page).inner_text()


def test_a_new_card_becomes_a_find_once(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    page.set_input_files("#files", [site.stock.photo(NEW_CROP)])
    answered(page)
    page.get_by_text("Where and when it was seen").click()
    page.get_by_label("Where it was seen").fill("a sale")
    page.get_by_role("button", name="Keep as a find").click()
    link = page.locator(".done a")
    link.wait_for()
    assert link.get_attribute("href") == "/review#F00002"  # it was proposed before: it stays as it is


def test_answers_are_shown_again_after_a_reload(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    page.reload()
    assert "V00013" in answered(page).inner_text()


# What goes wrong


def test_no_picture_and_no_card_say_what_to_do(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    page.set_input_files("#files", [{"name": "letter.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}])
    told = page.locator("#bench .problem")
    told.wait_for()
    assert "letter.jpg is no picture, its content is text" in told.inner_text()
    assert page.get_by_role("button", name="Try again").count() == 0  # it would be no other


def test_a_file_that_is_too_large_is_not_sent(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    page.evaluate(
        """() => {
            const held = new DataTransfer();
            const file = new File(["x"], "scan.tif", { type: "image/tiff" });
            Object.defineProperty(file, "size", { value: 300e6 });
            held.items.add(new File(["x"], "small.tif"));
            const files = [file];
            const event = new Event("drop");
            event.dataTransfer = { files };
            document.dispatchEvent(event);
        }"""
    )
    told = page.locator("#bench .problem").inner_text()
    assert "scan.tif has 300 MB, the limit is 60 MB" in told
    assert sent == []


def test_a_cut_network_loses_nothing(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    page.context.set_offline(True)
    give(page, shared_site, KNOWN)
    told = page.locator("#bench .problem")
    told.wait_for()
    assert "The service does not answer" in told.inner_text()
    page.context.set_offline(False)
    page.get_by_role("button", name="Try again").click()
    assert "V00013" in answered(page).inner_text()
    assert told.count() == 0


def test_a_known_card_is_noted_as_seen(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    page.set_input_files("#files", [site.stock.photo(KNOWN)])
    answered(page)
    page.get_by_text("Where and when it was seen").click()
    page.get_by_label("Where it was seen").fill("a friend's album")
    page.get_by_label("When: day, month or year").fill("yesterday")
    page.get_by_role("button", name="Note V00013 as seen").click()
    page.locator(".keeping .problem").wait_for()
    page.get_by_label("When: day, month or year").fill("2024-05")
    page.get_by_role("button", name="Note V00013 as seen").click()
    page.locator(".done", has_text="V00013").wait_for()
    page.goto(f"{site.address}/record?id=V00013")
    page.get_by_text("a friend's album").wait_for()
