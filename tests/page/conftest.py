"""Debian's Chromium, a small catalogue, a service over it, and pages that fail a test when a script does."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.page.site import Site, Stock, serving, stock

playwright = pytest.importorskip("playwright.sync_api", reason="the page's tests need playwright: pip install '.[dev]'")

KEPT = os.environ.get("PLATEKIN_TEST_STOCK", "")
NAMED = os.environ.get("PLATEKIN_TEST_CHROMIUM", "")
SIZES = {
    "desk": {"width": 1440, "height": 900},
    "laptop": {"width": 1280, "height": 720},
    "phone": {"width": 390, "height": 844},
    "narrow": {"width": 320, "height": 740},
}
HANDS = ("phone", "narrow")
PATIENCE_MS = 60_000


def until(page: Any, expression: str) -> None:
    """Wait for a script's expression to hold; Playwright's own way of waiting is what the page's policy forbids."""
    end = time.monotonic() + PATIENCE_MS / 1000
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(50)


def chromium() -> str | None:
    return NAMED or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def small_stock(tmp_path_factory: pytest.TempPathFactory) -> Stock:
    """Drawn once for all processes of a run, and kept between runs where PLATEKIN_TEST_STOCK names a folder."""
    if KEPT:
        return stock(Path(KEPT))
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    return stock(shared / "page-stock")


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    """Ended with this folder's tests: while it runs, no other test could run an event loop."""
    program = chromium()
    if program is None:
        pytest.skip("no Chromium here: sudo apt-get install chromium, or set PLATEKIN_TEST_CHROMIUM to one")
    with playwright.sync_playwright() as started:
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        opened = started.chromium.launch(executable_path=program, args=arguments)
        yield opened
        opened.close()


@pytest.fixture
def site(small_stock: Stock, tmp_path: Path) -> Iterator[Site]:
    """A service over a catalogue of this test's own."""
    with serving(small_stock, tmp_path / "catalogue") as running:
        yield running


@pytest.fixture(scope="package")
def shared_site(small_stock: Stock, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A service for tests that only look."""
    with serving(small_stock, tmp_path_factory.mktemp("shared") / "catalogue") as running:
        yield running


Open = Callable[..., Any]


@pytest.fixture
def open_page(browser: Any) -> Iterator[Open]:
    """open_page(address, size="phone", theme="dark"): a page; what its scripts complain of fails the test.

    deaf: the test makes it complain.
    """
    contexts: list[Any] = []
    complaints: list[str] = []

    def opened(
        address: str, *, size: str = "desk", theme: str = "light", context: Any = None, deaf: bool = False, **more: Any
    ) -> Any:
        if context is None:
            context = browser.new_context(
                viewport=SIZES[size], color_scheme=theme, has_touch=size in HANDS, is_mobile=size in HANDS, **more
            )
            context.set_default_timeout(PATIENCE_MS)
            contexts.append(context)
        page = context.new_page()
        if not deaf:
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.on("console", lambda told: complaints.append(told.text) if told.type in _COMPLAINTS else None)
        page.goto(address)
        return page

    yield opened
    for context in contexts:
        for page in context.pages:  # an answer that a test altered may still be on its way: its end is no other test's
            page.unroute_all(behavior="ignoreErrors")
        context.close()
    assert [told for told in complaints if not _expected(told)] == []


_COMPLAINTS = ("error", "warning")


def _expected(told: str) -> bool:
    """Chromium tells every answer that is no success, though the page handles it."""
    return told.startswith("Failed to load resource")
