"""What the shortest way of keys writes into a catalogue, and how quickly a lot is decided; in a browser, by script.

python -m matcher.lab.benchmarks.page_decisions CATALOGUE SET [--count N] [--look SECONDS]

CATALOGUE: is copied, and the copy is decided on. SET: a folder of the demo's form, `truth.csv` and its photos. So many
photos are kept as finds, those that the truth calls new first; as many are sent as a lot. In the review each find is
given its first key; in the lot's full-screen mode each card is given the arrow that agrees. Where the page asks for
something, the script types nothing and goes on. Then everything that was written is compared with the truth.
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
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from matcher.lab.benchmarks.page import serving

PATIENCE_MS = 300_000
FIELDS = ("subject", "caption", "club")
Row = Mapping[str, str]


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
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        shutil.copytree(chosen.catalogue, copy := Path(scratch) / "catalogue")
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        with serving(copy) as address:
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.set_default_timeout(PATIENCE_MS)
            rows = [*finds(page, address, chosen.set, new_first)]
            rows += lot(page, address, chosen.set, alone[: chosen.count], chosen.look)
        browser.close()
    print("| what | measured | bar |\n|---|---|---|")
    for what, measured, bar in rows:
        print(f"| {what} | {measured} | {bar} |")


def finds(page: Page, address: str, folder: Path, rows: Sequence[Row]) -> Iterator[tuple[str, str, str]]:
    """The review, `a` on every find."""
    truth = {}
    for row in rows:
        for find in _keep(address, folder / row["photo"]):
            truth[find["find_id"]] = row
    page.goto(f"{address}/review")
    page.locator("card-compare .candidate").first.wait_for()
    before = {record["record_id"] for record in _all(f"{address}/v1/records")}
    for _ in truth:
        shown = page.evaluate("location.hash")
        page.keyboard.press("a")
        asked = "document.querySelector('.wrong .problem') !== null || location.hash !== before"
        _until(page, asked, shown)
        if page.evaluate("location.hash") == shown and page.locator(".wrong .problem").count():
            page.evaluate("document.activeElement.blur()")
            page.keyboard.press("s")
            _until(page, "location.hash !== before", shown)
    made = [record for record in _all(f"{address}/v1/records") if record["record_id"] not in before]
    became = {find["record_id"]: truth[find["find_id"]] for find in _all(f"{address}/v1/finds") if find["record_id"]}
    wrong = sum(record[name] not in ("", became[record["record_id"]][name]) for record in made for name in FIELDS)
    yield f"{len(truth)} finds, `a` on each: records written", str(len(made)), ""
    yield "... wrong values among them", str(wrong), "0"


def lot(page: Page, address: str, folder: Path, rows: Sequence[Row], look: float) -> Iterator[tuple[str, str, str]]:
    """The full-screen mode over all cards, the arrow that agrees on every one."""
    page.goto(f"{address}/lot")
    page.set_input_files("#files", [folder / row["photo"] for row in rows])
    page.locator("#start:not([disabled])").click()
    page.get_by_text("All sent").wait_for()
    page.locator("progress[hidden]").first.wait_for(state="attached")
    page.locator(".filters button", has_text="All").click()
    page.keyboard.press("Enter")
    decided, asked, keys, began = 0, 0, 0, time.monotonic()
    for _ in range(page.locator(".wall-card").count()):
        page.locator(".mode .decide-row button").first.wait_for()
        _until(page, "!document.querySelector('.mode .decide-row button').textContent.startsWith('Loading')", "")
        page.wait_for_timeout(1000 * look)
        shown = page.locator(".mode-head b").inner_text()
        page.keyboard.press("ArrowRight")
        keys += 1
        _until(page, "document.querySelector('.mode-head b').innerText !== before "
               "|| document.querySelector('.mode .wrong .problem, .mode .decide-row button[disabled]') "
               "|| document.querySelector('.mode .all-done')", shown)  # fmt: skip
        if page.locator(".mode .all-done").count():
            decided += 1
            break
        if page.locator(".mode-head b").inner_text() != shown:
            decided += 1
            continue
        asked += 1
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("ArrowDown")
        _until(page, "document.querySelector('.mode-head b').innerText !== before", shown)
    minutes = (time.monotonic() - began) / 60
    by_name = {Path(row["photo"]).name: row for row in rows}
    seen = [one for one in _all(f"{address}/v1/sightings") if one["name"] in by_name]
    wrong = [one for one in seen if one["record_id"] != by_name[one["name"]]["record_id"]]
    yield (
        f"{len(rows)} lot cards, the arrow that agrees on each: entered / left, since something is asked",
        f"{decided} / {asked}",
        "",
    )
    yield "... wrong records among them", f"{len(wrong)} {[one['name'] for one in wrong] or ''}".strip(), "0"
    yield f"... cards gone through a minute, {look:g} s of looking each", f"{(decided + asked) / minutes:.0f}", ">= 30"
    yield "... keys for 'known, next'", f"{keys / max(decided + asked, 1):.0f}", "1"


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


def _until(page: Page, expression: str, before: str) -> None:
    end = time.monotonic() + PATIENCE_MS / 1000
    while not page.evaluate(f"(before) => Boolean({expression})", before):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(20)


if __name__ == "__main__":
    main()
