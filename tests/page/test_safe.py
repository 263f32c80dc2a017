"""No wrong entry by one key, and nothing lost: what a form takes over, what a button names, reload, Back, restart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, Site, Stock, serving
from tests.page.test_identify import answered, give
from tests.page.test_review import CAPTION, CROP, POSE, review, said, shows, state_of


@pytest.mark.parametrize("find", [CAPTION, CROP, POSE])
def test_one_key_writes_nothing_that_was_not_read_on_this_card(site: Site, open_page: Open, find: str) -> None:
    """The nearest record's caption and club are what varies: they are offered, never filled in."""
    page = review(open_page, site, find)
    with Catalogue.open(site.folder) as catalogue:
        before = {row.record_id for row in catalogue.records()}
    page.keyboard.press("a")
    page.locator(".wrong .problem").wait_for()
    asked = page.evaluate("document.activeElement.id")
    assert asked in ("field-caption", "field-club", "field-subject")
    with Catalogue.open(site.folder) as catalogue:
        assert {row.record_id for row in catalogue.records()} == before
    assert state_of(site, find)[0] == "open"
    assert "copied" not in page.locator("#from-caption").inner_text()


def test_each_field_says_where_it_comes_from(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION)
    assert page.locator("#from-subject").inner_text() == "copied from V00001"
    page.get_by_label("Caption, as printed").fill("W. Invented")
    assert page.locator("#from-caption").inner_text() == "your word"
    assert page.locator(".form-lines .line svg").count() >= 1  # the printed words, beside the field for them


def test_a_record_is_entered_into_only_once_it_is_shown(site: Site, open_page: Open) -> None:
    held: list[Any] = []
    page = open_page("about:blank")
    page.route("**/comparison", lambda route: held.append(route))
    page.goto(f"{site.address}/review#{CAPTION}")
    button = page.get_by_role("button", name="Comparing…")
    button.wait_for()
    assert button.is_disabled()
    page.keyboard.press("e")
    page.wait_for_timeout(300)
    assert state_of(site, CAPTION)[0] == "open"
    while held:
        held.pop().continue_()
    page.locator("card-compare .candidate").first.wait_for()
    named = page.locator(".stage figcaption").nth(1).inner_text().split(",")[0]
    button = page.get_by_role("button", name=f"It is {named}")
    button.and_(page.locator(":enabled")).wait_for()
    page.keyboard.press("e")
    page.locator(".toast", has_text=named).wait_for()
    assert state_of(site, CAPTION) == ("merged", named)


def test_while_the_pictures_are_on_their_way_nothing_is_decided(site: Site, open_page: Open) -> None:
    """On a slow network the buttons stood live beside two empty frames."""
    held: list[Any] = []
    page = open_page("about:blank")
    page.route("**/laid", lambda route: held.append(route))
    page.goto(f"{site.address}/review#{CAPTION}")
    page.locator("card-compare .candidate").first.wait_for()
    assert page.locator(".decide-row button", has_text="It is V").is_disabled()
    page.keyboard.press("e")
    page.goto(site.address)
    give(page, site, KNOWN)
    page.locator("card-compare .candidate").first.wait_for()
    note = page.get_by_role("button", name="Note V00013 as seen")
    assert note.is_disabled()
    assert page.get_by_role("button", name="It is not: keep as a find").is_disabled()
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert state_of(site, CAPTION) == ("open", None)
    assert page.locator(".done").count() == 0
    while held:
        held.pop().continue_()
    note.and_(page.locator(":enabled")).wait_for()
    page.keyboard.press("Enter")
    page.locator(".done", has_text="a copy was seen of V00013").wait_for()


def test_a_finds_outline_is_corrected_and_taken_back(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CROP)
    page.locator(".corner").nth(2).press("Shift+ArrowLeft")
    page.locator(".stale").wait_for()
    page.get_by_role("button", name="Keep this outline").click()
    page.locator(".toast", has_text="new outline").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        (made,) = catalogue.decisions(newest_first=True, limit=1)
    assert (made.action, made.about) == ("outline", CROP)
    page.locator(".toast").get_by_role("button", name="Undo").click()
    page.locator(".toast", has_text="old outline").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert [row.action for row in catalogue.decisions(newest_first=True, limit=1)] == ["undo"]


