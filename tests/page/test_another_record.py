"""What the machine did not think of, a person may know: a record by its number, failed scans, marks of a collection."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.catalogue.records.enrol import enrol
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CAPTION, Site, Stock, serving
from tests.page.test_identify import answered, give
from tests.page.test_lot_and_listing import lot_of
from tests.page.test_review import CAPTION, POSE, laid, review, state_of

OTHER = "V00021"
PASTE = """(bytes) => {
    const held = new DataTransfer();
    held.items.add(new File([new Uint8Array(bytes)], "pasted.jpg", { type: "image/jpeg" }));
    document.body.dispatchEvent(new ClipboardEvent("paste", { clipboardData: held, bubbles: true, cancelable: true }));
}"""


def ask_for(page: Any, number: str) -> None:
    page.get_by_label("Number of another record").fill(number)
    page.get_by_role("button", name="Show it").click()


def test_a_record_that_is_not_among_the_candidates_is_shown_and_noted(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    give(page, site, KNOWN)
    answered(page)
    page.evaluate(  # the page alone: as if the machine had named two records, and this one not among them
        """(number) => {
            const view = document.querySelector("card-compare");
            view.answer.candidates.splice(2);
            view.layers.candidates.splice(2);
            view.choose(0);
        }""",
        OTHER,
    )
    ask_for(page, "v00099")
    page.get_by_text("There is no record v00099").wait_for()
    ask_for(page, OTHER.lower())
    until(page, f"document.querySelectorAll('.stage figcaption')[1].innerText.startsWith('{OTHER}')")
    assert page.locator(".tile-group", has_text="Asked for").locator(".candidate b").inner_text() == OTHER
    assert page.locator(".chip:not([disabled])").count() == 0  # nothing was measured of it
    page.get_by_role("button", name=f"It is {OTHER}: note as seen").click()
    page.locator(".toast", has_text=OTHER).wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert [one.record_id for one in sightings.sightings(catalogue)] == [OTHER]


def test_a_find_is_entered_into_a_record_that_was_asked_for(site: Site, open_page: Open) -> None:
    page = review(open_page, site, POSE)
    named = page.locator(".candidate b").all_inner_texts()
    with Catalogue.open(site.folder) as catalogue:
        number = next(one.record_id for one in catalogue.records() if one.record_id not in named)
    ask_for(page, number)
    page.get_by_role("button", name=f"It is {number}").click()
    page.locator(".toast", has_text=number).wait_for()
    assert state_of(site, POSE) == ("merged", number)


def test_a_lots_card_is_given_a_record_that_was_asked_for(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot", size="laptop")
    lot_of(page, site, NEW_CAPTION)
    page.get_by_role("button", name="Work through 1 card").click()
    laid(page)
    named = page.locator(".candidate b").all_inner_texts()
    with Catalogue.open(site.folder) as catalogue:
        number = next(one.record_id for one in catalogue.records() if one.record_id not in named)
    ask_for(page, number)
    page.get_by_role("button", name=f"It is {number}").click()
    page.get_by_text("All of these are decided").wait_for()
    assert state_of(site, CAPTION) == ("merged", number)  # its photograph was kept as a find before


def test_the_scans_of_a_lot_that_failed_are_a_part_of_the_wall(site: Site, open_page: Open) -> None:
    page = open_page(f"{site.address}/lot")
    whole = site.stock.photo(KNOWN).read_bytes()
    page.set_input_files("#files", [{"name": "half.jpg", "mimeType": "image/jpeg", "buffer": whole[: len(whole) // 2]}])
    page.get_by_role("button", name="Send them").click()
    page.locator(".filters button", has_text="Failed 1").click()
    told = page.locator(".wall-failed")
    assert "half.jpg" in told.inner_text()
    assert "1 scan: 0 done, 1 failed." in page.locator(".lot-far").inner_text()
    assert page.locator(".wall-card").count() == 0
    page.locator(".filters button", has_text="All").click()
    assert told.count() == 0
    page.goto(f"{site.address}/lot")
    page.reload()
    page.locator("#lots", has_text="1 scan, 0 done, 1 failed").wait_for()


def test_a_photo_pasted_on_any_page_is_asked_about(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log")
    page.wait_for_load_state("networkidle")
    page.evaluate(PASTE, list(shared_site.stock.photo(KNOWN).read_bytes()))
    page.wait_for_url(f"{shared_site.address}/")
    assert "V00013" in answered(page).inner_text()


def test_what_a_collection_has_wants_or_would_better_is_marked(
    small_stock: Stock, tmp_path: Path, open_page: Open
) -> None:
    with (small_stock.folder / "records.csv").open(encoding="utf-8") as table:
        rows = list(csv.DictReader(table))[:3]
    for row, (have, want, upgrade) in zip(rows, (("yes", "", "x"), ("", "Yes", ""), ("no", "", "")), strict=True):
        row |= {"Have": have, "Want": want, "Upgrade": upgrade}
        row["image"] = str(small_stock.folder / row["image"])
    with (tmp_path / "marked.csv").open("w", encoding="utf-8", newline="") as table:
        writer = csv.DictWriter(table, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    assert not enrol(tmp_path / "marked.csv", tmp_path / "catalogue", workers=0).failed
    with serving(small_stock, tmp_path / "catalogue") as site:
        page = open_page(f"{site.address}/catalogue")
        page.locator(".cards li").nth(2).wait_for()
        marks = [one.locator(".own-mark").all_inner_texts() for one in page.locator(".cards li").all()]
    assert sorted(marks) == [[], ["have", "upgrade"], ["want"]]
