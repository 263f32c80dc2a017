"""What the shortest way of keys writes into a catalogue, and how quickly a lot is decided; in a browser, by script.

python -m matcher.lab.benchmarks.page_decisions CATALOGUE SET [--count N] [--look SECONDS]

CATALOGUE: is copied, and the copy is decided on. SET: a folder of the demo's form, `truth.csv` and its photos. So many
photos are kept as finds, those that the truth calls new first; as many are sent as a lot. In the review each find is
given its first key. The lot's wall of pairs is confirmed unseen and taken back; in its full-screen mode each card is
given the arrow that agrees. Where the page asks for something, the script types nothing and goes on. Then the finds
that are left are gone through by somebody hurried, who takes the first offer wherever something is asked. Everything
that was written is compared with the truth. Where the page does nothing for a minute, that is counted, and the script
goes on.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import shutil
import tempfile
import time
import urllib.request
import uuid
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from matcher.lab.benchmarks.page import Row, serving

PATIENCE_MS = 300_000
STUCK_S = 60.0
"""A page that has not answered a key for so long does not answer it."""

WORDS = ("subject", "caption", "club")
MOST_OFFERS = 6
Truth = Mapping[str, str]

REVIEWED = """(before) => {
    if (location.hash !== before || document.querySelector(".all-done")) return "next";
    if (document.querySelector(".side .likes")) return "entered";  // and its like are shown
    return document.querySelector(".wrong .problem") ? "asked" : "";
}"""
AGREED = """(before) => {
    if (document.querySelector(".mode .all-done")) return "done";
    if (document.querySelector(".mode-head b").innerText !== before) return "next";
    const [first] = document.querySelectorAll(".mode .decide-row button");
    return document.querySelector(".mode .wrong .problem") || first?.disabled ? "asked" : "";
}"""
READY = """() => {
    const [first] = document.querySelectorAll(".mode .decide-row button");
    if (document.querySelector(".mode .wrong .problem")) return "asked";
    return first && !first.textContent.startsWith("Loading") ? "ready" : "";
}"""
MOVED = """(before) => (document.querySelector(".mode-head b").innerText !== before ? "next" : "")"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("catalogue", type=Path)
    parser.add_argument("set", type=Path)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--look", type=float, default=1.0, help="Seconds that a person looks at a card.")
    chosen = parser.parse_args()
    truth = list(csv.DictReader((chosen.set / "truth.csv").open(encoding="utf-8")))
    alone = [row for row in truth if not row["beside"]]
    new_first = sorted(alone, key=lambda row: not row["outcome"].startswith("new"))[: chosen.count]
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        shutil.copytree(chosen.catalogue, copy := Path(scratch) / "catalogue")
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        with serving(copy) as address:
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.set_default_timeout(PATIENCE_MS)
            kept = {find["find_id"]: row for row in new_first for find in _keep(address, chosen.set / row["photo"])}
            rows += finds(page, address, kept)
            rows += lot(page, address, chosen.set, alone[: chosen.count], chosen.look)
            rows += hurried(page, address, kept)
        browser.close()
    print("| what | measured | bar |\n|---|---|---|")
    for what, measured, bar in rows:
        print(f"| {what} | {measured} | {bar} |")


def finds(page: Page, address: str, kept: Mapping[str, Truth]) -> Iterator[Row]:
    """The review, `a` on every find."""
    _review(page, address)
    before, told = _records(address), Counter[str]()
    for _ in kept:
        shown = page.evaluate("location.hash")
        page.keyboard.press("a")
        what = _answer(page, REVIEWED, shown)
        told[what] += 1
        if what == "stuck":
            page.reload()
            page.locator("card-compare .candidate").first.wait_for()
        if what != "next":
            _leave(page, "s")
            _answer(page, REVIEWED.replace(".wrong", ".none").replace(".likes", ".none"), shown)
    written = told["next"] + told["entered"]
    yield (f"{len(kept)} finds, `a` on each: entered / asked / without an answer",
           f"{written} / {told['asked']} / {told['stuck']}", "- / - / 0")  # fmt: skip
    yield "... wrong values written", _wrong_values(address, before, kept), "0"


def hurried(page: Page, address: str, kept: Mapping[str, Truth]) -> Iterator[Row]:
    """The review once more: wherever something is asked, the first offer below the field is taken, and `a` again."""
    _review(page, address)
    before, told = _records(address), Counter[str]()
    for _ in kept:
        shown = page.evaluate("location.hash")
        what = "asked"
        for _ in range(MOST_OFFERS):
            page.keyboard.press("a")
            what = _answer(page, REVIEWED, shown)
            offers = page.locator(".field:has(:focus) .offers button")
            if what != "asked" or not offers.count():
                break
            offers.first.press("Enter")
            _leave(page)
        told[what] += 1
        if what == "stuck":
            page.reload()
        if what != "next":
            _leave(page, "s")
            _answer(page, REVIEWED.replace(".wrong", ".none").replace(".likes", ".none"), shown)
        if page.locator(".all-done").count():
            break
    yield ("the first offer taken wherever a find asks: entered / asked still, since nothing is offered",
           f"{told['next'] + told['entered']} / {told['asked'] + told['stuck']}", "")  # fmt: skip
    yield "... wrong values written, each the word of who took the offer", _wrong_values(address, before, kept), ""