TURNED = "Turn it"


def turned_over(page: Any) -> Any:
    """Twice a quarter; the answer to it."""
    page.locator("card-outline .head-mark").wait_for(state="attached")
    with page.expect_response(lambda answer: "upright=true" in answer.url and answer.request.method == "POST") as told:
        page.get_by_role("button", name=TURNED).click()
        page.get_by_role("button", name=TURNED).click()
    return told.value.json()


def quad_of(made: Any) -> Any:
    (card,) = made["identification"]["cards"]
    assert card["face"]["by_hand"] is True
    return card["quad"]


def test_the_way_up_is_set_by_hand_and_kept_with_the_photograph_and_the_find(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    with page.expect_response(lambda answer: answer.url.endswith("top=9")) as first:
        give(page, site, NEW_CROP)
    answered(page)
    found = first.value.json()["identification"]["cards"][0]["quad"]
    assert quad_of(turned_over(page)) == found[2:] + found[:2]
    page.get_by_role("button", name="Find the outline again").wait_for()
    page.reload()
    page.get_by_role("button", name="Keep as a find").click()
    page.locator(".done a").click()
    page.wait_for_url("**/review#F00005")
    with Catalogue.open(site.folder) as catalogue:
        row = resolution.find(catalogue, "F00005")
    assert row.found.face.by_hand
    assert np.allclose(row.quad, found[2:] + found[:2], atol=0.01)


def test_a_finds_way_up_is_set_by_hand(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CROP)
    with Catalogue.open(site.folder) as catalogue:
        before = resolution.find(catalogue, CROP).quad
    turned_over(page)
    page.get_by_role("button", name="Keep this outline").click()
    page.locator(".toast", has_text="new outline").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        row = resolution.find(catalogue, CROP)
    assert np.allclose(row.quad, before[2:] + before[:2], atol=0.06)
    with page.expect_response("**/comparison") as again:  # asked about anew, the word stands
        page.reload()
    assert np.allclose(quad_of(again.value.json()), row.quad, atol=0.06)


def test_a_lots_cards_way_up_is_set_by_hand(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    page.set_input_files("#files", [site.stock.photo(NEW_CROP)])
    page.get_by_role("button", name="Send them").click()
    page.locator(".lot-far", has_text="1 scan done").wait_for()
    page.get_by_role("button", name="Work through 1 card").click()
    wanted = quad_of(turned_over(page))
    page.get_by_role("button", name="Keep this outline").click()
    page.locator(".toast", has_text="new outline").wait_for()
    made = page.request.post(f"{site.address}/v1/lots/L00001/cards/1.1/comparison").json()
    assert quad_of(made) == wanted


def test_an_answer_that_is_overruled(site: Site, open_page: Open) -> None:
    """A known card is the other candidate by a person's word; it is told in the log who said so."""
    page = open_page(site.address)
    give(page, site, KNOWN)
    answered(page)
    page.keyboard.press("2")
    other = page.locator(".candidate b").nth(1).inner_text()
    page.get_by_role("button", name=f"It is {other}: note as seen").click()
    page.locator(".done", has_text=other).wait_for()
    page.locator(".toast").get_by_role("button", name="Undo").click()
    page.get_by_role("button", name=f"It is {other}: note as seen").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert [row.action for row in catalogue.decisions(newest_first=True, limit=2)] == ["undo", "see"]


# Nothing is lost


def test_a_corrected_outline_typed_words_and_buttons_survive_back_and_reload(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    give(page, site, NEW_CROP)
    answered(page)
    page.get_by_text("Where and when it was seen").click()
    page.get_by_label("Where it was seen").fill("a sale")
    with page.expect_response(lambda answer: "quad=" in answer.url):
        page.locator(".corner").nth(2).press("ArrowLeft")
    page.get_by_role("button", name="Find the outline again").wait_for()
    page.goto(f"{site.address}/catalogue")
    page.go_back()
    answered(page)
    for _ in range(2):
        assert page.get_by_role("button", name="Find the outline again").is_visible()
        assert page.get_by_label("Where it was seen").input_value() == "a sale"
        assert page.get_by_role("button", name="Keep as a find").is_enabled()
        page.reload()
        answered(page)


def test_an_answer_outlives_a_restart(small_stock: Stock, tmp_path: Path, open_page: Open) -> None:
    with serving(small_stock, tmp_path / "catalogue") as site:
        port = int(site.address.rsplit(":", 1)[1])
        page = open_page(site.address)
        give(page, site, KNOWN)
        answered(page)
    with serving(small_stock, tmp_path / "catalogue", port=port):
        page.reload()
        assert "V00013" in answered(page).inner_text()
        until(page, "[...document.querySelectorAll('card-compare .pane img')].every((one) => one.naturalWidth > 0)")


DROP = """(bytes) => {
    const held = new DataTransfer();
    held.items.add(new File([new Uint8Array(bytes)], "dropped.jpg", { type: "image/jpeg" }));
    document.body.dispatchEvent(new DragEvent("drop", { dataTransfer: held, bubbles: true, cancelable: true }));
}"""


@pytest.mark.parametrize("address", ["/catalogue", "/review", "/record?id=V00013", "/scarcity", "/log"])
def test_a_photo_dropped_on_any_page_is_asked_about(shared_site: Site, open_page: Open, address: str) -> None:
    page = open_page(shared_site.address + address)
    page.wait_for_load_state("networkidle")
    page.evaluate(DROP, list(shared_site.stock.photo(KNOWN).read_bytes()))
    page.wait_for_url(f"{shared_site.address}/")
    assert "V00013" in answered(page).inner_text()


def test_a_removed_photo_comes_back(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address)
    give(page, shared_site, KNOWN)
    answered(page)
    page.get_by_role("button", name="Remove", exact=True).click()
    page.get_by_role("heading", name="Which card is it?").wait_for()
    page.locator(".toast").get_by_role("button", name="Undo").click()
    assert "V00013" in answered(page).inner_text()


def test_search_finds_clubs_and_numbers(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log")
    page.keyboard.press("/")
    page.keyboard.type("Gannock Bar R. C.")
    page.keyboard.press("Enter")
    page.locator("#found .cards li").first.wait_for()
    shown = page.locator("#found .cards li").all_inner_texts()
    assert all("Gannock Bar R. C." in words for words in shown)
    page.get_by_role("searchbox").fill("P0001")
    until(page, "document.querySelector('#found .small').innerText.startsWith('3')")
    assert all("P0001, crop" in words for words in page.locator("#found .cards li").all_inner_texts())
    page.get_by_role("searchbox").fill("F00001")
    page.keyboard.press("Enter")
    page.wait_for_url("**/review#F00001")


def test_a_wrong_address_has_a_page(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/recrod")
    page.get_by_role("heading", name="Nothing is at this address").wait_for()
    page.goto(f"{shared_site.address}/record")
    page.get_by_role("heading", name="Which record?").wait_for()
    for address, words, way in (
        ("/record?id=zzz", "There is no such record", "To the catalogue"),
        ("/find?id=F99999", "There is no such find", "To the review"),
        ("/lot#L99999", "There is no such lot", "All lots"),
        ("/lot#nothing", "There is no such lot", "All lots"),
    ):
        page.goto("about:blank")
        page.goto(shared_site.address + address)
        told = page.locator(".problem", has_text=words)
        told.wait_for()
        assert "mistyped" in told.inner_text()  # not 'list them to see their ids', which is said to programs
        assert told.get_by_text(way).is_visible()
    page.goto(f"{shared_site.address}/catalogue?from=99999")
    page.locator("#subjects .subject").first.wait_for()


def test_a_new_record_knows_the_find_it_came_from(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION)
    said(page)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Accept as a new record").click()
    shows(page, CROP)
    _, record = state_of(site, CAPTION)
    page.goto(f"{site.address}/record?id={record}")
    page.locator(".decisions a", has_text=CAPTION).first.wait_for()
