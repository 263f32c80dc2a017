"""Measures what the page promises and prints one table; the service runs in a process of its own, as users start it.

python -m matcher.lab.benchmarks.page CATALOGUE PHOTO... [--large CATALOGUE] [--rounds N]

CATALOGUE and PHOTO: what to identify. --large: a catalogue of some 5,000 records, whose page is opened and scrolled.
Each photo is asked about over HTTP alone (the same call) and by dropping it on the page, after one to warm up.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import statistics
import subprocess
import sys
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, sync_playwright

PAGES = ("/", "/review", "/catalogue", "/record?id={record}", "/scarcity", "/log", "/listing", "/lot")
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
PATIENCE_MS = 300_000
SCREENS = 40
"""So many screenfuls of the large catalogue are scrolled through."""

LONG_TASKS = """() => {
    window.longest = 0;
    window.shifted = 0;
    new PerformanceObserver((list) => {
        for (const task of list.getEntries()) window.longest = Math.max(window.longest, task.duration);
    }).observe({ type: "longtask" });
    new PerformanceObserver((list) => {
        for (const shift of list.getEntries()) if (!shift.hadRecentInput) window.shifted += shift.value;
    }).observe({ type: "layout-shift" });
}"""

WATCH = """() => {
    const now = () => performance.now() - window.began;
    const seen = () => {
        const shown = [...document.querySelectorAll("card-compare .pane img")];
        const alone = document.querySelector("card-compare .stage .empty");
        const both = shown.length > 1 && shown.every((one) => one.complete && one.naturalWidth > 0);
        if (alone || both) window.bothSeen = now();
        else requestAnimationFrame(seen);
    };
    new MutationObserver((_, watch) => {
        if (!document.querySelector("[class*='outcome-']")) return;
        watch.disconnect();
        requestAnimationFrame(() => requestAnimationFrame(() => {  // the frame with it has been drawn
            window.answered = now();
            seen();
        }));
    }).observe(document.body, { childList: true, subtree: true });
    window.began = performance.now();
}"""
"""The page's own clock: Playwright looks only twice a second whether something is there."""

Row = tuple[str, str, str]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("catalogue", type=Path)
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--large", type=Path)
    parser.add_argument("--rounds", type=int, default=1)
    chosen = parser.parse_args()
    rows: list[Row] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        with serving(chosen.catalogue) as address:
            rows += weights(browser, address)
            rows += barriers(browser, address)
            rows += answers(browser, address, chosen.photos * chosen.rounds)
        if chosen.large:
            with serving(chosen.large) as address:
                rows += scrolling(browser, address)
        browser.close()
    print("| what | measured | bar |\n|---|---|---|")
    for what, measured, bar in rows:
        print(f"| {what} | {measured} | {bar} |")


@contextmanager
def serving(catalogue: Path) -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = "from matcher.cli.start import main; main()"
    arguments = ["serve", "--catalogue", str(catalogue), "--port", str(port), "--workers", "1", "--quiet"]
    process = subprocess.Popen([sys.executable, "-c", command, *arguments])
    address = f"http://127.0.0.1:{port}"
    try:
        while not _is_ready(address):
            if process.poll() is not None:
                raise SystemExit(f"the service did not start: {catalogue}")
            time.sleep(0.2)
        yield address
    finally:
        process.terminate()
        process.wait(30)