def lot(page: Page, address: str, folder: Path, rows: Sequence[Truth], look: float) -> Iterator[Row]:
    """The full-screen mode over all cards, the arrow that agrees on every one."""
    page.goto(f"{address}/lot")
    page.set_input_files("#files", [folder / row["photo"] for row in rows])
    page.locator("#start:not([disabled])").click()
    page.get_by_text("All sent").wait_for()
    page.locator("progress[hidden]").first.wait_for(state="attached")
    page.locator(".filters button", has_text="All").click()
    cards, before = page.locator(".wall-card").count(), _records(address)
    yield from wall(page, address, rows)
    page.locator(".wall-card").first.focus()  # away from the button of the wall, which Enter would press
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Enter")
    told, keys, began = Counter[str](), 0, time.monotonic()
    while sum(told.values()) < cards and not told["done"]:
        ready = _answer(page, READY)
        page.wait_for_timeout(1000 * look)
        shown = page.locator(".mode-head b").inner_text()
        if ready == "ready":
            page.keyboard.press("ArrowRight")
            keys += 1
            ready = _answer(page, AGREED, shown)
        told[ready] += 1
        if ready in ("asked", "stuck"):
            _leave(page, "ArrowDown")
            _answer(page, MOVED, shown)
    minutes = (time.monotonic() - began) / 60
    yield (f"{cards} lot cards, the arrow that agrees on each: noted or entered / asked / without an answer",
           f"{told['next'] + told['done']} / {told['asked']} / {told['stuck']}", "- / - / 0")  # fmt: skip
    yield "... wrong records noted", _wrong_records(address, rows), "0"
    by_name = {Path(row["photo"]).name: row for row in rows}
    of_find = {find["find_id"]: by_name[find["name"]] for find in _finds(address) if find["name"] in by_name}
    yield "... wrong values written", _wrong_values(address, before, of_find), "0"
    gone_through = max(sum(told.values()), 1)
    yield f"... cards gone through a minute, {look:g} s of looking each", f"{gone_through / minutes:.0f}", ">= 30"
    yield "... keys for 'known, next'", f"{keys / gone_through:.1f}", "1"


def wall(page: Page, address: str, rows: Sequence[Truth]) -> Iterator[Row]:
    """The wall of pairs confirmed by somebody who looks at none of them; and taken back."""
    opening = page.get_by_role("button", name="known…")
    noted = "none stood there"
    if opening.count():
        opening.click()
        page.get_by_role("button", name="Confirm th").click()  # once every pair is painted
        page.locator(".toast", has_text="noted as seen").wait_for()
        noted = _wrong_records(address, rows)
        page.locator(".toast button", has_text="Undo").click()
        page.locator(".toast", has_text="Taken back").wait_for()
    yield "... the wall of pairs confirmed unseen: wrong records noted", noted, "0"


def _review(page: Page, address: str) -> None:
    page.goto(f"{address}/review")
    page.locator("card-compare .candidate").first.wait_for()


def _leave(page: Page, key: str = "") -> None:
    """Out of the field that is asked about, so that keys are keys again; and one of them."""
    page.evaluate("document.activeElement.blur()")
    if key:
        page.keyboard.press(key)


def _answer(page: Page, asked: str, before: str = "") -> str:
    """What the page did: what the script tells, once it tells something; 'stuck' where it did nothing."""
    end = time.monotonic() + STUCK_S
    while not (told := str(page.evaluate(asked, before))):
        if time.monotonic() > end:
            return "stuck"
        page.wait_for_timeout(20)
    return told


def _records(address: str) -> frozenset[str]:
    return frozenset(record["record_id"] for record in _all(f"{address}/v1/records"))


def _finds(address: str) -> list[dict[str, Any]]:
    return _all(f"{address}/v1/finds")


def _wrong_values(address: str, before: frozenset[str], truth: Mapping[str, Truth]) -> str:
    """Of the records made since: words, capitals aside, that are not the card's; nothing said is nothing wrong."""
    became = {find["record_id"]: truth[find["find_id"]] for find in _finds(address) if find["find_id"] in truth}
    made = [record for record in _all(f"{address}/v1/records") if record["record_id"] not in before]
    wrong = [
        name
        for record in made
        for name in WORDS
        if record[name].casefold() not in ("", became[record["record_id"]][name].casefold())
    ]
    told = ", ".join(f"{name} {count}" for name, count in Counter(wrong).items())
    return f"{len(wrong)} in {len(made)} records" + (f" ({told})" if told else "")


def _wrong_records(address: str, rows: Sequence[Truth]) -> str:
    """Cards noted as copies of a record, or entered there as a reference, that are none of it."""
    by_name = {Path(row["photo"]).name: row for row in rows}
    noted = [*_all(f"{address}/v1/sightings"), *(find for find in _finds(address) if find["state"] == "merged")]
    noted = [one for one in noted if one["name"] in by_name]
    wrong = [one["name"] for one in noted if one["record_id"] != by_name[one["name"]]["record_id"]]
    return f"{len(wrong)} of {len(noted)} {wrong or ''}".strip()


def _keep(address: str, photo: Path) -> list[Mapping[str, Any]]:
    boundary = uuid.uuid4().hex
    head = f'--{boundary}\r\nContent-Disposition: form-data; name="photo"; filename="{photo.name}"\r\n\r\n'
    body = head.encode() + photo.read_bytes() + f"\r\n--{boundary}--\r\n".encode()
    told = {"Content-Type": f"multipart/form-data; boundary={boundary}", "Idempotency-Key": uuid.uuid4().hex}
    with urllib.request.urlopen(urllib.request.Request(f"{address}/v1/finds?whatever=true", body, told)) as answer:
        kept: list[Mapping[str, Any]] = json.load(answer)["items"]
    return kept


def _all(address: str) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = []
    while True:
        with urllib.request.urlopen(f"{address}?limit=500&offset={len(items)}") as answer:
            page = json.load(answer)
        items += page["items"]
        if not page["items"] or len(items) >= page["total"]:
            return items


if __name__ == "__main__":
    main()
