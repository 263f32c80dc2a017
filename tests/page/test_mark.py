"""The issuer's mark: told as what is new, ringed where it was read, asked about before it is written down."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.corrections import edit_record
from matcher.core.ladder.mark import NO_MARK
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CAPTION, Site
from tests.page.test_identify import answered, give
from tests.page.test_lot_and_listing import lot_of
from tests.page.test_review import CAPTION, laid, said, state_of

READ = "Brell & Co. (line, foot right)"
KNOWN_MARK = "Quillory Works (oval, foot left)"
BOX_MM = [20.0, 58.0, 34.0, 61.0]
MARK_LINE = {"words": "Brell & Co.", "part": "mark", "place": "foot right", "certainty": 0.9, "box_mm": BOX_MM}


def with_mark(find: dict[str, Any], value: str, known: str) -> dict[str, Any]:
    """A find as the service tells one whose mark alone is new; what is decided on it goes to the service itself."""
    evidence = find["evidence"]
    evidence["candidates"][0]["evidence"]["mark"] = known
    origin = "read from this card" if value else "not read on this card"
    evidence["fields"]["mark"] = {"value": value, "origin": origin, "confirm": True}
    return {**find, "outcome": "new_mark", "evidence": evidence}


def without_mark(find: dict[str, Any]) -> dict[str, Any]:
    """A find of a card that bears no mark, and is like a record of which none is known."""
    find["evidence"]["candidates"][0]["evidence"]["mark"] = ""
    del find["evidence"]["fields"]["mark"]
    return find


def a_new_mark(open_page: Open, site: Site, value: str = READ, known: str = KNOWN_MARK) -> Any:
    return a_find(open_page, site, lambda find: with_mark(find, value, known))


def a_find(open_page: Open, site: Site, changed: Callable[[dict[str, Any]], dict[str, Any]]) -> Any:
    page = open_page("about:blank", size="laptop")

    def told(route: Any) -> None:
        if route.request.method != "GET":
            return route.continue_()
        answer = route.fetch()
        return route.fulfill(response=answer, json=changed(answer.json()))

    page.route(f"**/v1/finds/{CAPTION}", told)
    page.goto(f"{site.address}/review#{CAPTION}")
    laid(page)
    return page


def test_a_new_mark_is_told_and_asked_about_before_it_is_written(site: Site, open_page: Open) -> None:
    page = a_new_mark(open_page, site)
    told = page.locator(".outcome").inner_text()
    assert told.startswith("New mark")
    assert READ in told
    assert KNOWN_MARK in told
    said(page, caption="Oscar Dunnelby", club="Gannock Bar R. C.", mark="")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("a")
    page.locator(".wrong .problem", has_text="Issuer's mark").wait_for()
    assert state_of(site, CAPTION)[0] == "open"
    field = page.locator(".field", has=page.get_by_label("Issuer's mark, as printed"))
    assert field.get_by_role("button", name=f"As V00001: “{KNOWN_MARK}”").is_visible()
    field.get_by_role("button", name="It reads so").click()
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("a")
    page.locator(".toast", has_text="was added").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        made = catalogue.record(str(state_of(site, CAPTION)[1]))
    assert (made.mark, made.caption_place) == (READ, "head centre")  # where the words stand was read as well


def test_a_mark_that_was_not_read_is_typed_or_said_to_be_none(site: Site, open_page: Open) -> None:
    page = a_new_mark(open_page, site, value="")
    assert "none was read here" in page.locator(".outcome").inner_text()
    said(page, caption="Oscar Dunnelby", club="Gannock Bar R. C.", mark="")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("a")
    page.locator(".wrong .problem", has_text="Issuer's mark").wait_for()
    field = page.locator(".field", has=page.get_by_label("Issuer's mark, as printed"))
    assert field.get_by_role("button", name="It reads so").count() == 0
    field.get_by_role("button", name="None printed").click()
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("a")
    page.locator(".toast", has_text="was added").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert catalogue.record(str(state_of(site, CAPTION)[1])).mark == NO_MARK


def test_that_the_known_card_has_no_mark_is_offered_once(site: Site, open_page: Open) -> None:
    page = a_new_mark(open_page, site, known=NO_MARK)
    assert "V00001 has none." in page.locator(".outcome").inner_text()
    field = page.locator(".field", has=page.get_by_label("Issuer's mark, as printed"))
    assert field.get_by_role("button").all_inner_texts() == ["It reads so", "None printed"]


def test_records_that_differ_in_their_marks_alone_are_told_apart(site: Site, open_page: Open) -> None:
    with Catalogue.open(site.folder) as catalogue:
        edit_record(catalogue, "V00013", {"mark": KNOWN_MARK}, person("Ada"))
        edit_record(catalogue, "V00010", {"mark": NO_MARK}, person("Ada"))
    page = open_page(f"{site.address}/scarcity")
    page.get_by_label("Only").fill("quillory works")
    page.locator(".scarce li", has_text=f"mark: {KNOWN_MARK}").wait_for()
    page.goto(site.address)
    give(page, site, KNOWN)
    answered(page)
    tiles = page.locator(".candidate")
    assert f"mark: {KNOWN_MARK}" in tiles.filter(has_text="V00013").inner_text()
    assert "no mark" in tiles.filter(has_text="V00010").inner_text()


def test_where_no_mark_is_known_none_is_asked_for(site: Site, open_page: Open) -> None:
    page = a_find(open_page, site, without_mark)
    assert not page.get_by_label("Issuer's mark, as printed").is_visible()  # it may be said, under 'More'


def test_the_mark_is_ringed_where_it_was_read(shared_site: Site, open_page: Open) -> None:
    """The page alone: the chip of the mark leads to both cards with a ring about it, and to both marks in words."""
    page = open_page(shared_site.address, size="laptop")
    give(page, shared_site, KNOWN)
    answered(page)
    page.evaluate(
        """([line, known]) => {
            const view = document.querySelector("card-compare");
            const [closest] = view.answer.candidates;
            view.answer.lines = [line];
            closest.confidence.mark = 0.02;
            closest.evidence.mark = known;
            closest.evidence.words.push("mark: 'Brell & Co.', not 'Quillory Works'");
            view.choose(0);
        }""",
        [MARK_LINE, KNOWN_MARK],
    )
    tops = {one.bounding_box()["y"] for one in page.locator(".chip").all()}
    assert len(tops) == 1  # five beside each other
    page.locator(".chip", has_text="Mark").click()
    until(page, "document.querySelector('.pane').classList.contains('enlarged')")
    assert page.locator(".rings").count() == 2
    words = page.locator(".proof-words").inner_text()
    assert "Brell & Co., foot right" in words
    assert KNOWN_MARK in words


def test_a_lots_form_says_where_each_field_comes_from(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, NEW_CAPTION)
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card").click()
    laid(page)
    assert page.locator("#from-subject").inner_text() == "copied from V00001"
    assert page.locator("#from-caption").inner_text().startswith("read from this card")


def test_the_next_find_can_be_decided_while_its_comparison_is_awaited(site: Site, open_page: Open) -> None:
    """A key that came a moment too early did nothing, and said nothing."""
    page = open_page(f"{site.address}/review#{CAPTION}")
    laid(page)
    held: list[Any] = []
    page.route("**/comparison", lambda route: held.append(route))
    said(page)
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("a")
    until(page, f"location.hash !== '#{CAPTION}'")
    page.keyboard.press("r")
    page.locator(".toast", has_text="rejected").wait_for()
    for route in held:
        route.abort()


def test_the_arrow_that_agrees_goes_past_a_card_that_is_decided(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, KNOWN, NEW_CAPTION)
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card").first.click()
    page.get_by_role("button", name="It is V00013").wait_for()
    page.keyboard.press("ArrowRight")
    page.locator(".mode-head b", has_text="2 of 2").wait_for()
    page.keyboard.press("ArrowUp")
    page.get_by_text("Decided seen").wait_for()
    page.keyboard.press("ArrowRight")
    page.locator(".mode-head b", has_text="2 of 2").wait_for()


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_a_likely_answer_of_a_lot_is_not_entered_by_one_key(site: Site, open_page: Open, size: str) -> None:
    """The first asks about what is least sure, over its proof; on a phone what it said lay upon the buttons."""
    page = open_page(f"{site.address}/lot", size=size)
    lot_of(page, site, KNOWN)

    def doubtful(route: Any) -> None:
        answer = route.fetch()
        told = answer.json()
        told["row"].update(confidence_record=0.9, confidence_caption=0.91)
        route.fulfill(response=answer, json=told)

    page.route("**/cards/*/case", doubtful)
    page.locator(".filters button", has_text="All").click()
    page.locator(".wall-card").click()
    agree = page.get_by_role("button", name="It is V00013")
    agree.wait_for()
    page.locator("card-compare .candidate").first.wait_for()
    agree.click()
    told = page.locator(".wrong .problem", has_text="Likely, not certain (90\u00a0%)")
    told.wait_for()
    assert "Are all the words the same?" in told.inner_text()
    assert page.locator(".chip[data-rung=caption]").get_attribute("aria-pressed") == "true"
    foot = page.get_by_role("button", name="Yes, it is V00013").evaluate(
        "(node) => node.getBoundingClientRect().bottom"
    )
    top, bottom = told.evaluate("(node) => [node.getBoundingClientRect().top, node.getBoundingClientRect().bottom]")
    assert foot <= top
    assert bottom <= page.evaluate("innerHeight")
    page.get_by_role("button", name="Yes, it is V00013").click()
    page.get_by_text("All of these are decided").wait_for()
