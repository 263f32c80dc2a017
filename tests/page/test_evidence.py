"""What convinces: one opinion a screen, tones brought together, nothing warped, nothing that moves by itself."""

from __future__ import annotations

from typing import Any

import pytest

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CAPTION, NEW_CROP, NEW_POSE, Site
from tests.page.test_identify import answered, give
from tests.page.test_lot_and_listing import lot_of

CHIPS = """async (confidence) => {
    const { chips } = await import("/static/chips.js");
    return chips({ confidence }, () => {}).map((one) => one.querySelector(".chip-words").textContent);
}"""


def test_behind_a_finding_that_failed_nothing_is_claimed(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log")
    other_pose = {"pose": 0.01, "crop": 0.95, "caption": 0.99, "copy": 0.99}
    assert page.evaluate(CHIPS, other_pose) == ["another, all but certain", *["not checked"] * 3]
    other_crop = {"pose": 0.99, "crop": 0.01, "caption": 0.5, "copy": 0.99}
    told = page.evaluate(CHIPS, other_crop)
    assert told[1] == "another, all but certain"
    assert told[2:] == ["not checked", "not checked"]  # on another crop the words stand elsewhere in the picture


@pytest.mark.parametrize(
    ("pose", "evidence", "says"),
    [
        (0.01, {"method": "orb"}, "V1 shows another negative, all but certain. Press once more"),
        (0.0, {"method": "none"}, "V1 was not laid over this card. Press once more"),
        (0.01, {"method": "orb", "pose_log10_ratio": 2.0}, "V1 fits as well by itself"),
        (0.99, {"method": "orb"}, None),
    ],
)
def test_only_what_was_compared_is_said_to_show_another_negative(
    shared_site: Site, open_page: Open, pose: float, evidence: dict[str, Any], says: str | None
) -> None:
    page = open_page(f"{shared_site.address}/log")
    told = page.evaluate(
        "(one) => import('/static/words.js').then(({ against }) => against(one))",
        {"record_id": "V1", "confidence": {"pose": pose}, "evidence": evidence},
    )
    assert told is None if says is None else told.startswith(says)


def test_the_duller_of_both_is_shown_in_the_others_tones_until_they_are_wanted_as_they_are(
    shared_site: Site, open_page: Open
) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    toned = "[...document.querySelectorAll('.pane img')].filter((one) => one.style.filter.includes('#tones')).length"
    assert page.evaluate(toned) >= 1
    page.keyboard.press("d")
    assert page.evaluate(toned) == 1  # the difference is of pictures of one tone, else it argues against the answer
    page.keyboard.press("g")
    assert page.evaluate(toned) == 0


def test_another_negatives_reference_stands_whole_and_upright(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, NEW_POSE)
    answered(page)
    beside = page.locator(".stage > figure").nth(1)
    assert ", whole" in beside.locator("figcaption").inner_text()
    assert "size=whole" in str(beside.locator("img").first.get_attribute("src"))
    page.keyboard.press("w")  # nothing can be laid over
    assert page.locator(".divider").count() == 0


def test_an_answer_that_cannot_tell_can_be_kept_assigned_and_says_what_would_help(
    shared_site: Site, open_page: Open
) -> None:
    page = open_page(shared_site.address)
    with page.expect_response(lambda answer: "/v1/comparisons?" in answer.url) as made:
        give(page, shared_site, KNOWN)
    told = made.value.json()
    answered(page)
    card = told["identification"]["cards"][0]
    card.update(outcome="undecided", record_id=None, pose=None, crop=None, caption=None)
    card["face"]["glare"] = 0.3
    page.route("**/v1/comparisons?*", lambda route: route.fulfill(status=201, json=told))
    give(page, shared_site, KNOWN)
    page.locator(".outcome", has_text="Cannot tell").wait_for()
    assert "move the lamp" in page.locator(".advice").inner_text()
    page.locator("button:enabled", has_text="Keep for later as a find").wait_for()  # once both pictures are painted
    assert page.get_by_role("button", name="It is V00013: note as seen").is_enabled()


def test_the_line_between_both_is_dragged_in_the_picture_and_tiles_stay_where_they_are(
    shared_site: Site, open_page: Open
) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    tile = "document.querySelectorAll('.candidate img')[1].getBoundingClientRect().left"
    before = page.evaluate(tile)
    page.keyboard.press("2")
    until(page, "document.querySelectorAll('.candidate')[1].getAttribute('aria-pressed') === 'true'")
    assert page.evaluate(tile) == before
    page.keyboard.press("1")
    page.keyboard.press("w")
    line = page.locator(".divider")
    start = line.bounding_box()["x"]
    pane = page.locator("card-compare .pane").bounding_box()
    page.mouse.move(pane["x"] + 0.5 * pane["width"], pane["y"] + 100)
    page.mouse.down()
    page.mouse.move(pane["x"] + 0.6 * pane["width"], pane["y"] + 120, steps=4)
    page.mouse.up()
    assert line.bounding_box()["x"] > start + 20


def test_a_lots_place_is_kept_after_a_decision(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    page.set_input_files("#files", [site.stock.photo(name) for name in (KNOWN, NEW_CROP, NEW_CAPTION)])
    page.get_by_role("button", name="Send them").click()
    far = "document.querySelector('.lot-far')?.getBoundingClientRect().bottom"
    until(page, f"0 < {far} && {far} <= 720")  # how far it is, is seen without scrolling
    page.locator(".lot-far", has_text="3 scans done").wait_for()
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card").nth(1).click()
    page.locator(".mode-head b", has_text="2 of 3").wait_for()
    page.locator("card-compare .candidate").first.wait_for()
    page.keyboard.press("r")
    page.locator(".mode-head b", has_text="3 of 3").wait_for()
    page.locator(".toast").get_by_role("button", name="Undo").click()
    page.locator(".mode-head b", has_text="2 of 3").wait_for()


def test_the_catalogues_letters_are_those_of_surnames(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/catalogue")
    page.locator(".letters a").first.wait_for()
    names = page.locator(".subject h2").all_inner_texts()
    letters = page.locator(".letters a").all_inner_texts()
    assert {"D", "V"} <= set(letters), names
    assert not {"O", "T"} & set(letters), names  # Oscar Dunnelby, T. Varrowick


def test_a_batch_of_scans_that_is_a_zip_leaves_no_lot_behind(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    page.get_by_role("link", name="Lots").click()
    page.set_input_files("#files", [{"name": "box.zip", "mimeType": "application/zip", "buffer": b"PK\x03\x04rest"}])
    page.locator("#wrong .problem", has_text="is a zip").wait_for()
    assert page.get_by_role("button", name="Send them").is_disabled()
    assert page.locator("#lots li").count() == 1
