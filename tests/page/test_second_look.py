"""What is entered at one press, and what is looked at twice: one limit for the wall of pairs and for card by card."""

from __future__ import annotations

from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.proposals import find
from matcher.catalogue.finds.sightings import sightings
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_POSE, Site
from tests.page.test_identify import answered, give
from tests.page.test_lot_and_listing import lot_of
from tests.page.test_review import laid

NEGATIVE = "F00004"
"""A find whose negative is new: its nearest record shows another one."""


def as_sure_as(page: Any, record: float) -> None:
    """The lot's known card comes with this confidence, on the wall and card by card."""

    def told(route: Any) -> None:
        answer = route.fetch()
        body = answer.json()
        for row in body.get("items", [body.get("row")]):
            row.update(confidence_record=record)
        route.fulfill(response=answer, json=body)

    page.route("**/v1/lots/*/cards?**", told)
    page.route("**/cards/*/case", told)


@pytest.mark.parametrize(("record", "at_once"), [(0.969, False), (0.97, True)])
def test_what_the_wall_confirms_is_what_one_key_enters(
    site: Site, open_page: Open, record: float, at_once: bool
) -> None:
    page = open_page(f"{site.address}/lot")
    as_sure_as(page, record)
    lot_of(page, site, KNOWN)
    page.locator(".filters button", has_text="Known, to confirm 1").click()
    assert page.get_by_role("button", name="known…").count() == int(at_once)
    page.locator(".wall-card").click()
    page.get_by_role("button", name="It is V00013").wait_for()
    page.locator("card-compare .candidate").first.wait_for()
    page.keyboard.press("ArrowRight")
    done, asked = page.get_by_text("All of these are decided"), page.get_by_text("Likely, not certain")
    done.or_(asked).wait_for()
    assert done.is_visible() is at_once
    with Catalogue.open(site.folder) as catalogue:
        assert len(sightings(catalogue)) == int(at_once)


def test_the_wall_says_which_cards_it_leaves_to_a_look_of_their_own(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address + "/lot", deaf=True)  # its pictures are of no lot
    page.evaluate("""import("/static/lotpairs.js").then(({ openPairs }) => openPairs({
        id: "L00009", known: 31, changed() {}, rowsNow: () => [],
        rows: Array.from({ length: 26 }, (_, at) => ({ card: `${at + 1}.1`, tag: "V00013", confidence_record: 0.98 })),
    }))""")
    head = page.locator(".pairs .mode-head")
    assert "97\u00a0% or more" in head.inner_text()
    assert "5 less certain ones are asked about card by card" in head.inner_text()
    assert "2 more pairs come after these" in head.inner_text()
    assert page.locator(".pair").count() == 24


def test_no_pair_is_confirmed_before_it_is_seen(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    held: list[Any] = []
    page.route("**/v1/thumbnail?**size=whole", lambda route: held.append(route))
    page.get_by_role("button", name="Confirm 1 known").click()
    page.locator(".pair").wait_for()
    button = page.locator(".pairs header button").first
    until(page, "document.querySelector('.pair img').naturalWidth > 0")
    assert button.inner_text() == "Loading…"
    assert button.is_disabled()
    for route in held:
        route.continue_()
    page.get_by_role("button", name="Confirm this 1").wait_for()


def test_a_pair_that_another_window_has_decided_is_not_confirmed_again(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    lot_of(page, site, KNOWN)
    page.get_by_role("button", name="Confirm 1 known").click()
    page.get_by_role("button", name="Confirm this 1").wait_for()
    other = open_page(page.url, context=page.context)
    other.get_by_role("button", name="Confirm 1 known").click()
    other.get_by_role("button", name="Confirm this 1").click()
    other.locator(".toast", has_text="noted as seen").wait_for()
    page.get_by_role("button", name="Confirm this 1").click()
    page.locator(".pairs .problem", has_text="Nothing was confirmed: card 1.1").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert len(sightings(catalogue)) == 1


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_a_record_of_another_negative_is_not_entered_by_one_key(site: Site, open_page: Open, size: str) -> None:
    page = open_page(f"{site.address}/review#{NEGATIVE}", size=size)
    laid(page)
    record = page.locator("card-compare .candidate[aria-pressed=true] b").inner_text()
    until(page, "!document.querySelector('.decide-row button:nth-child(2)').disabled")
    page.keyboard.press("e")
    page.locator(".wrong .problem", has_text=f"Press once more if the card is {record}").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert find(catalogue, NEGATIVE).state == "open"
    again = page.get_by_role("button", name=f"Yes, it is {record}").bounding_box()
    assert again is not None
    bar = 50 if size == "phone" else 0  # the pages' names stand at the foot there
    assert again["y"] + again["height"] <= page.evaluate("innerHeight") - bar
    page.keyboard.press("e")
    page.locator(".toast", has_text=f"of {record}").wait_for()


def test_nor_is_a_photo_noted_as_a_copy_of_one(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    give(page, site, NEW_POSE)
    answered(page)
    page.get_by_role("button", name="note as seen").click()
    page.locator(".keeping .problem", has_text="Press once more if the card is").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert not sightings(catalogue)
    page.get_by_role("button", name="note as seen").click()
    page.locator(".toast", has_text=f"{NEW_POSE}.jpg: noted").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert len(sightings(catalogue)) == 1