def _is_ready(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/v1/health") as answer:
            return b'"status":"ok"' in answer.read()
    except OSError:
        return False


def weights(browser: Browser, address: str) -> list[Row]:
    """Bytes of each page without pictures and data, as they are sent, and the hosts that are asked."""
    heaviest, hosts = (0, ""), set[str]()
    for place in pages(address):
        page = browser.new_page()
        bodies: dict[str, int] = {}

        def note(response: Any, bodies: dict[str, int] = bodies) -> None:
            parts = urlsplit(response.url)
            hosts.add(parts.netloc)
            if not parts.path.startswith("/v1/"):
                bodies[parts.path] = len(response.body())

        page.on("response", note)
        page.goto(address + place)
        page.wait_for_load_state("networkidle", timeout=PATIENCE_MS)
        heaviest = max(heaviest, (sum(bodies.values()), place))
        page.close()
    elsewhere = len(hosts - {urlsplit(address).netloc})
    return [
        ("heaviest page before pictures", f"{heaviest[0] / 1000:.0f} kB ({heaviest[1]})", "<= 200 kB"),
        ("requests to other hosts", str(elsewhere), "0"),
    ]


def barriers(browser: Browser, address: str) -> list[Row]:
    """Serious and critical findings of axe-core on every page, two sizes, both themes."""
    found = 0
    for size in ((1440, 900), (1280, 720), (390, 844)):
        for theme in ("light", "dark"):
            context = browser.new_context(
                viewport={"width": size[0], "height": size[1]}, color_scheme=theme, bypass_csp=True
            )
            for place in pages(address):
                page = context.new_page()
                page.goto(address + place)
                page.wait_for_load_state("networkidle", timeout=PATIENCE_MS)
                violations = Axe().run(page, options=WCAG).response["violations"]
                grave = [one for one in violations if one["impact"] in ("serious", "critical")]
                for one in grave:
                    print(f"{place} {size} {theme}: {one['id']}: {one['nodes'][0]['html'][:120]}", file=sys.stderr)
                found += len(grave)
                page.close()
            context.close()
    return [(f"axe: serious or critical, {len(pages(address))} pages x 3 sizes x 2 themes", str(found), "0")]


def pages(address: str) -> list[str]:
    with urllib.request.urlopen(f"{address}/v1/records?limit=1") as answer:
        record = answer.read().decode().split('"record_id":"')[1].split('"')[0]
    return [place.format(record=record) for place in PAGES]


def answers(browser: Browser, address: str, photos: list[Path]) -> list[Row]:
    """Seconds from dropping a photo to the answer on the page, against the same call over HTTP alone.

    Each photo is asked about by both and without pictures to compare, now the one and now the other first.
    """
    kinds: dict[str, Callable[[Path], float]] = {
        "page": lambda photo: _shown(browser, address, photo)[0],
        "alone": lambda photo: _post(f"{address}/v1/comparisons?top=9", photo),
        "plain": lambda photo: _post(f"{address}/v1/identify?top=9", photo),
    }
    for ask in kinds.values():  # warm
        ask(photos[0])
    seconds: dict[str, list[float]] = {kind: [] for kind in kinds}
    for number, photo in enumerate(photos):
        for kind in list(kinds)[:: -1 if number % 2 else 1]:
            seconds[kind].append(kinds[kind](photo))
    pictures = [_shown(browser, address, photo) for photo in photos]
    later = statistics.median(seen - answered for answered, seen, _, _ in pictures)
    longest, shifted = max(one[2] for one in pictures), max(one[3] for one in pictures)
    shown = statistics.median(seconds["page"])
    ratio, bare = (_ratios(seconds["page"], seconds[kind]) for kind in ("alone", "plain"))
    return [
        ("photo dropped to answer shown / the same call over HTTP", f"{ratio} ({shown:.2f} s)", "<= 1.15 x"),
        ("... / identifying alone, without pictures to compare", bare, ""),
        ("... card and reference beside each other are seen after another", f"{later:.2f} s", ""),
        (
            "... longest task while it is asked and shown",
            f"{longest:.0f} ms" if longest else "none over 50 ms",
            "<= 100 ms",
        ),
        ("... layout shift, the worst", f"{shifted:.3f}", "<= 0.05"),
    ]


def _ratios(these: list[float], those: list[float]) -> str:
    each = sorted(a / b for a, b in zip(these, those, strict=True))
    return f"{statistics.median(each):.2f} x (median of {len(each)}, {each[0]:.2f} to {each[-1]:.2f})"


def _shown(browser: Browser, address: str, photo: Path) -> tuple[float, float, float, float]:
    """Seconds until the page tells the answer, and until both pictures are there; the longest task, ms, and the
    layout shift meanwhile. A window without a past.
    """
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    page.wait_for_load_state("networkidle")
    assert not page.locator(".outcome").count(), "an answer is shown before anything was asked"
    page.evaluate(LONG_TASKS)
    page.evaluate(WATCH)
    page.set_input_files("#files", photo)
    while (seen := page.evaluate("window.bothSeen ?? 0")) == 0:
        page.wait_for_timeout(50)
    answered, longest, shifted = page.evaluate("[window.answered, window.longest, window.shifted]")
    page.close()
    return answered / 1000, seen / 1000, longest, shifted


def _post(address: str, photo: Path) -> float:
    """Seconds that one call takes."""
    boundary = uuid.uuid4().hex
    head = f'--{boundary}\r\nContent-Disposition: form-data; name="photo"; filename="{photo.name}"\r\n\r\n'
    body = head.encode() + photo.read_bytes() + f"\r\n--{boundary}--\r\n".encode()
    kind = {"Content-Type": f"multipart/form-data; boundary={boundary}"}
    start = time.perf_counter()
    with urllib.request.urlopen(urllib.request.Request(address, body, kind)) as answer:
        answer.read()
    return time.perf_counter() - start


def scrolling(browser: Browser, address: str) -> list[Row]:
    """The catalogue page of a large catalogue: first picture, and the longest task while scrolling after the load."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.set_default_timeout(PATIENCE_MS)
    start = time.perf_counter()
    page.goto(f"{address}/catalogue")
    while not page.evaluate("[...document.querySelectorAll('.cards img')].some((one) => one.naturalWidth > 0)"):
        page.wait_for_timeout(20)
    first = time.perf_counter() - start
    page.wait_for_load_state("networkidle")
    page.evaluate(LONG_TASKS)
    for _ in range(SCREENS):
        page.mouse.wheel(0, 900)
        page.wait_for_timeout(250)
    page.wait_for_timeout(500)
    cards = page.locator(".cards li").count()
    longest = page.evaluate("window.longest")
    with urllib.request.urlopen(f"{address}/v1/health") as answer:
        records = answer.read().decode().split('"records":')[1].split(",")[0]
    page.close()
    return [
        (f"{records} records: first picture of the catalogue page", f"{first:.2f} s", ""),
        (f"... longest task, {SCREENS} screens scrolled, {cards} records shown",
         f"{longest:.0f} ms" if longest else "none over 50 ms", "<= 200 ms"),
    ]  # fmt: skip


if __name__ == "__main__":
    main()
